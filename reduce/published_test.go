package reduce

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
)

// publishedCase is one case of ../testdata/published: figures with their source.
type publishedCase struct {
	ID, Group, Kind, Source string
	Inputs                  json.RawMessage
	Expected                map[string]json.RawMessage
}

func publishedCases(t *testing.T, file string) []publishedCase {
	t.Helper()
	raw, err := os.ReadFile("../testdata/published/" + file)
	if err != nil {
		t.Fatal(err)
	}
	var all struct{ Cases []publishedCase }
	if err := json.Unmarshal(raw, &all); err != nil {
		t.Fatal(err)
	}
	if len(all.Cases) == 0 {
		t.Fatal("no cases")
	}
	return all.Cases
}

// inputs decodes the inputs strictly: an input that a check does not know is an
// input that it does not honour.
func inputs[T any](t *testing.T, c publishedCase) T {
	t.Helper()
	var in T
	d := json.NewDecoder(strings.NewReader(string(c.Inputs)))
	d.DisallowUnknownFields()
	if err := d.Decode(&in); err != nil {
		t.Fatal(err)
	}
	return in
}

// compare checks computed figures against the expected ones, every one of them
// and no other.
func compare(t *testing.T, c publishedCase, got map[string][]float64) {
	t.Helper()
	for key, raw := range c.Expected {
		type figure struct {
			Value *float64
			Tol   float64
			Note  string
		}
		var figures []figure
		if json.Unmarshal(raw, &figures) != nil {
			var one figure
			if err := json.Unmarshal(raw, &one); err != nil {
				t.Fatalf("%s: %v", key, err)
			}
			figures = []figure{one}
		}
		values, ok := got[key]
		if !ok || len(values) != len(figures) {
			t.Errorf("%s: %d figures expected, %d computed", key, len(figures), len(values))
			continue
		}
		for i, f := range figures {
			if f.Value == nil { // a figure that is undefined, with a note why
				if f.Note == "" || !math.IsNaN(values[i]) {
					t.Errorf("%s: got %v, want undefined (%s)", key, values[i], f.Note)
				}
			} else if !(math.Abs(values[i]-*f.Value) <= f.Tol) {
				t.Errorf("%s[%d]: got %.17g, want %.17g within %g (%s)", key, i, values[i], *f.Value, f.Tol, c.Source)
			}
		}
	}
	for key := range got {
		if _, ok := c.Expected[key]; !ok {
			t.Errorf("%s is computed but not expected", key)
		}
	}
}

func one(v float64) []float64 { return []float64{v} }

// elsewhere says why a case is not checked in this package.
func elsewhere(id string) string {
	switch id {
	case "gum-h1", "jcgm101-9.2.3", "jcgm101-9.3", "unc-ch-0", "unc-ch-1", "unc-ros-o":
		return "not yet implemented: uncertainty"
	case "thermal-o0", "thermal-o1", "thermal-poly-F-o", "thermal-free-o", "thermal-h1", "thermal-free-h",
		"gf-temp-o", "awg-20", "awg-24", "awg-28", "awg-26", "copper-R-T", "copper-R-T-2", "tc-coefficients", "kt-single-o":
		return "package compensate"
	}
	switch {
	case strings.HasPrefix(id, "mat-"):
		return "materials of the test file"
	case strings.HasPrefix(id, "practice-"):
		return "no numbers"
	}
	return ""
}

func TestPublishedValues(t *testing.T) {
	checks := []struct {
		prefix string
		check  func(*testing.T, publishedCase)
	}{
		{"quarter-nonlin-", checkQuarter},
		{"bridge-", checkBridge},
		{"lead-desens-", checkLeadLoss},
		{"lead-2wire-thermal", checkLeadWarming},
		{"shunt-", checkShunt},
		{"leakage", checkLeakage},
		{"strain-transform-", checkTransform},
		{"allan-sp1065", checkAllanSequence},
		{"allan-nbs14-9", checkAllanNine},
		{"drift-o", checkDrift},
		{"miner-basquin", checkBasquin},
		{"miner-rainflow", checkMinerRainflow},
		{"miner-goodman", checkGoodman},
		{"butter-2-closed", checkButterworthClosed},
		{"butter-", checkButterworth},
		{"ma-gain", checkMovingAverage},
		{"strd-NumAcc2", checkPairs}, {"strd-NumAcc3", checkPairs}, {"strd-NumAcc4", checkPairs},
		{"strd-Lew", checkSummary}, {"strd-Michelso", checkSummary}, {"strd-Mavro", checkSummary}, {"strd-NumAcc1", checkSummary}, {"strd-Lottery", checkSummary},
		{"strd-", checkPolynomial},
	}
	used := make([]bool, len(checks))
	for _, c := range publishedCases(t, "published-values.json") {
		t.Run(c.ID, func(t *testing.T) {
			for i, k := range checks {
				if strings.HasPrefix(c.ID, k.prefix) {
					used[i] = true
					k.check(t, c)
					return
				}
			}
			if elsewhere(c.ID) == "" {
				t.Fatalf("published value %s is neither checked nor known to be checked elsewhere", c.ID)
			}
			if elsewhere(c.ID) == "no numbers" && len(c.Expected) != 0 {
				t.Fatalf("%s has numbers after all", c.ID)
			}
		})
	}
	for i, k := range checks {
		if !used[i] {
			t.Errorf("no published value uses the check %s", k.prefix)
		}
	}
}

