// Package flag names what can be wrong with one sample. A flag never removes or
// alters a value: it stands beside it as one bit of a mask.
package flag

import "strings"

// Mask is the set of flags of one sample.
type Mask uint32

// The flags, in the order of their bits. The order is part of the file format:
// new flags are added at the end.
const (
	Missing            Mask = 1 << iota // no reading
	ShuntOn                             // a shunt resistor is connected, or settling after it
	Handled                             // somebody works at the gauge
	ExcitationOff                       // excitation off or warming up
	Uncured                             // before the end of the adhesive's cure
	Outside                             // outside the envelope in which the installation may be believed
	WasOutside                          // has been outside since, and no signed check followed
	BeyondYield                         // beyond the elastic formula: the strain stands, the stress does not
	TemperatureFast                     // temperature moves faster than its sensor follows
	BeyondPrediction                    // outside the predicted band of the step
	Replaced                            // gauge or wiring changed and no zero taken since
	OutOfOrder                          // its frame came out of order
	Open                                // gauge or lead open
	Shorted                             // gauge shorted
	Saturated                           // at the end of the instrument's range
	Frozen                              // the reading does not move at all
	Spike                               // one sample far from its neighbours before
	ExcitationBand                      // measured excitation out of its band
	TemperatureMissing                  // no temperature
	TemperatureStale                    // newest temperature too old
	TemperatureAhead                    // newest temperature ahead of the sample by more than the clocks allow
	AdhesiveRange                       // temperature outside the adhesive's range
	PolynomialRange                     // temperature outside the range of the thermal-output polynomial
	OverLimit                           // strain over the channel's limit
	OverElongation                      // strain over the gauge's elongation
	ZeroMissing                         // zero not taken: no value is written
	ClockStepped                        // time and sample counter disagree
	Late                                // older than the newest of its own source
	InstallationRule                    // the installation broke a rule of practice
	Unsigned                            // nobody signed for the installation: beside what puts that in doubt, never alone
	Jump                                // a jump that looks like a balance in the instrument, without an event
	LargeStrain                         // above 1 %: small-strain formulas lose accuracy
)

// Info is what people read about a flag.
type Info struct {
	Mask      Mask
	Name      string
	Meaning   string
	LeavesOut bool // left out of summaries, steps, cycles and limits
}

var table = []Info{
	{Missing, "missing", "no reading", true},
	{ShuntOn, "shunt-on", "a shunt resistor is connected, or settling after it", true},
	{Handled, "handled", "somebody works at the gauge", true},
	{ExcitationOff, "excitation-off", "excitation is off or warming up", true},
	{Uncured, "uncured", "before the end of the adhesive's cure", true},
	{Outside, "outside", "outside the envelope in which the installation may be believed", false},
	{WasOutside, "was-outside", "has been outside its envelope since, and no signed check followed", false},
	{BeyondYield, "beyond-yield", "beyond the elastic formula: the strain stands, the stress does not", false},
	{TemperatureFast, "temperature-fast", "temperature moves faster than its sensor follows", false},
	{BeyondPrediction, "beyond-prediction", "outside the predicted band of the step", false},
	{Replaced, "replaced", "gauge or wiring changed and no zero taken since", true},
	{OutOfOrder, "out-of-order", "its frame came out of order", false},
	{Open, "open", "gauge or lead open", true},
	{Shorted, "shorted", "gauge shorted", true},
	{Saturated, "saturated", "at the end of the instrument's range", true},
	{Frozen, "frozen", "the reading does not move at all", true},
	{Spike, "spike", "one sample far from those before it", true},
	{ExcitationBand, "excitation-band", "measured excitation out of its band", false},
	{TemperatureMissing, "temperature-missing", "no temperature: the value is not corrected for it", true},
	{TemperatureStale, "temperature-stale", "newest temperature too old", false},
	{TemperatureAhead, "temperature-ahead", "newest temperature ahead of the sample", false},
	{AdhesiveRange, "adhesive-range", "temperature outside the adhesive's range", false},
	{PolynomialRange, "polynomial-range", "temperature outside the range of the thermal-output polynomial", false},
	{OverLimit, "over-limit", "strain over the channel's limit", false},
	{OverElongation, "over-elongation", "strain over the gauge's elongation", false},
	{ZeroMissing, "zero-missing", "zero not taken: no value is written", true},
	{ClockStepped, "clock-stepped", "time and sample counter disagree", false},
	{Late, "late", "older than the newest of its own source", false},
	{InstallationRule, "installation-rule", "the installation broke a rule of practice", false},
	{Unsigned, "unsigned", "in doubt for its installation, which nobody signed for", false},
	{Jump, "jump", "a jump that looks like a balance in the instrument, without an event", false},
	{LargeStrain, "large-strain", "above 1 %: small-strain formulas lose accuracy", false},
}

// LeavesOut holds the flags that leave a sample out of summaries, steps, cycles
// and limits.
var LeavesOut = leavesOut()

// LeavesOutOfZero holds the flags that keep a reading out of a zero that is
// being taken. It cannot be missing then, and limits mean nothing before it.
const LeavesOutOfZero = Missing | ShuntOn | Handled | ExcitationOff | Open | Shorted | Saturated | Frozen | Spike

func leavesOut() (m Mask) {
	for _, f := range table {
		if f.LeavesOut {
			m |= f.Mask
		}
	}
	return m
}

// All returns every flag in the order of its bits.
func All() []Info { return append([]Info(nil), table...) }

// Parse returns the flag of that name.
func Parse(name string) (Mask, bool) {
	for _, f := range table {
		if f.Name == name {
			return f.Mask, true
		}
	}
	return 0, false
}

// Names lists the flags that are set, in the order of their bits.
func (m Mask) Names() []string {
	var names []string
	for _, f := range table {
		if m&f.Mask != 0 {
			names = append(names, f.Name)
		}
	}
	return names
}

// String joins the names with commas; the empty mask is "ok".
func (m Mask) String() string {
	if m == 0 {
		return "ok"
	}
	return strings.Join(m.Names(), ",")
}
