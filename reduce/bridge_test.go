package reduce

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

var (
	nan = math.NaN()
	inf = math.Inf(1)
)

// columns draws n samples of states and ratios, with some that have no answer.
func columns(r *rand.Rand, n int) (ratio, thermal, factor, lead, excitation []float64) {
	odd := []float64{nan, inf, -inf, 0.5, -0.5, 1, -1, 0, math.Copysign(0, -1), 0.7}
	column := func(lo, hi float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = lo + (hi-lo)*r.Float64()
			if r.IntN(40) == 0 {
				x[i] = odd[r.IntN(len(odd))]
			}
		}
		return x
	}
	return column(-0.01, 0.01), column(-1e-3, 1e-3), column(1.9, 2.2), column(0, 5), column(0, 3)
}

func sameBits(t *testing.T, what string, i int, got, want float64) {
	t.Helper()
	if math.IsNaN(got) && math.IsNaN(want) {
		return
	}
	if math.Float64bits(got) != math.Float64bits(want) {
		t.Fatalf("%s, sample %d: %.17g, want the bits of %.17g", what, i, got, want)
	}
}

func TestStrainColumnIsStrain(t *testing.T) {
	const n = 2500 // more than two blocks
	for i, l := range append(Layouts(), Layout{Name: "arms swapped", Arms: [4]Role{Resistor, Axial, Resistor, Resistor}, Leads: [4]float64{0, 2, 0, 0}}) {
		r := rand.New(rand.NewPCG(2, uint64(i)))
		b := random(r, l).bridge
		ratio, thermal, factor, lead, excitation := columns(r, n)
		for _, c := range []struct {
			name             string
			lead, excitation []float64
		}{{"all", lead, excitation}, {"no excitation leads", lead, nil}, {"no leads", nil, nil}, {"excitation only", nil, excitation}} {
			want := make([]float64, n)
			roots := 0
			for k := range want {
				s := State{Thermal: thermal[k], GaugeFactor: factor[k]}
				if c.lead != nil {
					s.Lead = c.lead[k]
				}
				if c.excitation != nil {
					s.Excitation = c.excitation[k]
				}
				want[k] = b.Strain(ratio[k], s)
				if !math.IsNaN(want[k]) {
					roots++
				}
				if math.IsInf(want[k], 0) {
					t.Fatalf("%s, %s: infinite strain", l.Name, c.name)
				}
			}
			if roots < n/2 {
				t.Errorf("%s, %s: only %d of %d samples have a strain", l.Name, c.name, roots, n)
			}
			apart := b.StrainColumn(make([]float64, n), ratio, thermal, factor, c.lead, c.excitation)
			over := append([]float64(nil), ratio...)
			b.StrainColumn(over, over, thermal, factor, c.lead, c.excitation)
			for k := range want {
				sameBits(t, l.Name+", "+c.name, k, apart[k], want[k])
				sameBits(t, l.Name+", "+c.name+", in place", k, over[k], want[k])
			}
		}
	}
}

func TestRatioAndBack(t *testing.T) {
	eachDraw(t, func(t *testing.T, _ *rand.Rand, d draw) {
		near(t, "strain", d.bridge.Strain(d.bridge.Ratio(d.strain, d.now), d.now), d.strain, 1e-14)
		near(t, "no strain", d.bridge.Strain(d.bridge.Ratio(0, d.zero), d.zero), 0, 1e-15)
	})
}

// Large strains: the closed form stays on the branch of positive arms.
func TestRatioAndBackOfLargeStrains(t *testing.T) {
	for _, l := range Layouts() {
		b := plain(t, l.Name, 350, 0.3)
		for _, u := range []float64{-0.3, -0.1, -0.02, 0.02, 0.1, 0.3} {
			for _, rx := range []float64{0, 5} {
				s := State{GaugeFactor: 2, Excitation: rx}
				near(t, l.Name, b.Strain(b.Ratio(u, s), s), u, 1e-14)
			}
		}
	}
}

