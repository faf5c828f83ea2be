package trial

import (
	"math"
	"slices"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/simulate"
)

// trial is a fault that a flag must find.
type trial struct {
	flag    flag.Mask
	channel string
	fault   string // in words, for the page
	setting
	from    time.Duration // when the fault begins
	to      time.Duration // and ends; 0 for one that stays
	within  int           // samples of the fault up to the first that is flagged, that one included
	goes    int           // samples behind it up to the first that is not, that one included
	cleared string        // by what, in words
	not     flag.Mask     // must not stand while the fault lasts
	byFrame bool          // it is decided by whole frames
}

const (
	minute = time.Minute
	second = time.Second
	quiet  = 16 * minute // zeros are taken, shunts checked, the lock is empty
)

func fault(kind, channel string, at, lasts time.Duration, value float64) simulate.Fault {
	return simulate.Fault{Kind: kind, Channel: channel, At: at, For: lasts, Value: value}
}

func say(at time.Duration, word, state, channel string) event.Event {
	e := event.Event{Event: word, State: state, Channel: channel, Time: after(at), Who: "M. Arkle", Why: "a trial"}
	if word == "excitation" {
		e.Source, e.Channel = channel, ""
	}
	if word == "zero" {
		e.Kind = "test"
	}
	return e
}

// always is ahead of the first row of a test.
const always = -minute