// plain is a bridge without transverse sensitivity, leads or thermal output.
func plain(t *testing.T, layout string, gauge, poisson float64) Bridge {
	t.Helper()
	l, ok := LayoutByName(layout)
	if !ok {
		t.Fatalf("no layout %q", layout)
	}
	b := Bridge{Layout: l, Gauge: gauge}
	for i, role := range l.Arms {
		b.Response[i], _ = role.Strains(poisson)
		if role == Shear || role == ShearOpposite {
			b.Response[i] = math.Copysign(0.5, b.Response[i])
		}
	}
	return b
}

// bridgeConstant is four times the small-signal ratio over gauge factor and u.
func bridgeConstant(b Bridge) float64 {
	return b.Response[0] - b.Response[1] + b.Response[2] - b.Response[3]
}

func checkQuarter(t *testing.T, c publishedCase) {
	in := inputs[struct {
		GaugeFactor float64 `json:"gauge_factor"`
		Strain      float64
	}](t, c)
	b, s := plain(t, "quarter_2wire", 350, 0.3), State{GaugeFactor: in.GaugeFactor}
	// Here the error is that of a strain read with the small-signal slope.
	ratio := b.Ratio(in.Strain, s)
	linear := 4 * ratio / (in.GaugeFactor * bridgeConstant(b))
	compare(t, c, map[string][]float64{"ratio": one(ratio), "linear_error_pct": one((linear/in.Strain - 1) * 100)})
	if back := b.Strain(b.Ratio(in.Strain, s), s); !(math.Abs(back-in.Strain) < 1e-15) {
		t.Errorf("strain back: %.17g", back)
	}
}

func checkBridge(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Bridge            string
		GaugeFactor       float64 `json:"gauge_factor"`
		Poisson, Quantity float64
	}](t, c)
	b, s := plain(t, in.Bridge, 350, in.Poisson), State{GaugeFactor: in.GaugeFactor}
	// Here the error is that of a ratio computed with the small-signal slope.
	ratio := b.Ratio(in.Quantity, s)
	linear := in.GaugeFactor * bridgeConstant(b) / 4 * in.Quantity
	const tiny = 1e-6
	compare(t, c, map[string][]float64{
		"ratio":            one(ratio),
		"bridge_constant":  one(2 * (b.Ratio(tiny, s) - b.Ratio(-tiny, s)) / (tiny * in.GaugeFactor)),
		"linear_error_pct": one((linear/ratio - 1) * 100),
	})
}

func checkLeadLoss(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Bridge string
		Rg     float64 `json:"Rg_ohm"`
		RL     float64 `json:"RL_ohm"`
	}](t, c)
	b := plain(t, in.Bridge, in.Rg, 0.3)
	arm := b.Arms(State{GaugeFactor: 2, Lead: in.RL})[0]
	compare(t, c, map[string][]float64{"factor": one(arm.Slope / arm.Rest / 2)})
}

func checkLeadWarming(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Rg float64 `json:"Rg_ohm"`
		RL float64 `json:"RL_ohm_per_wire_at_20"`
		DT float64 `json:"dT_lead"`
		F  float64 `json:"gauge_factor"`
	}](t, c)
	// A balanced bridge with the cold leads in its arm, read without them.
	b := plain(t, "quarter_2wire", in.Rg, 0.3)
	cold := State{GaugeFactor: in.F, Lead: in.RL}
	warm := cold
	warm.Lead *= 1 + 0.00393*in.DT // IEC 60028
	step := b.Ratio(0, warm) - b.Ratio(0, cold)
	compare(t, c, map[string][]float64{"apparent_strain": one(b.Strain(step, State{GaugeFactor: in.F}))})
}

