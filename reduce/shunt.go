package reduce

import (
	"errors"
	"fmt"
	"math"
)

// ErrShuntLocation occurs when a shunt resistor cannot be where it is said to
// be with the bridge's layout.
var ErrShuntLocation = errors.New("shunt location does not fit the bridge")

// ShuntLocation says where a shunt resistor is connected.
type ShuntLocation uint8

// The places of a shunt resistor.
const (
	ShuntGauge      ShuntLocation = iota // across the gauge of arm 1, by wires of its own
	ShuntCompletion                      // across the fixed resistor of arm 2, in the instrument
	ShuntInstrument                      // between the instrument's P+ and S- terminals
)

var shuntNames = [...]string{"gauge", "completion", "instrument"}

func (l ShuntLocation) String() string {
	if int(l) < len(shuntNames) {
		return shuntNames[l]
	}
	return fmt.Sprintf("shunt location %d", uint8(l))
}

// ParseShuntLocation returns the location called "gauge", "completion" or
// "instrument".
func ParseShuntLocation(name string) (ShuntLocation, bool) {
	for i, n := range shuntNames {
		if n == name {
			return ShuntLocation(i), true
		}
	}
	return 0, false
}

// ShuntFits returns nil if a shunt can be at the location, else an error that
// wraps ErrShuntLocation and says why.
func (b Bridge) ShuntFits(location ShuntLocation) error {
	switch {
	case location > ShuntInstrument:
		return fmt.Errorf("%w: unknown %s", ErrShuntLocation, location)
	case b.Layout.Full() && location != ShuntGauge:
		return fmt.Errorf("%w: a full bridge has its arms at the specimen, only %q can be shunted", ErrShuntLocation, ShuntGauge)
	case location == ShuntCompletion && !b.Layout.Quarter():
		return fmt.Errorf("%w: only a quarter bridge has a fixed resistor in arm 2 next to its gauge, %s has not", ErrShuntLocation, b.Layout.Name)
	}
	return nil
}

// ShuntRatio returns the bridge ratio in V/V at strain u with a resistor of
// shunt ohm connected at the location. NaN if the location does not fit.
//
// With a sense lead and the shunt between the instrument's terminals, the
// shunt current flows through the sense lead: three conductances meet at the
// gauge's corner, and what the meter sees is off by the drop in that lead.
func (b Bridge) ShuntRatio(u float64, s State, location ShuntLocation, shunt float64) float64 {
	if b.ShuntFits(location) != nil {
		return math.NaN()
	}
	arms := b.Arms(s)
	a1, a2, a3, a4 := arms[0].At(u), arms[1].At(u), arms[2].At(u), arms[3].At(u)
	switch {
	case location == ShuntGauge:
		leads := b.Layout.Leads[0] * s.Lead
		a1 = parallel(a1-leads, shunt) + leads
	case location == ShuntCompletion:
		leads := b.Layout.Leads[1] * s.Lead
		a2 = parallel(a2-leads, shunt) + leads
	case b.Layout.SenseLead():
		g1, g2, gs := 1/a1, 1/a2, 1/(shunt+s.Lead)
		corner := (g1 + gs) / (g1 + g2 + gs)
		sense := corner + (1-corner)*s.Lead*gs
		return a3/(a3+a4) - sense
	default:
		a1 = parallel(a1, shunt)
	}
	return ratio(a1, a2, a3, a4, s.Excitation)
}

func parallel(a, b float64) float64 { return a * b / (a + b) }

// SpanFactor returns the factor by which a change of the ratio has to be
// multiplied so that the shunt step comes out as predicted: predicted over
// measured, both in V/V and both as ratio with the shunt minus ratio without.
// The predicted step contains the leads, so the factor holds the instrument's
// gain only. NaN if the measured step is zero or either is not finite.
func SpanFactor(stepPredicted, stepMeasured float64) float64 {
	s := stepPredicted / stepMeasured
	if math.IsInf(s, 0) || math.IsInf(stepMeasured, 0) {
		return math.NaN()
	}
	return s
}