// Numbers of samples are at 10 Hz where nothing else is said. A sensor of the
// simulation is 20 s behind its gauge, and the logger reads every 5 s: 251 samples, and
// 301 where it takes two readings.
var trials = []trial{
	{flag: flag.Missing, channel: "skin-3", fault: "the instrument gives no reading for 10 s",
		setting: setting{faults: []simulate.Fault{fault(simulate.NoReading, "skin-3", quiet, 10*second, 0)}},
		from:    quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "a reading"},
	{flag: flag.ShuntOn, channel: "skin-1", fault: "100 kohm across the instrument for 30 s",
		from: 10 * minute, to: 10*minute + 30*second, within: 1, goes: 11, cleared: "the event off and the settling (1 s)"},
	{flag: flag.Handled, channel: "skin-3", fault: "hands at the gauge: forty times the noise",
		setting: setting{faults: []simulate.Fault{fault(simulate.Hands, "skin-3", quiet, 10*second, 0)},
			events: []event.Event{say(quiet, "handling", "begin", "skin-3"), say(quiet+10*second, "handling", "end", "skin-3")}},
		from: quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "the event end"},
	{flag: flag.ExcitationOff, channel: "girder-1", fault: "the supply of a node is off for a minute",
		setting: setting{faults: []simulate.Fault{fault(simulate.Dark, "frame", quiet, minute, 0)},
			events: []event.Event{say(quiet, "excitation", "off", "frame"), say(quiet+minute, "excitation", "on", "frame")}},
		from: quiet, to: quiet + minute, within: 1, goes: 1201, cleared: "the event on and the warm-up (2 min)"},
	{flag: flag.Uncured, channel: "girder-1", fault: "the test begins 6 min before the end of the cure",
		setting: setting{start: time.Date(2026, 4, 19, 11, 54, 0, 0, time.UTC)},
		from:    0, to: 6 * minute, within: 1, goes: 1, cleared: "the end of the cure"},
	{flag: flag.Outside, channel: "skin-1", fault: "the plate is 40 K warmer for a minute, above the 45 degC of its adhesive",
		setting: setting{faults: []simulate.Fault{fault(simulate.Warmed, "tc-top", quiet, minute, 40)}},
		from:    quiet, to: quiet + minute, within: 251, goes: 251, cleared: "a temperature inside"},
	{flag: flag.WasOutside, channel: "skin-1", fault: "the same, when it is over",
		setting: setting{faults: []simulate.Fault{fault(simulate.Warmed, "tc-top", quiet, minute, 40)},
			events: []event.Event{say(quiet+2*minute, "check", "", "skin-1")}},
		from: quiet + minute, to: quiet + 2*minute, within: 251, goes: 1, cleared: "a signed check"},
	{flag: flag.BeyondYield, channel: "skin-3", fault: "1,500 um/m on steel that yields at 1,341",
		setting: setting{faults: []simulate.Fault{fault(simulate.Overload, "skin-3", quiet, 10*second, 1500e-6)}},
		from:    quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "a strain below"},
	{flag: flag.TemperatureFast, channel: "skin-6", fault: "the plate warms by 5 K/min for 2 min and is cold at once; limit 2 K/min",
		setting: setting{faults: []simulate.Fault{{Kind: simulate.Warmed, Channel: "tc-mid", At: quiet, For: 2 * minute, Over: 2 * minute, Value: 10}}},
		from:    quiet, to: quiet + 2*minute, within: 301, goes: 301, cleared: "a reading that has moved slowly since the one before"},
	{flag: flag.BeyondPrediction, channel: "skin-9", fault: "100 um/m more than predicted for a minute of a hold (at 1 Hz)",
		setting: setting{rate: 1, faults: []simulate.Fault{fault(simulate.Overload, "skin-9", 55*minute, minute, 100e-6)}},
		from:    55 * minute, to: 56 * minute, within: 1, goes: 1, cleared: "a strain in the band, or the end of the hold"},
	{flag: flag.Replaced, channel: "skin-3", fault: "another gauge, and no readings before and behind the work",
		setting: setting{faults: []simulate.Fault{fault(simulate.Swapped, "skin-3", quiet, 0, 500e-6)},
			events: []event.Event{say(quiet, "replace", "begin", "skin-3"), say(quiet+10*second, "replace", "end", "skin-3"),
				say(quiet+minute, "zero", "begin", "skin-3"), say(quiet+90*second, "zero", "end", "skin-3")}},
		from: quiet + 10*second, to: quiet + 90*second, within: 1, goes: 1, cleared: "a zero of its own"},
	{flag: flag.OutOfOrder, channel: "skin-3", fault: "a frame of one second comes behind the next one",
		setting: setting{overtake: "skin", at: quiet},
		from:    quiet, to: quiet + span, within: 1, goes: 1, cleared: "the next frame", byFrame: true},
	{flag: flag.Open, channel: "skin-3", fault: "the gauge breaks, for 10 s",
		setting: setting{faults: []simulate.Fault{fault(simulate.Open, "skin-3", quiet, 10*second, 0)}},
		from:    quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "a reading inside the range", not: flag.Shorted},
	{flag: flag.Shorted, channel: "girder-2", fault: "the wires of the gauge touch for 10 s",
		setting: setting{faults: []simulate.Fault{fault(simulate.Shorted, "girder-2", quiet, 10*second, 0)}},
		from:    quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "a reading inside the range", not: flag.Open},
	{flag: flag.Saturated, channel: "skin-3", fault: "from nine tenths of the range to beyond it, for 10 s",
		setting: setting{faults: []simulate.Fault{fault(simulate.Overload, "skin-3", quiet-10*second, 30*second, 4400e-6),
			fault(simulate.Overload, "skin-3", quiet, 10*second, 2000e-6)}},
		from: quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "a reading inside the range", not: flag.Open | flag.Shorted},
	{flag: flag.Frozen, channel: "skin-3", fault: "the converter repeats itself for a minute",
		setting: setting{faults: []simulate.Fault{fault(simulate.Stuck, "skin-3", quiet, minute, 0)}},
		from:    quiet, to: quiet + minute, within: 255, goes: 1, cleared: "another reading"},
	{flag: flag.Spike, channel: "skin-3", fault: "a discharge of 50 uV/V (about 100 um/m) in one sample",
		setting: setting{faults: []simulate.Fault{fault(simulate.Offset, "skin-3", quiet, second/10, 50e-6)}},
		from:    quiet, to: quiet + second/10, within: 1, goes: 1, cleared: "the next reading, whatever it is"},
	{flag: flag.ExcitationBand, channel: "tie", fault: "the measured excitation is 1 % low for 10 s; band 0.2 %",
		setting: setting{faults: []simulate.Fault{fault(simulate.Sag, "rod", quiet, 10*second, -0.01)}},
		from:    quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "an excitation in the band"},
	{flag: flag.TemperatureMissing, channel: "skin-6", fault: "the sensor gives nothing for the first 12 min, zeros included",
		setting: setting{faults: []simulate.Fault{fault(simulate.LostThermocouple, "tc-mid", always, 13*minute, 0)},
			events: []event.Event{say(quiet, "zero", "begin", "skin-6"), say(quiet+minute, "zero", "end", "skin-6")}},
		from: 0, to: quiet + minute, within: 1, goes: 1, cleared: "a zero that knows its temperature"},
	{flag: flag.TemperatureStale, channel: "skin-6", fault: "the sensor gives nothing for a minute; oldest allowed 15 s",
		setting: setting{faults: []simulate.Fault{fault(simulate.LostThermocouple, "tc-mid", quiet, minute, 0)}},
		from:    quiet, to: quiet + minute, within: 152, goes: 51, cleared: "a temperature"},
	{flag: flag.TemperatureAhead, channel: "skin-6", fault: "a node's clock is 10 min behind from the first sample on",
		setting: setting{faults: []simulate.Fault{fault(simulate.Clock, "skin", always, 0, -600)}},
		from:    0, to: 10*minute - 5*second, within: 1, goes: 1, cleared: "a sample as late as the first temperature"},
	{flag: flag.AdhesiveRange, channel: "skin-3", fault: "the plate is 60 K warmer for a minute, above the 60 degC of its adhesive",
		setting: setting{faults: []simulate.Fault{fault(simulate.Warmed, "tc-top", quiet, minute, 60)}},
		from:    quiet, to: quiet + minute, within: 251, goes: 251, cleared: "a temperature inside"},
	{flag: flag.PolynomialRange, channel: "skin-6", fault: "the plate is 130 K warmer for a minute, above the 120 degC of the polynomial",
		setting: setting{faults: []simulate.Fault{fault(simulate.Warmed, "tc-mid", quiet, minute, 130)}},
		from:    quiet, to: quiet + minute, within: 251, goes: 251, cleared: "a temperature inside"},
	{flag: flag.OverLimit, channel: "skin-3", fault: "1,000 um/m for 10 s; limit 900",
		setting: setting{faults: []simulate.Fault{fault(simulate.Overload, "skin-3", quiet, 10*second, 1000e-6)}},
		from:    quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "a strain below"},
	{flag: flag.OverElongation, channel: "skin-3", fault: "3,000 um/m for 10 s on a gauge that bears 2,000",
		setting: setting{faults: []simulate.Fault{fault(simulate.Overload, "skin-3", quiet, 10*second, 3000e-6)},
			edit: []string{"elongation: 3 %", "elongation: 0.2 %"}},
		from: quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "a strain below"},
	{flag: flag.ZeroMissing, channel: "skin-3", fault: "nobody takes a zero for the first 4 min",
		from: 0, to: 4 * minute, within: 1, goes: 1, cleared: "the end of a zero"},
	{flag: flag.ClockStepped, channel: "skin-3", fault: "a node's clock steps ahead by a minute",
		setting: setting{faults: []simulate.Fault{fault(simulate.Clock, "skin", quiet, 0, 60)}},
		from:    quiet, to: quiet + span, within: 1, goes: 1, cleared: "the next frame that goes on from there", byFrame: true},
	{flag: flag.Late, channel: "skin-3", fault: "a node's clock steps back by 5 s",
		setting: setting{faults: []simulate.Fault{fault(simulate.Clock, "skin", quiet, 0, -5)}},
		from:    quiet, to: quiet + 5*second, within: 1, goes: 1, cleared: "a sample that is newer than all before", byFrame: true},
	{flag: flag.InstallationRule, channel: "bush", fault: "fourteen minutes between preparation and adhesive on bronze",
		from: 0, within: 1, cleared: "nothing: another installation"},
	{flag: flag.Unsigned, channel: "bush", fault: "the same, in a record that nobody signed",
		setting: setting{edit: []string{"    signed: J. Tolland\n    note: the first gauge slid", "    note: the first gauge slid"}},
		from:    0, within: 1, cleared: "what it stands beside, or a signature"},
	{flag: flag.Jump, channel: "skin-3", fault: "a balance of 30 uV/V (about 60 um/m) that nobody told of, the article idle",
		setting: setting{faults: []simulate.Fault{fault(simulate.Offset, "skin-3", quiet, 0, 30e-6)},
			events: []event.Event{say(quiet+minute, "check", "", "skin-3")}},
		from: quiet, to: quiet + minute, within: 32, goes: 1, cleared: "a signed check, a zero, or the balance told of"},
	{flag: flag.LargeStrain, channel: "skin-9", fault: "12,000 um/m for 10 s, an amplifier of a quarter of the gain",
		setting: setting{faults: []simulate.Fault{fault(simulate.Saturated, "skin-9", always, 0, 0.25), fault(simulate.Overload, "skin-9", quiet, 10*second, 12e-3)},
			edit: []string{"span: 0.9991", "span: 3.9964"}},
		from: quiet, to: quiet + 10*second, within: 1, goes: 1, cleared: "a strain below"},
}