func TestNoStrainWhereThereIsNone(t *testing.T) {
	good := State{GaugeFactor: 2, Lead: 1}
	for _, l := range Layouts() {
		b := plain(t, l.Name, 350, 0.3)
		for _, c := range []struct {
			name  string
			ratio float64
			state State
		}{
			{"ratio is NaN", nan, good},
			{"ratio is infinite", inf, good},
			{"more than the excitation", 1.01, good},
			{"less than minus the excitation", -1.01, good},
			{"gauge factor 0", 1e-3, State{Lead: 1}},
			{"gauge factor NaN", 1e-3, State{GaugeFactor: nan}},
			{"thermal NaN", 1e-3, State{GaugeFactor: 2, Thermal: nan}},
			{"excitation lead NaN", 1e-3, State{GaugeFactor: 2, Excitation: nan}},
		} {
			if got := b.Strain(c.ratio, c.state); !math.IsNaN(got) {
				t.Errorf("%s, %s: %g, want NaN", l.Name, c.name, got)
			}
		}
		// An open gauge saturates the bridge: no strain, not a large one.
		if l.Quarter() {
			if got := b.Strain(0.5, good); !math.IsNaN(got) {
				t.Errorf("%s: open gauge reads %g", l.Name, got)
			}
		}
		if got := b.Strain(1e-3, State{GaugeFactor: 2, Lead: nan}); math.IsNaN(got) == l.Full() {
			t.Errorf("%s: %g with an unknown lead resistance", l.Name, got)
		}
	}
}

// Closed forms for equal arms without leads, derived by hand from the ratio.
func TestClosedForms(t *testing.T) {
	const f, nu = 2.1, 0.29
	for _, e := range []float64{-4e-3, -1e-4, 2e-3, 5e-3} {
		d := f * e
		for name, want := range map[string]float64{
			"quarter_2wire":        d / (4 + 2*d),
			"quarter_3wire":        d / (4 + 2*d),
			"half_dummy":           d / (4 + 2*d),
			"half_bending":         d / 2,
			"half_poisson":         d * (1 + nu) / (4 + 2*d*(1-nu)),
			"half_opposite_2wire":  d / (2 + d),
			"half_opposite_3wire":  d / (2 + d),
			"full_bending":         d,
			"full_poisson_axial":   d * (1 + nu) / (2 + d*(1-nu)),
			"full_bending_poisson": 2 * d * (1 + nu) / (4 - d*(1-nu)*d*(1-nu)),
			"full_shear":           d / 2,
		} {
			near(t, name, plain(t, name, 350, nu).Ratio(e, State{GaugeFactor: f}), want, 1e-15)
		}
	}
}

// The quarter bridge step by step: divider, leads, thermal, gauge factor,
// transverse. The one-step solution is the same number.
func TestQuarterBridgeInSequence(t *testing.T) {
	for _, name := range []string{"quarter_2wire", "quarter_3wire"} {
		l, _ := LayoutByName(name)
		r := rand.New(rand.NewPCG(3, 3))
		for range draws {
			d := random(r, l)
			b := d.bridge
			q := 0.005 * (2*r.Float64() - 1)
			fixed := b.completion()
			zero1, zero2 := b.Gauge+l.Leads[0]*d.zero.Lead, fixed+l.Leads[1]*d.zero.Lead
			x := zero2/(zero1+zero2) - q
			arm := (fixed + l.Leads[1]*d.now.Lead) * (1 - x) / x
			change := (arm-l.Leads[0]*d.now.Lead)/b.Gauge - 1
			want := (change - d.now.Thermal) / d.now.GaugeFactor / b.Response[0]
			near(t, name, b.Strain(q+b.Ratio(0, d.zero), d.now), want, 2e-15)
		}
	}
}

func TestLayouts(t *testing.T) {
	if n := len(Layouts()); n != 11 {
		t.Fatalf("%d layouts", n)
	}
	Layouts()[0].Name = "changed by a caller"
	// Sensitivity for Kt = 0 and nu = 0.3, from the table of layouts.
	want := map[string]float64{
		"quarter_2wire": 1, "quarter_3wire": 1, "half_dummy": 1, "half_bending": 2, "half_poisson": 1.3,
		"half_opposite_2wire": 2, "half_opposite_3wire": 2, "full_bending": 4, "full_poisson_axial": 2.6,
		"full_bending_poisson": 2.6, "full_shear": 2,
	}
	for name, constant := range want {
		near(t, name, bridgeConstant(plain(t, name, 350, 0.3)), constant, 1e-15)
	}
	var quarter, full, shear, sense int
	for _, l := range Layouts() {
		if l.Quarter() {
			quarter++
		}
		if l.Full() {
			full++
		}
		if l.Shear() {
			shear++
		}
		if l.SenseLead() {
			sense++
		}
	}
	if quarter != 2 || full != 4 || shear != 1 || sense != 5 {
		t.Errorf("%d quarter, %d full, %d shear, %d with sense lead", quarter, full, shear, sense)
	}
	if _, ok := LayoutByName("quarter"); ok {
		t.Error("an unknown layout is known")
	}
}

