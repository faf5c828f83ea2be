package simulate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// noWire stands for a wire without resistance: a resistor has to be above zero,
// and a nano-ohm in 350 ohm moves a ratio by less than what is compared here.
const noWire = 1e-9

// TestClosedForms compares the network with what algebra gives for equal arms
// without leads (MODEL: closed forms of the arm equation, derived by hand from
// r = A1/(A1+A2) - A4/(A3+A4) turned to the convention of the project).
func TestClosedForms(t *testing.T) {
	const r, f, nu = 350.0, 2.08, 0.29
	forms := []struct {
		wiring string
		ratio  func(e float64) float64
	}{
		{"quarter_2wire", func(e float64) float64 { d := f * e; return d / (4 + 2*d) }},
		{"quarter_3wire", func(e float64) float64 { d := f * e; return d / (4 + 2*d) }},
		{"half_dummy", func(e float64) float64 { d := f * e; return d / (4 + 2*d) }},
		{"half_bending", func(e float64) float64 { return f * e / 2 }},
		{"half_poisson", func(e float64) float64 { return f * e * (1 + nu) / (4 + 2*f*e*(1-nu)) }},
		{"half_opposite_2wire", func(e float64) float64 { d := f * e; return d / (2 + d) }},
		{"half_opposite_3wire", func(e float64) float64 { d := f * e; return d / (2 + d) }},
		{"full_bending", func(e float64) float64 { return f * e }},
		{"full_poisson_axial", func(e float64) float64 { return f * e * (1 + nu) / (2 + f*e*(1-nu)) }},
		{"full_bending_poisson", func(e float64) float64 {
			x := f * e * (1 - nu)
			return 2 * f * e * (1 + nu) / (4 - x*x)
		}},
		{"full_shear", func(e float64) float64 { return f * e / 2 }},
	}
	for _, form := range forms {
		t.Run(form.wiring, func(t *testing.T) {
			b, err := newBridge(form.wiring, false, "")
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range []float64{0, 1e-6, -1e-6, 300e-6, -2e-3, 0.01} {
				ohms := resistances{lead: noWire, supply: noWire, shunt: math.Inf(1), leakage: math.Inf(1)}
				for i, see := range b.see {
					axial, _ := see.strains(e, nu)
					ohms.arm[i] = r * (1 + f*axial)
				}
				got, want := b.ratio(&ohms), form.ratio(e)
				if !(math.Abs(got-want) <= 1e-11) {
					t.Errorf("strain %g: ratio %.15g, closed form %.15g", e, got, want)
				}
			}
		})
	}
}

// TestLeads compares the network with leads to the arm equation: a lead is in
// series with its arm, the sense lead carries nothing, and two excitation wires
// without remote sense divide the ratio by 1 + 2 Rx/Rb (MODEL section 2).
func TestLeads(t *testing.T) {
	count := map[string][4]float64{
		"quarter_2wire": {2}, "quarter_3wire": {1, 1}, "half_dummy": {1, 1}, "half_bending": {1, 1},
		"half_poisson": {1, 1}, "half_opposite_2wire": {2, 0, 2, 0}, "half_opposite_3wire": {1, 1, 1, 1},
		"full_bending": {}, "full_poisson_axial": {}, "full_bending_poisson": {}, "full_shear": {},
	}
	random := rand.New(rand.NewPCG(1, 2))
	for wiring, n := range count {
		for _, remote := range []bool{false, true} {
			b, err := newBridge(wiring, remote, "")
			if err != nil {
				t.Fatal(err)
			}
			for range 50 {
				ohms := resistances{lead: 5 * random.Float64(), supply: 5 * random.Float64(), shunt: math.Inf(1), leakage: math.Inf(1)}
				var a [4]float64
				for i := range a {
					ohms.arm[i] = 350 * (1 + 0.02*random.Float64())
					a[i] = ohms.arm[i] + n[i]*ohms.lead
				}
				want := (a[0]*a[2] - a[1]*a[3]) / ((a[0] + a[1]) * (a[2] + a[3]))
				if n == [4]float64{} && !remote {
					whole := (a[0] + a[1]) * (a[2] + a[3]) / (a[0] + a[1] + a[2] + a[3])
					want *= whole / (whole + 2*ohms.supply)
				}
				if got := b.ratio(&ohms); !(math.Abs(got-want) <= 1e-15) {
					t.Errorf("%s, remote sense %v: ratio %.17g, arm equation %.17g", wiring, remote, got, want)
				}
			}
		}
	}
}

// TestShunt compares steps with hand formulas: a resistor across the gauge of a
// balanced quarter bridge reads as the strain -(1/F) Rg/(Rg+Rs) (MODEL section
// 5), across the fixed resistor as +(1/F) Rg/Rs exactly. Leakage is the former.
func TestShunt(t *testing.T) {
	const r, rs, f = 350.0, 100e3, 2.08
	strain := func(ratio float64) float64 { return 4 * ratio / (1 - 2*ratio) / f } // inverse of D/(4+2D)
	for _, at := range []struct {
		place string
		want  float64
	}{
		{acrossGauge, -r / (r + rs) / f},
		{acrossInstrument, -r / (r + rs) / f},
		{acrossCompletion, r / rs / f},
		{"leakage", -r / (r + rs) / f},
	} {
		place := at.place
		ohms := resistances{arm: [4]float64{r, r, r, r}, lead: noWire, shunt: math.Inf(1), leakage: math.Inf(1)}
		if place == "leakage" {
			place, ohms.leakage = "", rs
		} else {
			ohms.shunt = rs
		}
		b, err := newBridge("quarter_3wire", false, place)
		if err != nil {
			t.Fatal(err)
		}
		if got := strain(b.ratio(&ohms)); !(math.Abs(got-at.want) <= 1e-11) {
			t.Errorf("%s: reads as %.12g, formula %.12g", at.place, got, at.want)
		}
	}
}

