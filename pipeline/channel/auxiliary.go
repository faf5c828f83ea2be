package channel

import (
	"fmt"
	"math"

	"glueline/pipeline/testfile"
)

// Auxiliary turns an auxiliary input's raw reading into its quantity by a
// polynomial in the raw reading, ascending powers.
type Auxiliary struct {
	Coefficients []float64
}

// AuxiliaryOf returns how an auxiliary quantity's raw readings become values.
// unit is the unit of the raw file, or "" when it states none.
func AuxiliaryOf(a *testfile.Auxiliary, unit string) (Auxiliary, error) {
	switch {
	case len(a.Points) == 2:
		x0, x1 := a.Points[0].Raw.Value, a.Points[1].Raw.Value
		y0, y1 := a.Points[0].Value.Value, a.Points[1].Value.Value
		slope := (y1 - y0) / (x1 - x0)
		return Auxiliary{[]float64{y0 - slope*x0, slope}}, nil
	case len(a.Polynomial) > 0:
		c := make([]float64, len(a.Polynomial))
		for i, q := range a.Polynomial {
			c[i] = q.Value
		}
		return Auxiliary{c}, nil
	case a.Sensitivity.Given:
		perUnit := map[string]float64{"V/V": 1, "mV/V": 1e-3}[symbol(unit)]
		if perUnit == 0 {
			return Auxiliary{}, fmt.Errorf("auxiliary input %s is in %q; a transducer with a sensitivity is read in mV/V or V/V", a.Input.Text, unit)
		}
		slope := a.Capacity.Value / a.Sensitivity.Value
		return Auxiliary{[]float64{-slope * a.ZeroReading.Value, slope * perUnit}}, nil
	}
	return Auxiliary{}, fmt.Errorf("auxiliary input %s has no calibration; state two points, a polynomial or a sensitivity", a.Input.Text)
}

// Value returns one reading in the quantity's unit; NaN for a missing one.
func (a *Auxiliary) Value(reading float64) float64 {
	v := 0.0
	for i := len(a.Coefficients) - 1; i >= 0; i-- {
		v = v*reading + a.Coefficients[i]
	}
	if math.IsNaN(reading) {
		return reading
	}
	return v
}