func TestShuntLocations(t *testing.T) {
	for _, name := range []string{"gauge", "completion", "instrument"} {
		l, ok := ParseShuntLocation(name)
		if !ok || l.String() != name {
			t.Errorf("%s parses as %s, %t", name, l, ok)
		}
	}
	if _, ok := ParseShuntLocation("elsewhere"); ok {
		t.Error("an unknown location is known")
	}
	b := plain(t, "half_bending", 350, 0.3)
	for _, l := range []ShuntLocation{ShuntCompletion, 17} {
		if err := b.ShuntFits(l); !errors.Is(err, ErrShuntLocation) {
			t.Errorf("%s: %v", l, err)
		}
	}
	// A shunt across the gauge at 2000 microstrain gives a step 0.4 % larger
	// than at zero; across the completion arm it hardly changes.
	q, s := plain(t, "quarter_3wire", 350, 0.3), State{GaugeFactor: 2}
	step := func(u float64, l ShuntLocation) float64 { return q.ShuntRatio(u, s, l, 1e5) - q.Ratio(u, s) }
	near(t, "gauge", step(2e-3, ShuntGauge)/step(0, ShuntGauge), 1.004, 3e-3)
	near(t, "completion", step(2e-3, ShuntCompletion)/step(0, ShuntCompletion), 1, 1e-4)
}

func TestSpanFactor(t *testing.T) {
	near(t, "span", SpanFactor(1e-3, 0.98e-3), 1/0.98, 1e-15)
	for _, c := range [][2]float64{{1e-3, 0}, {0, 0}, {nan, 1}, {1, nan}, {1, inf}, {inf, 1}} {
		if got := SpanFactor(c[0], c[1]); !math.IsNaN(got) {
			t.Errorf("span of %g over %g is %g", c[0], c[1], got)
		}
	}
	x := []float64{1e-3, nan, 0}
	Correction{2e-4, 1.01, 5e-5}.Column(x, x)
	near(t, "corrected", x[0], 1.01*(1e-3-2e-4)+5e-5, 0)
	if !math.IsNaN(x[1]) {
		t.Error("NaN is lost")
	}
}

func TestColumnsDoNotAllocate(t *testing.T) {
	const n = 3000
	r := rand.New(rand.NewPCG(4, 4))
	ratio, thermal, factor, lead, excitation := columns(r, n)
	dst, a, b, c := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	rosette, err := NewRosette([]float64{0, math.Pi / 4, math.Pi / 2, 3 * math.Pi / 4}, make([]float64, 4), 0.285)
	if err != nil {
		t.Fatal(err)
	}
	four := [][]float64{ratio, thermal, factor, lead}
	steel := Elastic{2e11, 0.3}
	fb, fa := Butterworth(4, 0.1)
	kernels := map[string]func(){
		"correction":       func() { Correction{1e-3, 1, 0}.Column(dst, ratio) },
		"SolveColumn":      func() { Arms{{350, 700}, {350, 0}, {350, 0}, {350, 0}}.SolveColumn(dst, ratio, Correction{0, 1, 0}, 0) },
		"rosette":          func() { rosette.Columns(dst, a, b, c, four) },
		"PrincipalColumns": func() { PrincipalColumns(dst, a, b, c, ratio, thermal, lead) },
		"stress":           func() { steel.PlaneColumns(dst, a, b, ratio, thermal, lead) },
		"uniaxial":         func() { steel.UniaxialColumn(dst, ratio) },
		"von Mises":        func() { VonMisesColumn(dst, ratio, thermal) },
		"Tresca":           func() { TrescaColumn(dst, ratio, thermal) },
		"Reversals":        func() { Reversals(dst, ratio) },
		"FilterForward":    func() { FilterForward(dst, ratio, fb, fa) },
		"NoiseSD":          func() { NoiseSD(ratio, dst) },
		"RobustSD":         func() { RobustSD(ratio, dst) },
	}
	for _, l := range Layouts() {
		bridge := random(r, l).bridge
		kernels["strain of "+l.Name] = func() { bridge.StrainColumn(dst, ratio, thermal, factor, lead, nil) }
		kernels["strain with excitation leads of "+l.Name] = func() { bridge.StrainColumn(dst, ratio, thermal, factor, lead, excitation) }
	}
	for name, kernel := range kernels {
		if n := testing.AllocsPerRun(5, kernel); n != 0 {
			t.Errorf("%s allocates %g times", name, n)
		}
	}
}
