package compensate

import (
	"math"
	"math/rand/v2"
	"testing"
)

var testThermal = Thermal{
	Output:             ThermalOutput{[]float64{-3.2e-5, 2.8e-6, -6.6e-8, 3.3e-10, -3.3e-13}, 2, 1.08e-5},
	GaugeFactor:        GaugeFactor{Value: 2.1, Reference: 24, Slope: 0.9e-4},
	Transverse:         0.012,
	CalibrationPoisson: 0.285,
	SpecimenExpansion:  2.34e-5,
	Zero:               21,
}

var nan = math.NaN()

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Fatalf("%s: got %.17g, want %.17g, off by %.3g, tolerance %g", what, got, want, got-want, tol)
	}
}

func TestThermalIsZeroAtTheZero(t *testing.T) {
	near(t, "at the zero", testThermal.Resistance(testThermal.Zero), 0, 0)
	if testThermal.Resistance(22) == 0 {
		t.Error("nothing happens beside the zero either")
	}
}

// The resistance change is that of the specimen's own free expansion: with the
// curve taken out, a bonded gauge on a specimen that expands by d more than the
// calibration material shows the indicated strain of equal strains d along and
// across its axis.
func TestMaterialShiftIsAnEqualBiaxialStrain(t *testing.T) {
	th := testThermal
	th.SpecimenExpansion = th.Output.MaterialExpansion
	for _, temperature := range []float64{-40, 0, 60, 150} {
		d := (testThermal.SpecimenExpansion - testThermal.Output.MaterialExpansion) * (temperature - testThermal.Zero)
		want := testThermal.GaugeFactor.At(temperature) * Response(d, d, testThermal.Transverse, 0.285)
		near(t, "shift", testThermal.Resistance(temperature)-th.Resistance(temperature), want, 1e-17)
	}
}

// Only differences of the curve are used: its constant term is of no account.
func TestConstantTermIsOfNoAccount(t *testing.T) {
	th := testThermal
	th.Output.Coefficients = append([]float64{1e-3}, testThermal.Output.Coefficients[1:]...)
	near(t, "thermal", th.Resistance(80), testThermal.Resistance(80), 1e-17)
}

func TestFahrenheitIsTheSameCurve(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for degree := range 8 {
		c := make([]float64, degree)
		for k := range c {
			c[k] = (2*r.Float64() - 1) * math.Pow(100, -float64(k))
		}
		converted := FromFahrenheit(c)
		if len(converted) != len(c) {
			t.Fatalf("%d coefficients from %d", len(converted), len(c))
		}
		for _, temperature := range []float64{-40, 0, 24, 100} {
			near(t, "value", horner(converted, temperature), horner(c, 1.8*temperature+32), 1e-13)
		}
	}
}

func TestResponse(t *testing.T) {
	// On the material of the calibration beam the gauge factor already holds
	// the transverse strain: nothing is left to correct.
	for _, kt := range []float64{-0.02, 0, 0.013} {
		near(t, "calibration beam", UniaxialResponse(0.285, kt, 0.285), 1, 1e-15)
	}
	near(t, "without transverse sensitivity", RatioResponse(7, 0, 0.285), 1, 0)
	near(t, "ratio", RatioResponse(-0.3, 0.01, 0.285), UniaxialResponse(0.3, 0.01, 0.285), 0)
	if !math.IsNaN(Response(nan, 0, 0.01, 0.285)) {
		t.Error("NaN is lost")
	}
}

func TestColumnsAreTheScalars(t *testing.T) {
	temperatures := []float64{-270, -200, -20, 0, 21, 24, 80, 850, 1300, nan, math.Inf(1)}
	cold := []float64{0, 10, 20, 22, 25, 30, 0, 5, 7, 20, 20}
	mV, ohm := make([]float64, len(temperatures)), make([]float64, len(temperatures))
	for i, x := range temperatures {
		mV[i], ohm[i] = TypeN.EMF(x)-TypeN.EMF(cold[i]), Pt100Resistance(x, 100)
	}
	quintic := testThermal
	quintic.Output.Coefficients = append(append([]float64(nil), testThermal.Output.Coefficients...), 2e-16)
	for name, c := range map[string]struct {
		in     []float64
		column func(dst, in []float64) []float64
		scalar func(i int, x float64) float64
	}{
		"thermal output": {temperatures, testThermal.ResistanceColumn, func(_ int, x float64) float64 { return testThermal.Resistance(x) }},
		"quintic":        {temperatures, quintic.ResistanceColumn, func(_ int, x float64) float64 { return quintic.Resistance(x) }},
		"no curve":       {temperatures, Thermal{}.ResistanceColumn, func(_ int, x float64) float64 { return Thermal{}.Resistance(x) }},
		"gauge factor":   {temperatures, testThermal.GaugeFactor.Column, func(_ int, x float64) float64 { return testThermal.GaugeFactor.At(x) }},
		"leads": {temperatures,
			func(dst, in []float64) []float64 { return LeadColumn(dst, 1.5, CopperTempco, in) },
			func(_ int, x float64) float64 { return LeadResistance(1.5, CopperTempco, x) }},
		"emf": {temperatures, TypeN.EMFColumn, func(_ int, x float64) float64 { return TypeN.EMF(x) }},
		"thermocouple": {mV,
			func(dst, in []float64) []float64 { return TypeN.TemperatureColumn(dst, in, cold) },
			func(i int, x float64) float64 { return TypeN.Temperature(x, cold[i]) }},
		"Pt100": {ohm,
			func(dst, in []float64) []float64 { return Pt100Column(dst, in, 100) },
			func(_ int, x float64) float64 { return Pt100Temperature(x, 100) }},
	} {
		apart := c.column(make([]float64, len(c.in)), c.in)
		over := append([]float64(nil), c.in...)
		c.column(over, over)
		for i, x := range c.in {
			want := math.Float64bits(c.scalar(i, x))
			if math.IsNaN(c.scalar(i, x)) {
				if !math.IsNaN(apart[i]) || !math.IsNaN(over[i]) {
					t.Errorf("%s of %g: %g and %g, want NaN", name, x, apart[i], over[i])
				}
			} else if math.Float64bits(apart[i]) != want || math.Float64bits(over[i]) != want {
				t.Errorf("%s of %g: %g and in place %g, want the bits of %g", name, x, apart[i], over[i], c.scalar(i, x))
			}
		}
		dst := make([]float64, len(c.in))
		if n := testing.AllocsPerRun(5, func() { c.column(dst, c.in) }); n != 0 {
			t.Errorf("%s allocates %g times", name, n)
		}
	}
}