func checkShunt(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Rg float64 `json:"Rg_ohm"`
		F  float64 `json:"gauge_factor"`
		Rs float64 `json:"Rs_ohm"`
	}](t, c)
	b, s := plain(t, "quarter_3wire", in.Rg, 0.3), State{GaugeFactor: in.F}
	gauge := b.ShuntRatio(0, s, ShuntGauge, in.Rs)
	completion := b.ShuntRatio(0, s, ShuntCompletion, in.Rs)
	compare(t, c, map[string][]float64{
		"simulated_strain":    one(b.Strain(gauge, s)),
		"ratio_step":          one(gauge - b.Ratio(0, s)),
		"adjacent_ratio_step": one(completion - b.Ratio(0, s)),
	})
	// The same source: read through arm 1 the adjacent shunt is +Rg/Rs/F exactly.
	if got, want := b.Strain(completion, s), in.Rg/in.Rs/in.F; !(math.Abs(got-want) < 1e-15) {
		t.Errorf("adjacent shunt reads %.17g, want %.17g", got, want)
	}
}

func checkLeakage(t *testing.T, c publishedCase) {
	in := inputs[struct {
		R  float64 `json:"R_ohm"`
		Rp float64 `json:"Rp_ohm"`
		F  float64 `json:"gauge_factor"`
	}](t, c)
	b, s := plain(t, "quarter_3wire", in.R, 0.3), State{GaugeFactor: in.F}
	compare(t, c, map[string][]float64{"strain": one(b.Strain(b.ShuntRatio(0, s, ShuntGauge, in.Rp), s))})
}

func checkTransform(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Ex, Ey, Gxy float64
		Angles      []float64 `json:"angles_deg"`
	}](t, c)
	compare(t, c, map[string][]float64{"e": one(PlaneStrain{in.Ex, in.Ey, in.Gxy}.At(in.Angles[0] * math.Pi / 180))})
}

func checkAllanSequence(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Factors []int `json:"averaging_factors"`
	}](t, c)
	x := make([]float64, 1000)
	n := int64(1234567890)
	for i := range x {
		x[i] = float64(n) / 2147483647
		n = 16807 * n % 2147483647
	}
	var got []float64
	for _, m := range in.Factors {
		got = append(got, Allan(x, m))
	}
	compare(t, c, map[string][]float64{"adev": got})
}

func checkAllanNine(t *testing.T, c publishedCase) {
	in := inputs[struct{ Y []float64 }](t, c)
	compare(t, c, map[string][]float64{
		"mean": one(Mean(in.Y)), "sd": one(SD(in.Y)),
		"adev_m1": one(Allan(in.Y, 1)), "adev_m2": one(Allan(in.Y, 2)), "oadev_m2": one(AllanOverlapping(in.Y, 2)),
	})
}

func checkDrift(t *testing.T, c publishedCase) {
	in := inputs[struct {
		T      []float64 `json:"t_s"`
		Strain []float64
	}](t, c)
	l := Drift(in.T, in.Strain)
	compare(t, c, map[string][]float64{
		"slope": one(l.Slope), "slope_se": one(l.SlopeError), "residual_sd": one(l.ResidualSD), "peak_to_peak": one(PeakToPeak(in.Strain)),
	})
}

func checkBasquin(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Sf     float64 `json:"sf_MPa"`
		B      float64
		Blocks []struct {
			Amplitude float64 `json:"amplitude_MPa"`
			N         float64
		}
	}](t, c)
	curve := Basquin{in.Sf * 1e6, in.B}
	got := map[string][]float64{}
	var cycles []Cycle
	for i, b := range in.Blocks {
		cycles = append(cycles, Cycle{Range: 2 * b.Amplitude * 1e6, Count: b.N})
		got["N"+string(rune('1'+i))] = one(curve.Cycles(2 * b.Amplitude * 1e6))
	}
	got["damage"] = one(Miner(cycles, curve))
	compare(t, c, got)
}

func scaled(x []float64, by float64) []float64 { return scale(make([]float64, len(x)), x, by) }

