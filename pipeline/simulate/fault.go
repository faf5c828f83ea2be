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
)

// Fault is one thing that goes wrong.
type Fault struct {
	Kind    string
	Channel string        // a strain channel, or a temperature for LostThermocouple
	At      time.Duration // since the start
	Over    time.Duration // Moisture: how long the leakage resistance falls
	Value   float64       // Moisture: where it ends, in ohm; Saturated: gain, relative to the right one
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
	}
	return out
}

// checkFaults returns an error for a fault that cannot be.
func checkFaults(faults []Fault) error {
	list := channels()
	for _, f := range faults {
		known := slices.ContainsFunc(list, func(c channel) bool { return c.name == f.Channel })
		switch f.Kind {
		case LostThermocouple:
			known = slices.ContainsFunc(sensors, func(s sensor) bool { return s.name == f.Channel })
		case Moisture, Saturated:
			if !(f.Value > 0) {
				return fmt.Errorf("simulate: %s needs a value above 0, not %v", f, f.Value)
			}
		case Open:
		default:
			return fmt.Errorf("simulate: unknown kind of fault %q", f.Kind)
		}
		if !known {
			return fmt.Errorf("simulate: %s: no such channel", f)
		}
	}
	return nil
}
