package expect

import (
	"math"

	"glueline/pipeline/channel"
	"glueline/reduce"
)

// Signal is how a channel's bridge answers to strain, as the instrument reads
// it: leads, transverse sensitivity, gain and polarity included.
type Signal struct {
	Sensitivity  float64 // V/V per m/m at the zero state; negative with swapped signal wires
	Rest         float64 // V/V, reading at the zero state that leads and completion alone make
	Limit        float64 // m/m, largest expected strain; NaN when not stated
	AtLimit      float64 // V/V, change of the reading from the zero state to Limit
	Nonlinearity float64 // m/m, error of AtLimit/Sensitivity as strain: of the linear formula
	LeadLoss     float64 // part of the sensitivity that the leads take, 0.01 for 1 %
	LeadDrift    float64 // m/m per K of the leads, as an apparent strain, uncorrected
}

// signalOf works a channel's signal out at its zero state. limit is a strain in
// m/m or NaN.
func signalOf(c channel.Constants, zero channel.Zero, limit float64) (Signal, error) {
	ch, err := channel.New(c, zero)
	if err != nil {
		return Signal{}, err
	}
	s := Signal{Limit: limit, Sensitivity: sensitivity(ch)}
	reading := func(strain, leads float64) float64 {
		return ch.Ratio(strain, zero.Temperature, leads) - zero.Ratio
	}
	state := ch.State(zero.Temperature, zero.LeadTemperature)
	s.Rest = ch.Bridge().Ratio(0, state) / (ch.Span() * ch.Polarity)
	s.AtLimit = reading(limit, zero.LeadTemperature)
	s.Nonlinearity = s.AtLimit/s.Sensitivity - limit
	s.LeadDrift = reading(0, zero.LeadTemperature+1) / s.Sensitivity

	// A span found with the leads in place would hide what they take.
	c.Shunt = nil
	with, err := channel.New(c, zero)
	if err != nil {
		return Signal{}, err
	}
	c.Leads, c.Excitation = channel.Leads{}, channel.Leads{}
	without, err := channel.New(c, zero)
	if err != nil {
		return Signal{}, err
	}
	s.LeadLoss = 1 - sensitivity(with)/sensitivity(without)
	return s, nil
}

// sensitivity is the slope of the reading over strain at the zero state, by a
// central difference: its error is some 1e-10 of the value.
func sensitivity(ch *channel.Channel) float64 {
	const step = 1e-5
	z := ch.Zero
	up, down := ch.Ratio(step, z.Temperature, z.LeadTemperature), ch.Ratio(-step, z.Temperature, z.LeadTemperature)
	return (up - down) / (2 * step)
}

// Shunt is what connecting a channel's calibration resistor should show.
type Shunt struct {
	Location reduce.ShuntLocation
	Resistor float64 // ohm
	Step     float64 // V/V, change of the reading, with the span that the file states
	Strain   float64 // m/m that the step looks like; NaN when no strain does
	Measured float64 // V/V, the step that the file says was measured; NaN without one
	Span     float64 // that follows from Measured; NaN without one
}

// shuntOf predicts a channel's shunt reading at its zero state; nil without a
// shunt.
func shuntOf(c channel.Constants, zero channel.Zero) (*Shunt, error) {
	if c.Shunt == nil {
		return nil, nil
	}
	given := *c.Shunt
	predicted := given
	predicted.Calibrates = false
	c.Shunt = &predicted
	ch, err := channel.New(c, zero)
	if err != nil {
		return nil, err
	}
	net := ch.ShuntStep(0, zero.Temperature, zero.LeadTemperature)
	s := &Shunt{Location: given.Location, Resistor: given.Resistor, Measured: math.NaN(), Span: math.NaN()}
	s.Step = net / (ch.Span() * ch.Polarity)
	s.Strain = ch.Strain(zero.Ratio+s.Step, zero.Temperature, zero.LeadTemperature)
	if given.Calibrates {
		s.Measured = given.With - given.Before
		s.Span = reduce.SpanFactor(net, ch.Polarity*s.Measured)
	}
	return s, nil
}

// PowerDensity returns the power in W that a grid of arm 1 turns into heat a
// square metre of its area (m2), at an excitation in V at the source and the
// zero state. NaN where an input is.
func PowerDensity(ch *channel.Channel, excitation, area float64) float64 {
	state := ch.State(ch.Zero.Temperature, ch.Zero.LeadTemperature)
	arms := ch.Bridge().Arms(state)
	left := arms[0].At(0) + arms[1].At(0)
	right := arms[2].At(0) + arms[3].At(0)
	bridge := left * right / (left + right)
	current := excitation * bridge / (bridge + 2*state.Excitation) / left
	return current * current * ch.Resistance / area
}

// PeakLoss returns the part of a peak that sampling can miss: with a frequency
// f and a sample rate in Hz, the two samples that straddle a peak evenly lie at
// cos(pi f/rate) of it. 1 from two samples a cycle down. The formula follows
// from the geometry of a sine.
func PeakLoss(frequency, rate float64) float64 {
	if frequency >= rate/2 {
		return 1
	}
	return 1 - math.Cos(math.Pi*frequency/rate)
}
