package flag

// What samples are used for beside summaries, and what keeps one out of it. The
// packages that use them are held to these by a test of their own.
const (
	LeavesOutOfSpikes = Missing | ShuntOn | Handled | ExcitationOff | Open | Shorted | Saturated | ClockStepped | Late | OutOfOrder
	LeavesOutOfJumps  = LeavesOutOfZero&^Spike | ClockStepped | Late | OutOfOrder
	RefusesZero       = LeavesOutOfZero | Uncured | Outside | WasOutside | TemperatureFast | TemperatureMissing | TemperatureStale |
		TemperatureAhead | ExcitationBand | ClockStepped | PolynomialRange
)

// LeavesOutOfDrift holds the flags that leave a sample out of the records of drift.
var LeavesOutOfDrift = LeavesOut | TemperatureStale | TemperatureAhead

// LeavesOutOfSlowZero holds the flags that leave a sample out of the zero that
// package health watches over a whole test: by the end of the range a sample is
// counted there, and not averaged.
var LeavesOutOfSlowZero = LeavesOutOfDrift

// LeavesOutOfAlarms holds the flags that leave a sample out of an alarm's limits:
// it neither counts nor breaks a run. A condition on flags takes every sample.
var LeavesOutOfAlarms = LeavesOut