func checkMinerRainflow(t *testing.T, c publishedCase) {
	in := inputs[struct {
		C       float64
		M       float64
		Scale   float64 `json:"scale_MPa"`
		History []float64
	}](t, c)
	cycles := Rainflow(scaled(in.History, in.Scale))
	compare(t, c, map[string][]float64{
		"damage": one(Miner(cycles, PowerRange{in.C, in.M})), "equivalent_range": one(EquivalentRange(cycles, in.M)),
	})
}

func checkGoodman(t *testing.T, c publishedCase) {
	in := inputs[struct {
		History []float64
		Scale   float64 `json:"scale_MPa"`
		Su      float64 `json:"su_MPa"`
		Sf      float64 `json:"sf_MPa"`
		B       float64
	}](t, c)
	cycles := Rainflow(scaled(in.History, in.Scale))
	for i, k := range cycles {
		cycles[i] = k.Goodman(in.Su)
	}
	compare(t, c, map[string][]float64{"damage": one(Miner(cycles, Basquin{in.Sf, in.B}))})
}

func checkButterworth(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Order int
		Wn    float64
	}](t, c)
	b, a := Butterworth(in.Order, in.Wn)
	var sb, sa float64
	for i := range b {
		sb += b[i]
		sa += a[i]
	}
	compare(t, c, map[string][]float64{"b": b, "a": a, "sum_b_over_sum_a": one(sb / sa)})
}

func checkButterworthClosed(t *testing.T, c publishedCase) {
	in := inputs[struct{ Wn float64 }](t, c)
	b, _ := Butterworth(2, in.Wn)
	compare(t, c, map[string][]float64{"b0": one(b[0])})
}

func checkMovingAverage(t *testing.T, c publishedCase) {
	in := inputs[struct {
		N int
		F float64
	}](t, c)
	// White noise keeps 1/N of its power: the mean of the squared gain over all
	// frequencies, which N equally spaced ones give exactly (Parseval).
	var power float64
	const points = 64
	for k := range points {
		g := MovingAverageGain(in.N, float64(k)/points)
		power += g * g / points
	}
	compare(t, c, map[string][]float64{"gain": one(MovingAverageGain(in.N, in.F)), "white_noise_reduction": one(math.Sqrt(power))})
}

func checkSummary(t *testing.T, c publishedCase) {
	in := inputs[struct{ Data []float64 }](t, c)
	compareSummary(t, c, in.Data)
}

// checkPairs is for the data sets that are made by a rule: a first value, and
// pairs of two others.
func checkPairs(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Rule string
		N    int
	}](t, c)
	var first, low, high float64
	var pairs int
	if _, err := fmt.Sscanf(in.Rule, "one value %g followed by %d pairs (%g, %g);", &first, &pairs, &low, &high); err != nil {
		t.Fatal(err)
	}
	x := []float64{first}
	for range pairs {
		x = append(x, low, high)
	}
	if len(x) != in.N {
		t.Fatalf("%d values of %d", len(x), in.N)
	}
	compareSummary(t, c, x)
}

func compareSummary(t *testing.T, c publishedCase, x []float64) {
	t.Helper()
	compare(t, c, map[string][]float64{"mean": one(Mean(x)), "sd": one(SD(x)), "lag1": one(Lag1(x))})
}

func checkPolynomial(t *testing.T, c publishedCase) {
	in := inputs[struct {
		X, Y   []float64
		Degree int
	}](t, c)
	f, err := PolyFit(in.X, in.Y, in.Degree)
	if err != nil {
		t.Fatal(err)
	}
	compare(t, c, map[string][]float64{"coefficients": f.Coefficients, "se": f.Errors, "residual_sd": one(f.ResidualSD)})
}

// TestCaseKinds runs the end-to-end cases of the kinds that need nothing but
// this package.
func TestCaseKinds(t *testing.T) {
	checks := map[string]func(*testing.T, publishedCase){
		"rosette": checkRosette, "plane strain": checkPlaneStrain, "principal stress": checkPrincipalStress, "rainflow": checkRainflow,
	}
	count := map[string]int{}
	for _, c := range publishedCases(t, "selfcheck-cases.json") {
		if check := checks[c.Kind]; check != nil {
			count[c.Kind]++
			t.Run(c.ID, func(t *testing.T) { check(t, c) })
		}
	}
	for kind := range checks {
		if count[kind] == 0 {
			t.Errorf("no case of kind %q", kind)
		}
	}
}

type surface struct {
	Ex, Ey, Gxy *float64
	E           float64 `json:"E_Pa"`
	Poisson     float64
}