// TestEnergy: what the source gives is what all resistors turn into heat, and
// no current is lost at any node. Neither holds by construction.
func TestEnergy(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for _, wiring := range []string{"quarter_2wire", "quarter_3wire", "half_bending", "half_opposite_2wire", "half_opposite_3wire", "full_shear"} {
		b, err := newBridge(wiring, false, acrossGauge)
		if err != nil {
			t.Fatal(err)
		}
		for range 20 {
			ohms := resistances{lead: 0.1 + 5*random.Float64(), supply: 0.1 + 5*random.Float64(), shunt: 1e5, leakage: 1e6 * random.Float64()}
			for i := range ohms.arm {
				ohms.arm[i] = 100 + 900*random.Float64()
			}
			b.ratio(&ohms)
			v := b.solver.volts
			var heat, given float64
			into := make([]float64, b.nodes)
			for i, p := range b.parts {
				current := (v[p.a] - v[p.b]) * b.conductance[i]
				heat += current * (v[p.a] - v[p.b])
				into[p.a] -= current
				into[p.b] += current
			}
			given = -into[sourcePlus] // times one volt
			if !(math.Abs(heat-given) <= 1e-15) {
				t.Errorf("%s: the source gives %g W, the resistors take %g W", wiring, given, heat)
			}
			for n := 2; n < b.nodes; n++ {
				if !(math.Abs(into[n]) <= 1e-15) {
					t.Errorf("%s: %g A vanish at node %d", wiring, into[n], n)
				}
			}
		}
	}
}

func TestUnknownWiring(t *testing.T) {
	if _, err := newBridge("three_quarters", false, ""); err == nil {
		t.Error("no error for an unknown wiring")
	}
	if _, err := newBridge("quarter_2wire", false, "floor"); err == nil {
		t.Error("no error for an unknown shunt location")
	}
}

// TestSensors compares with printed tables.
func TestSensors(t *testing.T) {
	for _, c := range []struct {
		name      string
		got, want float64
		tolerance float64
		source    string
	}{
		{"K at 37 degC", thermocouple('K', 37), 1.489, 0.0005, "NIST SRD 60, type K table"},
		{"K at 411 degC", thermocouple('K', 411), 16.862, 0.0005, "NIST SRD 60, type K table"},
		{"T at 63 degC", thermocouple('T', 63), 2.600, 0.0005, "NIST SRD 60, type T table"},
		{"T at 277 degC", thermocouple('T', 277), 13.537, 0.0005, "NIST SRD 60, type T table"},
		{"K at 0 degC", thermocouple('K', 0), 0, 1e-6, "definition of the reference function"},
		{"Pt100 at 50 degC", platinum(50), 119.397125, 1e-6, "IEC 60751, from its coefficients"},
		{"Pt100 at 100 degC", platinum(100), 138.5055, 1e-6, "IEC 60751, from its coefficients"},
		{"copper wire of 1 mm2 and 58 m", wireOhm(1, 58), 1, 1e-15, "1/58 ohm mm2/m, IEC 60028"},
		{"75.2 degF in degC coefficients", polynomial(perFahrenheit([]float64{1, 2, 3, 4}), 24),
			1 + 2*75.2 + 3*75.2*75.2 + 4*75.2*75.2*75.2, 1e-8, "t_F = 1.8 t + 32"},
	} {
		if !(math.Abs(c.got-c.want) <= c.tolerance) {
			t.Errorf("%s: %.9g, want %.9g (%s)", c.name, c.got, c.want, c.source)
		}
	}
}

// TestGauge: the gauge alone, against its definitions.
func TestGauge(t *testing.T) {
	l := lot{ohm: 120, factor: 2, slope: 1e-4, transverse: 0.01, reference: 2.1, expansion: 11e-6, thermal: micro(10, 2, 0.5)}
	same, other := metal{0.285, 11e-6}, metal{0.285, 23e-6}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"on the calibration beam the gauge factor is the lot's, whatever Kt",
			l.resistance(120, same, 24, 1e-3, -0.285e-3, 0.01)/120 - 1, 2e-3},
		{"at 124 degC it is 1 % more, and the thermal output is a resistance change at the reference gauge factor",
			l.resistance(120, same, 124, 1e-3, -0.285e-3, 0.01)/120 - 1, 2.02e-3 + 2.1*1e-6*(2*100+0.5*(124*124-24*24))},
		{"a field of equal strain both ways is seen as (1+Kt)/(1-nu0 Kt) of it",
			l.resistance(120, other, 25, 0, 0, 0.01)/120 - 1, 2.1e-6*(2+0.5*(625-576)) + 2*1.0001*12e-6*1.01/(1-0.00285)},
	} {
		if !(math.Abs(c.got-c.want) <= 1e-12) {
			t.Errorf("%s: %.15g, want %.15g", c.name, c.got, c.want)
		}
	}
}

func BenchmarkRatio(b *testing.B) {
	bridge, err := newBridge("quarter_3wire", false, "")
	if err != nil {
		b.Fatal(err)
	}
	ohms := resistances{arm: [4]float64{350.1, 350, 350, 350}, lead: 3, shunt: math.Inf(1), leakage: math.Inf(1)}
	b.ReportAllocs()
	for b.Loop() {
		bridge.ratio(&ohms)
	}
}