// filled is a trial with a length that shows its end, in which nothing of the
// filling disturbs where it need not.
func (c trial) filled() trial {
	if c.duration == 0 {
		c.duration = max(c.from, c.to) + time.Duration(float64(c.goes)/c.options().Rate*1e9) + 30*second
		c.duration = max(minute, c.duration.Round(second))
	}
	return c
}

// later is the trial with all that is done to it later than stated. What begins
// with the test stays there, and frames end where they did.
func (c trial) later(by time.Duration) trial {
	if c.from < quiet || c.byFrame || len(c.faults) == 0 {
		return c
	}
	c.faults, c.events = slices.Clone(c.faults), slices.Clone(c.events)
	for i := range c.faults {
		if c.faults[i].At != always {
			c.faults[i].At += by
		}
	}
	for i := range c.events {
		c.events[i].Time = c.events[i].Time.Add(by)
	}
	c.from += by
	if c.to > 0 {
		c.to += by
	}
	return c
}

func (c trial) row(at time.Duration) int {
	return int(math.Ceil(at.Seconds()*c.options().Rate - 1e-6))
}

func TestEveryFlagHasATrial(t *testing.T) {
	has := map[flag.Mask]int{}
	for _, c := range trials {
		has[c.flag]++
	}
	for _, f := range flag.All() {
		if has[f.Mask] != 1 {
			t.Errorf("%s has %d trials, want 1", f.Name, has[f.Mask])
		}
	}
}