func checkRosette(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Indicated []float64
		Angles    []float64 `json:"angles_deg"`
		Kt        []float64
		Nu0       float64
		surface
	}](t, c)
	r, err := NewRosette(scaled(in.Angles, math.Pi/180), in.Kt, in.Nu0)
	if err != nil {
		t.Fatal(err)
	}
	s, _ := r.Strain(in.Indicated)
	got := results(s, in.surface)
	got["corrected_gauge_strains"] = r.TransverseFree(make([]float64, r.Grids()), in.Indicated)
	compareSome(t, c, got)
}

func checkPlaneStrain(t *testing.T, c publishedCase) {
	in := inputs[surface](t, c)
	compareSome(t, c, results(PlaneStrain{*in.Ex, *in.Ey, *in.Gxy}, in))
}

func results(s PlaneStrain, m surface) map[string][]float64 {
	p := s.Principal()
	e := Elastic{m.E, m.Poisson}
	stress := e.Plane(s)
	s1, s2 := e.Principal(p.Max, p.Min)
	return map[string][]float64{
		"ex": one(s.X), "ey": one(s.Y), "gxy": one(s.Shear),
		"e1": one(p.Max), "e2": one(p.Min), "gamma_max": one(p.ShearMax), "theta_p": one(p.Angle * 180 / math.Pi),
		"sx": one(stress.X), "sy": one(stress.Y), "txy": one(stress.Shear), "s1": one(s1), "s2": one(s2),
		"von_mises": one(VonMises(s1, s2)), "tresca": one(Tresca(s1, s2)),
	}
}

// compareSome is compare for more figures than the case states.
func compareSome(t *testing.T, c publishedCase, got map[string][]float64) {
	t.Helper()
	some := map[string][]float64{}
	for key := range c.Expected {
		if v, ok := got[key]; ok {
			some[key] = v
		}
	}
	compare(t, c, some)
}

func checkPrincipalStress(t *testing.T, c publishedCase) {
	in := inputs[struct{ S1, S2 float64 }](t, c)
	compare(t, c, map[string][]float64{"von_mises": one(VonMises(in.S1, in.S2)), "tresca": one(Tresca(in.S1, in.S2))})
}

func checkRainflow(t *testing.T, c publishedCase) {
	in := inputs[struct {
		History   []float64
		Repeating bool
	}](t, c)
	cycles := Rainflow(in.History)
	if in.Repeating {
		cycles = RainflowRepeating(in.History)
	}
	histogram := map[float64]float64{}
	for _, k := range cycles {
		histogram[k.Range] += k.Count
	}
	near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-9 }
	for key, raw := range c.Expected {
		var want []struct{ Range, Mean, Count float64 }
		switch key {
		case "histogram":
			if err := json.Unmarshal(raw, &want); err != nil {
				t.Fatal(err)
			}
			if len(want) != len(histogram) {
				t.Errorf("%d ranges, want %d", len(histogram), len(want))
			}
			for _, w := range want {
				var n float64
				for r, count := range histogram {
					if near(r, w.Range) {
						n += count
					}
				}
				if !near(n, w.Count) {
					t.Errorf("range %g: %g cycles, want %g", w.Range, n, w.Count)
				}
			}
		case "cycles":
			if err := json.Unmarshal(raw, &want); err != nil {
				t.Fatal(err)
			}
			left := append([]Cycle(nil), cycles...)
			for _, w := range want {
				found := false
				for i, k := range left {
					if near(k.Range, w.Range) && near(k.Mean, w.Mean) && near(k.Count, w.Count) {
						left, found = append(left[:i], left[i+1:]...), true
						break
					}
				}
				if !found {
					t.Errorf("no cycle %+v", w)
				}
			}
			if len(left) != 0 {
				t.Errorf("cycles not expected: %+v", left)
			}
		case "total_count":
			var total float64
			for _, k := range cycles {
				total += k.Count
			}
			var want float64
			var figure struct{ Value *float64 }
			if json.Unmarshal(raw, &want) != nil {
				if err := json.Unmarshal(raw, &figure); err != nil || figure.Value == nil {
					t.Fatalf("total_count is %s", raw)
				}
				want = *figure.Value
			}
			if !near(total, want) {
				t.Errorf("%g cycles in all, want %g", total, want)
			}
		default:
			t.Errorf("figure %q is not known", key)
		}
	}
}
