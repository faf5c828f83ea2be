package channel

import (
	"errors"
	"fmt"
	"math"

	"glueline/compensate"
	"glueline/reduce"
)

// ErrConstants occurs when the constants of a channel cannot describe a bridge.
var ErrConstants = errors.New("constants do not describe a bridge")

// Mode says what is known of the strain across the grid.
type Mode uint8

// The three modes. Indicated is for the grids of rosettes, which solve for the
// strain across themselves.
const (
	Uniaxial  Mode = iota // the specimen is stressed along the grid only
	Indicated             // nothing: the result is the indicated strain
	Ratio                 // it is StrainRatio times the strain along the grid
)

// Leads are wires of one kind. Ohm20 is the resistance of one at 20 degC.
type Leads struct {
	Ohm20  float64
	Tempco float64 // 1/K
}

// At returns the resistance of one wire in ohm at a temperature in degC; 0
// without wires, whose temperature need not be known.
func (l Leads) At(temperature float64) float64 {
	if l.Ohm20 == 0 {
		return 0
	}
	return compensate.LeadResistance(l.Ohm20, l.Tempco, temperature)
}

// Shunt is a calibration resistor, and the readings taken with it at the zero
// state when it calibrates the span. Ratios are in V/V.
type Shunt struct {
	Location     reduce.ShuntLocation
	Resistor     float64 // ohm
	Calibrates   bool    // Before and With are readings that set the span
	Before, With float64
}

// Constants are all the constants of one channel.
type Constants struct {
	Layout     reduce.Layout
	Resistance float64 // ohm of a gauge at the zero state
	Completion float64 // ohm of every fixed resistor; 0 means Resistance

	GaugeFactor        compensate.GaugeFactor
	Transverse         float64 // Kt, a fraction
	CalibrationPoisson float64
	Output             compensate.ThermalOutput // no coefficients and equal expansions: no thermal output

	Young, Poisson, Expansion, Yield float64 // of the specimen: Pa, 1, 1/K, Pa; Young or Yield 0: unknown

	Mode        Mode
	StrainRatio float64

	Leads      Leads
	Excitation Leads   // of a full bridge without remote sense
	Polarity   float64 // -1 when the signal wires are swapped, else 1
	Span       float64 // instrument gain found by a calibration; 1 for none
	Shunt      *Shunt
}

// Zero is the state that strain is counted from.
type Zero struct {
	Ratio           float64 // V/V, as read
	Temperature     float64 // degC
	LeadTemperature float64 // degC
}

// Channel is a set of constants made ready for one zero.
type Channel struct {
	Constants
	Zero Zero

	bridge    reduce.Bridge
	thermal   compensate.Thermal
	span      float64 // from the shunt or as stated
	zeroModel float64 // ratio of the bridge model in its zero state
	gain      float64 // span times polarity
}

