package compensate

import (
	"math"
	"math/big"
	"testing"
)

func eachType(t *testing.T, f func(t *testing.T, c Thermocouple)) {
	for c := range Thermocouple(len(thermocoupleNames)) {
		t.Run(c.String(), func(t *testing.T) { f(t, c) })
	}
}

func TestThermocoupleAndBack(t *testing.T) {
	eachType(t, func(t *testing.T, c Thermocouple) {
		lo, hi := c.Range()
		const steps = 20000
		for i := range steps + 1 {
			x := lo + (hi-lo)*float64(i)/steps
			near(t, "temperature", c.Temperature(c.EMF(x), 0), x, 1e-9)
		}
		for _, x := range []float64{lo, hi, math.Nextafter(lo, hi), math.Nextafter(hi, lo), 0, 760, 1e-300, -1e-300} {
			if x >= lo && x <= hi {
				near(t, "temperature", c.Temperature(c.EMF(x), 0), x, 1e-9)
			}
		}
	})
}

// A reference junction that is not at 0 degC adds its own voltage; also where
// the measuring junction is at an end of the range.
func TestColdJunction(t *testing.T) {
	eachType(t, func(t *testing.T, c Thermocouple) {
		lo, hi := c.Range()
		for _, junction := range []float64{-10, 0.1, 18.3, 22.83, 29.12, 60} {
			for _, x := range []float64{lo, -150, -1, junction, 100, hi} {
				near(t, "temperature", c.Temperature(c.EMF(x)-c.EMF(junction), junction), x, 1e-9)
			}
		}
	})
}

func TestThermocoupleOutsideItsRange(t *testing.T) {
	eachType(t, func(t *testing.T, c Thermocouple) {
		lo, hi := c.Range()
		for name, v := range map[string]float64{
			"emf below":        c.EMF(lo - 1e-9),
			"emf above":        c.EMF(hi + 1e-9),
			"emf of NaN":       c.EMF(nan),
			"below":            c.Temperature(c.EMF(lo)-1e-9, 0),
			"above":            c.Temperature(c.EMF(hi)+1e-9, 0),
			"NaN":              c.Temperature(nan, 20),
			"infinite":         c.Temperature(math.Inf(1), 20),
			"minus infinite":   c.Temperature(math.Inf(-1), 20),
			"junction NaN":     c.Temperature(1, nan),
			"junction too hot": c.Temperature(0, 1e4),
		} {
			if !math.IsNaN(v) {
				t.Errorf("%s: %g, want NaN", name, v)
			}
		}
	})
	unknown := Thermocouple(77)
	if lo, hi := unknown.Range(); !math.IsNaN(lo) || !math.IsNaN(hi) || !math.IsNaN(unknown.EMF(20)) || !math.IsNaN(unknown.Temperature(1, 20)) || unknown.String() != "?" {
		t.Error("an unknown type has values")
	}
	for _, name := range []string{"", "k", "KT", "?", "B"} {
		if _, ok := ParseThermocouple(name); ok {
			t.Errorf("%q is a type", name)
		}
	}
}

// Between two segments of a reference function the voltage may jump by a hair;
// every voltage there still has its temperature.
func TestVoltagesBetweenSegments(t *testing.T) {
	eachType(t, func(t *testing.T, c Thermocouple) {
		segments := emfSegments[c]
		for i := 1; i < len(segments); i++ {
			join := segments[i].lo
			below, above := emfKnots[c][i-1][knots], emfKnots[c][i][0]
			near(t, "jump", above, below, 1e-7)
			for _, share := range []float64{0, 0.25, 0.5, 0.75, 1} {
				near(t, "temperature", c.inverse(below+share*(above-below)), join, 1e-5)
			}
		}
	})
}

// The function rises everywhere, or it could not be inverted.
func TestReferenceFunctionsRise(t *testing.T) {
	eachType(t, func(t *testing.T, c Thermocouple) {
		lo, hi := c.Range()
		last := math.Inf(-1)
		for x := lo; x <= hi; x += 0.05 {
			emf := c.EMF(x)
			if !(emf > last) {
				t.Fatalf("emf %g at %g degC after %g", emf, x, last)
			}
			last = emf
		}
	})
}

func exactPolynomial(c []float64, x float64) float64 {
	bigX, sum := new(big.Float).SetPrec(400).SetFloat64(x), new(big.Float).SetPrec(400)
	for i := len(c) - 1; i >= 0; i-- {
		sum.Mul(sum, bigX)
		sum.Add(sum, new(big.Float).SetFloat64(c[i]))
	}
	out, _ := sum.Float64()
	return out
}

func TestHornerExactIsExact(t *testing.T) {
	var plainError float64
	for _, segments := range emfSegments {
		for _, s := range segments {
			for i := range 200 {
				x := s.lo + (s.hi-s.lo)*float64(i)/200
				want := exactPolynomial(s.c, x)
				near(t, "polynomial", hornerExact(s.c, x), want, math.Abs(want)*2.3e-16+1e-300)
				plainError = math.Max(plainError, math.Abs(horner(s.c, x)-want))
			}
		}
	}
	if plainError < 1e-12 {
		t.Errorf("plain summation is off by %g only: the exact one is not needed", plainError)
	}
}

func TestExp(t *testing.T) {
	for i := range 200000 {
		x := -200 + 0.0013*float64(i)
		if got, want := exp(x), math.Exp(x); !(math.Abs(got-want) <= 1e-15*want) {
			t.Fatalf("exp(%g) = %.17g, want %.17g", x, got, want)
		}
	}
	for _, x := range []float64{0, 1, -1, 1e-300, 709.78, -708, -745.13, -740} {
		// Below the normal numbers a last digit is worth more.
		if got, want := exp(x), math.Exp(x); !(math.Abs(got-want) <= 1e-15*want+5e-324) {
			t.Errorf("exp(%g) = %.17g, want %.17g", x, got, want)
		}
	}
	for x, want := range map[float64]float64{math.Inf(1): math.Inf(1), math.Inf(-1): 0, 710: math.Inf(1), -746: 0} {
		if got := exp(x); got != want {
			t.Errorf("exp(%g) = %g", x, got)
		}
	}
	if !math.IsNaN(exp(nan)) {
		t.Error("NaN is lost")
	}
}
