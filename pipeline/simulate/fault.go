package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// The kinds of faults.
const (
	Open             = "open"              // a gauge of arm 1 breaks
	Saturated        = "saturated"         // somebody turns the amplifier's gain up, and the logger does not know
	Moisture         = "moisture"          // a leakage resistance across a gauge falls
	LostThermocouple = "lost-thermocouple" // the logger reads nothing any more
	Shorted          = "shorted"           // the wires of a gauge of arm 1 touch
	Swapped          = "swapped"           // another gauge in arm 1: its resistance is Value times the former more
	Overload         = "overload"          // the article is strained by Value more, there alone
	Offset           = "offset"            // a voltage of Value V/V comes on top: a discharge, or a balance when it stays
	Hands            = "hands"             // somebody works at the gauge: the noise is forty times what it was
	Stuck            = "stuck"             // the converter repeats its last reading
	NoReading        = "no-reading"        // the instrument gives nothing
	Warmed           = "warmed"            // the place of a sensor is Value kelvins warmer, the gauges there too
	Dark             = "dark"              // a source is without excitation
	Sag              = "sag"               // the excitation of a source that measures it is Value times itself more
	Clock            = "clock"             // the clock of a source is Value seconds ahead of the time
)

// Fault is one thing that goes wrong.
type Fault struct {
	Kind    string
	Channel string        // a strain channel; a temperature for LostThermocouple and Warmed; a source for Dark, Sag and Clock
	At      time.Duration // since the start
	For     time.Duration // how long it lasts, 0 to the end; Moisture stays
	Over    time.Duration // Moisture: how long the leakage resistance falls; Warmed: how long the warming takes
	Value   float64       // Moisture: where it ends, in ohm; Saturated: gain, relative to the right one; else as the kind says
}

// holds reports whether something is wrong at a time since the start.
func (f *Fault) holds(after time.Duration) bool {
	return after >= f.At && (f.For == 0 || after < f.At+f.For)
}

// window is when something is wrong.
func (f *Fault) window() window {
	if f.For == 0 {
		return window{f.At, math.MaxInt64}
	}
	return window{f.At, f.At + f.For}
}

// windows are those of the faults of a kind.
func windows(faults []Fault, kind, channel string) (list []window) {
	for i := range faults {
		if f := &faults[i]; f.Kind == kind && f.Channel == channel {
			list = append(list, f.window())
		}
	}
	return list
}

// warmth is how many kelvins a place is warmer.
func (f *Fault) warmth(after time.Duration) float64 {
	switch {
	case !f.holds(after):
		return 0
	case after < f.At+f.Over:
		return f.Value * float64(after-f.At) / float64(f.Over)
	}
	return f.Value
}

// NoFaults asks Write for a test in which nothing goes wrong.
var NoFaults = []Fault{}

// dry is the leakage resistance in ohm from which moisture sets out.
const dry = 100e6

// untouched channels show something else: an adhesive beyond its range, and a
// bonding that broke a rule of practice.
var untouched = []string{"skin-1", "bush"}

// PlaceFaults places one fault of each kind for a test of DefaultDuration, on
// channels where it can show and at times that leave it time to show. The same
// seed gives the same faults.
func PlaceFaults(seed uint64) []Fault {
	random := rand.New(rand.NewPCG(seed, name("faults")))
	list := channels()
	taken := slices.Clone(untouched)
	pick := func(fits func(*channel) bool) *channel {
		for {
			c := &list[random.IntN(len(list))]
			if !slices.Contains(taken, c.name) && fits(c) {
				taken = append(taken, c.name)
				return c
			}
		}
	}
	between := func(from, to time.Duration) time.Duration {
		return (from + time.Duration(random.Float64()*float64(to-from))).Truncate(time.Second)
	}

	couples := slices.DeleteFunc(slices.Clone(sensors), func(s sensor) bool { return s.letter != 'K' && s.letter != 'T' })
	lost := couples[random.IntN(len(couples))]

	open := pick(func(*channel) bool { return true })
	loud := pick(func(c *channel) bool { return c.clippingGain() > 0 })
	// Without its temperature a channel's zero is nobody's to judge.
	damp := pick(func(c *channel) bool {
		return (c.wiring == "quarter_3wire" || c.wiring == "quarter_2wire") && c.at != lost.at
	})
	return []Fault{
		{Kind: Open, Channel: open.name, At: between(8*time.Hour, 40*time.Hour)},
		{Kind: Saturated, Channel: loud.name, At: between(6*time.Hour, 36*time.Hour), Value: loud.clippingGain()},
		{Kind: Moisture, Channel: damp.name, At: between(6*time.Hour, 22*time.Hour),
			Over: between(10*time.Hour, 18*time.Hour), Value: 0.8e6 + 0.7e6*random.Float64()},
		{Kind: LostThermocouple, Channel: lost.name, At: between(8*time.Hour, 40*time.Hour)},
	}
}

// clippingGain returns the gain at which the channel stays inside the range of
// its amplifier when the lock is empty and leaves it when it is full, 0 if there
// is none.
func (c *channel) clippingGain() float64 {
	sim, err := newSimulated(*c, 0, nil, nil)
	if err != nil {
		return 0
	}
	const mild = 15
	empty := math.Abs(sim.ratio(mild, mild, 0))
	full := math.Abs(sim.ratio(mild, mild, targets[0]))
	limit := c.of().limit()
	gain := 1.4 * limit / full
	if empty*gain > 0.6*limit || gain > 64 {
		return 0
	}
	return gain
}

func (f Fault) String() string { return fmt.Sprintf("%s on %s after %s", f.Kind, f.Channel, f.At) }

// leakage returns the leakage resistance in ohm.
func (f *Fault) leakage(after time.Duration) float64 {
	if after < f.At {
		return math.Inf(1)
	}
	share := 1.0
	if f.Over > 0 {
		share = min(1, float64(after-f.At)/float64(f.Over))
	}
	return dry * math.Pow(f.Value/dry, share)
}

// scaled returns the faults of a test of another duration.
func scaled(faults []Fault, duration time.Duration) []Fault {
	out := slices.Clone(faults)
	share := float64(duration) / float64(DefaultDuration)
	for i := range out {
		out[i].At = time.Duration(share * float64(out[i].At))
		out[i].Over = time.Duration(share * float64(out[i].Over))
		out[i].For = time.Duration(share * float64(out[i].For))
	}
	return out
}

// checkFaults returns an error for a fault that cannot be.
func checkFaults(faults []Fault) error {
	list := channels()
	for _, f := range faults {
		known := slices.ContainsFunc(list, func(c channel) bool { return c.name == f.Channel })
		switch f.Kind {
		case LostThermocouple, Warmed:
			known = slices.ContainsFunc(sensors, func(s sensor) bool { return s.name == f.Channel })
		case Moisture, Saturated:
			if !(f.Value > 0) {
				return fmt.Errorf("simulate: %s needs a value above 0, not %v", f, f.Value)
			}
		case Dark, Sag, Clock:
			known = f.Channel == loggerName && f.Kind == Clock ||
				slices.ContainsFunc(sources, func(s source) bool { return s.name == f.Channel && (f.Kind != Sag || s.excitation > 0) })
		case Open, Shorted, Swapped, Overload, Offset, Hands, Stuck, NoReading:
		default:
			return fmt.Errorf("simulate: unknown kind of fault %q", f.Kind)
		}
		if !known {
			return fmt.Errorf("simulate: %s: no such channel", f)
		}
	}
	return nil
}