// New prepares the constants for a zero.
func New(c Constants, zero Zero) (*Channel, error) {
	if c.Polarity == 0 {
		c.Polarity = 1
	}
	if c.Span == 0 {
		c.Span = 1
	}
	ch := &Channel{Constants: c, Zero: zero, span: c.Span}
	ch.bridge = reduce.Bridge{Layout: c.Layout, Gauge: c.Resistance, Completion: c.Completion}
	for i, role := range c.Layout.Arms {
		ch.bridge.Response[i] = c.response(role)
	}
	ch.thermal = compensate.Thermal{
		Output:             c.Output,
		GaugeFactor:        c.GaugeFactor,
		Transverse:         c.Transverse,
		CalibrationPoisson: c.CalibrationPoisson,
		SpecimenExpansion:  c.Expansion,
		Zero:               zero.Temperature,
	}
	state := ch.State(zero.Temperature, zero.LeadTemperature)
	ch.zeroModel = ch.bridge.Ratio(0, state)
	if s := c.Shunt; s != nil {
		if err := ch.bridge.ShuntFits(s.Location); err != nil {
			return nil, err
		}
		if s.Calibrates {
			ch.span = reduce.SpanFactor(ch.ShuntStep(0, zero.Temperature, zero.LeadTemperature), c.Polarity*(s.With-s.Before))
		}
	}
	ch.gain = ch.span * c.Polarity
	if !finite(ch.zeroModel, ch.gain, zero.Ratio) || c.Resistance <= 0 || ch.gain == 0 {
		return nil, fmt.Errorf("%w: resistance %v ohm, span %v, zero ratio %v V/V, zero temperature %v degC",
			ErrConstants, c.Resistance, ch.span, zero.Ratio, zero.Temperature)
	}
	return ch, nil
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// response is the indicated strain of an arm per unit of the reported quantity.
func (c *Constants) response(role reduce.Role) float64 {
	if role == reduce.Axial && c.Layout.Quarter() {
		switch c.Mode {
		case Indicated:
			return 1
		case Ratio:
			return compensate.Response(1, c.StrainRatio, c.Transverse, c.CalibrationPoisson)
		}
	}
	axial, transverse := role.Strains(c.Poisson)
	return compensate.Response(axial, transverse, c.Transverse, c.CalibrationPoisson)
}

// State returns the state of the bridge at a gauge and a lead temperature in degC.
func (ch *Channel) State(temperature, leadTemperature float64) reduce.State {
	return reduce.State{
		Thermal:     ch.thermal.Resistance(temperature),
		GaugeFactor: ch.GaugeFactor.At(temperature),
		Lead:        ch.Leads.At(leadTemperature),
		Excitation:  ch.Excitation.At(leadTemperature),
	}
}

// Span returns the factor on every change of ratio, polarity left out.
func (ch *Channel) Span() float64 { return ch.span }

// Bridge returns the channel's bridge.
func (ch *Channel) Bridge() reduce.Bridge { return ch.bridge }

func (ch *Channel) correction() reduce.Correction {
	return reduce.Correction{Zero: ch.Zero.Ratio, Span: ch.gain, Model: ch.zeroModel}
}

// Change returns the corrected change of ratio since the zero in V/V.
func (ch *Channel) Change(ratio float64) float64 { return ch.gain * (ratio - ch.Zero.Ratio) }

// Ratio returns the reading in V/V that strain gives: the inverse of Strain.
func (ch *Channel) Ratio(strain, temperature, leadTemperature float64) float64 {
	net := ch.bridge.Ratio(strain, ch.State(temperature, leadTemperature)) - ch.zeroModel
	return ch.Zero.Ratio + net/ch.gain
}

// Strain returns the strain (engineering shear strain for full_shear) of one
// reading: ratio in V/V, temperatures of gauge and leads in degC. NaN where an
// input is NaN or no strain gives the ratio.
func (ch *Channel) Strain(ratio, temperature, leadTemperature float64) float64 {
	return ch.bridge.Strain(ch.correction().Of(ratio), ch.State(temperature, leadTemperature))
}

// ShuntStep returns the change of ratio in V/V that the channel's shunt makes
// at a strain and at temperatures in degC, before instrument gain.
func (ch *Channel) ShuntStep(strain, temperature, leadTemperature float64) float64 {
	if ch.Shunt == nil {
		return math.NaN()
	}
	s := ch.State(temperature, leadTemperature)
	return ch.bridge.ShuntRatio(strain, s, ch.Shunt.Location, ch.Shunt.Resistor) - ch.bridge.Ratio(strain, s)
}

// ThermalOutput returns the thermal output at the gauge factor in strain, since
// the zero, at a temperature in degC.
func (ch *Channel) ThermalOutput(temperature float64) float64 {
	return ch.thermal.Resistance(temperature) / ch.GaugeFactor.Value
}

// StressKind says what Stress returns.
type StressKind uint8

// The kinds of stress of a single channel.
const (
	NoStress    StressKind = iota // nothing is known across the grid, or no modulus
	AxialStress                   // along the grid
	ShearStress                   // of pure shear
)

// StressKind returns which stress the channel has.
func (c *Constants) StressKind() StressKind {
	switch {
	case c.Young == 0, c.Layout.Quarter() && c.Mode == Indicated:
		return NoStress
	case c.Layout.Shear():
		return ShearStress
	}
	return AxialStress
}

// Stiffness returns the factor from the channel's strain to its stress in Pa;
// NaN when it has none.
func (c *Constants) Stiffness() float64 {
	e := reduce.Elastic{Young: c.Young, Poisson: c.Poisson}
	switch {
	case c.StressKind() == NoStress:
		return math.NaN()
	case c.Layout.Shear():
		return e.Shear(1)
	case c.Layout.Quarter() && c.Mode == Ratio:
		return e.Plane(reduce.PlaneStrain{X: 1, Y: c.StrainRatio}).X
	}
	return e.Young
}

func (l Leads) column(dst, temperature []float64) []float64 {
	return compensate.LeadColumn(dst, l.Ohm20, l.Tempco, temperature)
}