// phases are how much later than stated a fault begins: where a temperature is in
// it, at several times between two readings of the logger.
func (c trial) phases() []time.Duration {
	for _, f := range c.faults {
		if f.Kind == simulate.Warmed || f.Kind == simulate.LostThermocouple {
			return []time.Duration{0, 300 * time.Millisecond, 3300 * time.Millisecond, 4900 * time.Millisecond}
		}
	}
	return []time.Duration{0}
}

// Every flag finds its fault within the stated number of samples, stands on all
// samples until the fault is over, goes within the stated number of samples, and
// does not stand before and behind.
func TestFaultIsFoundAndTheFlagGoes(t *testing.T) {
	for _, c := range trials {
		t.Run(c.flag.String(), func(t *testing.T) {
			t.Parallel()
			for _, by := range c.phases() {
				c.later(by).run(t)
			}
		})
	}
}

func (c trial) run(t *testing.T) {
	c = c.filled()
	masks := reduced(t, c.deliver(t)).flags[c.channel]
	begins, ends := c.row(c.from), len(masks)
	if c.to > 0 {
		ends = c.row(c.to)
	}
	next := func(row int, stands bool) int {
		for row < len(masks) && (masks[row]&c.flag != 0) != stands {
			row++
		}
		return row
	}
	if early := next(0, true); early < begins {
		t.Errorf("stands on sample %d, %d before the fault", early, begins-early)
	}
	found := next(begins, true)
	if took := found - begins + 1; found == len(masks) || took > c.within {
		t.Fatalf("found after %d samples, stated: %d", took, c.within)
	}
	gone := next(found, false)
	switch took := gone - ends + 1; {
	case gone < ends:
		t.Errorf("goes on sample %d of the fault, which has %d", gone-begins, ends-begins)
	case c.to == 0 && gone < len(masks):
		t.Errorf("goes on sample %d", gone)
	case c.to > 0 && (took > c.goes || gone == len(masks)):
		t.Errorf("goes %d samples behind the fault, stated: %d", took, c.goes)
	}
	if again := next(gone, true); again < len(masks) {
		t.Errorf("stands again on sample %d, %d behind the fault", again, again-ends)
	}
	for row := begins; row < ends; row++ {
		if m := masks[row] & c.not; m != 0 {
			t.Errorf("sample %d is flagged %s", row, masks[row])
			break
		}
	}
	t.Logf("found after %d samples, gone after %d", found-begins+1, gone-ends+1)
}
