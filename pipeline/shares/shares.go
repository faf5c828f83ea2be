package shares

import (
	"errors"
	"fmt"
	"math"

	"glueline/compensate"
	"glueline/pipeline/channel"
)

// Effect is what a share is due to.
type Effect uint8

// The effects in their order.
const (
	Linear       Effect = iota // the reading itself: an ideal bridge, linear, at the gauge factor that the lot states
	Nonlinearity               // the bridge is a divider, and its arms need not be equal
	Leads                      // wires in series with the arms, or in the excitation
	Thermal                    // thermal output of the gauges
	GaugeFactor                // the gauge factor at the temperature of the sample
	Transverse                 // the grid sees strain across itself

	effects
)

// String names an effect as people read it.
func (e Effect) String() string {
	switch e {
	case Linear:
		return "reading, linear bridge"
	case Nonlinearity:
		return "bridge nonlinearity"
	case Leads:
		return "lead wires"
	case Thermal:
		return "thermal output"
	case GaugeFactor:
		return "gauge factor at temperature"
	case Transverse:
		return "transverse sensitivity"
	}
	return "no effect"
}

// Share is what one effect adds to a strain.
type Share struct {
	Effect Effect
	Share  float64 // m/m, with its sign; corrections that take away are negative
	Sum    float64 // m/m, of this share and those before it: the strain with these effects and no other
}

// ErrNoStrain occurs when no strain gives the reading: it has no shares.
var ErrNoStrain = errors.New("no strain gives this reading")

// Of returns the shares of one reading of a channel, Linear first: ratio in V/V,
// temperatures of gauge and leads in degC. The last Sum is Channel.Strain of the
// same arguments bit for bit, and the shares add up to it as far as numbers of 53
// bits do, far below 1e-15. For full_shear all are engineering shear strain.
//
// Linear is 4 q / (F (m1 - m2 + m3 - m4)) with q the change of ratio since the
// zero, times the span, F the gauge factor and m the response of each arm of a
// grid that feels nothing across itself. Effects that are off are off at the zero
// as well. The span is the instrument's, and stays.
func Of(ch *channel.Channel, ratio, temperature, leadTemperature float64) ([]Share, error) {
	total := ch.Strain(ratio, temperature, leadTemperature)
	if math.IsNaN(total) || math.IsInf(total, 0) {
		return nil, ErrNoStrain
	}
	out := make([]Share, 0, effects)
	before := 0.0
	for e := Linear; e < effects; e++ {
		sum := total
		if e < Transverse {
			partial, err := With(ch, e)
			if err != nil {
				return nil, err
			}
			if e == Linear {
				sum = linear(partial, ratio)
			} else {
				sum = partial.Strain(ratio, temperature, leadTemperature)
			}
			if math.IsNaN(sum) || math.IsInf(sum, 0) {
				return nil, fmt.Errorf("%w with %s and what comes before it alone", ErrNoStrain, e)
			}
		}
		out = append(out, Share{Effect: e, Share: sum - before, Sum: sum})
		before = sum
	}
	return out, nil
}

// With returns the channel with the effects up to one, and no later ones. Of
// Linear it is a channel without any, whose bridge is not linear yet.
func With(ch *channel.Channel, last Effect) (*channel.Channel, error) {
	c := ch.Constants
	c.Span, c.Shunt = ch.Span(), nil // the instrument's, whatever it was found from
	if last < Leads {
		c.Leads.Ohm20, c.Excitation.Ohm20 = 0, 0
	}
	if last < Thermal {
		c.Output = compensate.ThermalOutput{ReferenceGaugeFactor: c.Output.ReferenceGaugeFactor, MaterialExpansion: c.Expansion}
	}
	if last < GaugeFactor {
		c.GaugeFactor.Slope = 0
	}
	if last < Transverse {
		c.Transverse = 0
	}
	partial, err := channel.New(c, ch.Zero)
	if err != nil {
		return nil, fmt.Errorf("without what comes after %s: %w", last, err)
	}
	return partial, nil
}

// linear is the small-signal strain of a channel without effects.
func linear(ch *channel.Channel, ratio float64) float64 {
	m := ch.Bridge().Response
	return 4 * ch.Change(ratio) / (ch.GaugeFactor.Value * (m[0] - m[1] + m[2] - m[3]))
}
