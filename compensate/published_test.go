package compensate

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"
)

// publishedCase is one case of ../testdata/published: figures with their source.
type publishedCase struct {
	ID, Kind, Source string
	Inputs           json.RawMessage
	Expected         map[string]json.RawMessage
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
		type figure struct{ Value, Tol *float64 }
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
			if f.Value == nil || f.Tol == nil {
				t.Errorf("%s: no value or no tolerance", key)
			} else if !(math.Abs(values[i]-*f.Value) <= *f.Tol) {
				t.Errorf("%s[%d]: got %.17g, want %.17g within %g (%s)", key, i, values[i], *f.Value, *f.Tol, c.Source)
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

// Package reduce's test of the same file fails for a case that neither package
// knows; here every case of this package has to be found.
func TestPublishedValues(t *testing.T) {
	checks := map[string]func(*testing.T, publishedCase){
		"thermal-o0": checkThermalOutput, "thermal-o1": checkThermalOutput, "thermal-h1": checkThermalOutput,
		"thermal-poly-F-o": checkFahrenheit,
		"thermal-free-o":   checkFreeExpansion, "thermal-free-h": checkFreeExpansion,
		"gf-temp-o": checkGaugeFactor,
		"awg-20":    checkWire, "awg-24": checkWire, "awg-26": checkWire, "awg-28": checkWire,
		"copper-R-T": checkCopper, "copper-R-T-2": checkCopperWire,
		"tc-coefficients": checkCoefficients,
		"kt-single-o":     checkSingle,
	}
	for _, c := range publishedCases(t, "published-values.json") {
		if check := checks[c.ID]; check != nil {
			t.Run(c.ID, func(t *testing.T) { check(t, c) })
			delete(checks, c.ID)
		}
	}
	for id := range checks {
		t.Errorf("no published value %s", id)
	}
}

func checkThermalOutput(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Reference  float64   `json:"reference_gauge_factor"`
		Instrument float64   `json:"instrument_gauge_factor"`
		C          []float64 `json:"coefficients_strain_ascending_degC"`
		T0         float64   `json:"T0_degC"`
		T          float64   `json:"T_degC"`
	}](t, c)
	th := Thermal{
		Output:             ThermalOutput{in.C, in.Reference, 1.1e-5},
		GaugeFactor:        GaugeFactor{Value: in.Instrument, Reference: 24, Slope: 1e-4},
		SpecimenExpansion:  1.1e-5, // that of the calibration material: nothing is added
		CalibrationPoisson: 0.285,
		Zero:               in.T0,
	}
	compare(t, c, map[string][]float64{"thermal_strain": one(th.Resistance(in.T) / in.Instrument)})
}

func checkFahrenheit(t *testing.T, c publishedCase) {
	in := inputs[struct {
		C []float64 `json:"coefficients_microstrain_ascending_degF"`
	}](t, c)
	got := FromFahrenheit(in.C)
	for i := range got {
		got[i] *= 1e-6
	}
	compare(t, c, map[string][]float64{
		"coefficients_strain_ascending_degC": got,
		"p_at_100C":                          one(ThermalOutput{Coefficients: got}.At(100)),
	})
}

// The thermal output of a free grid on a specimen: its own temperature
// coefficient of resistance as the curve, the expansion as the shift.
func checkFreeExpansion(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Beta     float64 `json:"beta_per_degC"`
		F        float64 `json:"gauge_factor"`
		Kt       float64
		Nu0      float64
		Specimen float64 `json:"alpha_specimen"`
		Grid     float64 `json:"alpha_grid"`
		DT       float64 `json:"dT"`
	}](t, c)
	th := Thermal{
		Output:             ThermalOutput{[]float64{0, in.Beta / in.F}, in.F, in.Grid},
		GaugeFactor:        GaugeFactor{Value: in.F},
		Transverse:         in.Kt,
		CalibrationPoisson: in.Nu0,
		SpecimenExpansion:  in.Specimen,
		Zero:               20,
	}
	without := th
	without.Transverse = 0
	compare(t, c, map[string][]float64{
		"thermal_strain": one(th.Resistance(20+in.DT) / in.F), "without_Kt": one(without.Resistance(20+in.DT) / in.F),
	})
}

func checkGaugeFactor(t *testing.T, c publishedCase) {
	in := inputs[struct {
		F      float64 `json:"gauge_factor"`
		Tempco float64 `json:"tempco_pct_per_100degC"`
		T      float64
		Ref    float64 `json:"T_ref"`
	}](t, c)
	compare(t, c, map[string][]float64{"F": one(GaugeFactor{in.F, in.Ref, in.Tempco / 1e4}.At(in.T))})
}

func checkWire(t *testing.T, c publishedCase) {
	in := inputs[struct{ AWG int }](t, c)
	perMetre := WireResistance(AWGArea(in.AWG), 1)
	compare(t, c, map[string][]float64{
		"diameter":             one(AWGDiameter(in.AWG) * 1e3),
		"resistance_tabulated": one(perMetre * 304.8), // 1000 ft
		"resistance_from_rho":  one(perMetre),
	})
}

func checkCopper(t *testing.T, c publishedCase) {
	in := inputs[struct {
		R20 float64 `json:"R20_ohm"`
		T   float64 `json:"T_degC"`
	}](t, c)
	compare(t, c, map[string][]float64{"R": one(LeadResistance(in.R20, CopperTempco, in.T))})
}

func checkCopperWire(t *testing.T, c publishedCase) {
	in := inputs[struct {
		AWG    int
		Length float64 `json:"length_m"`
		T      float64 `json:"T_degC"`
	}](t, c)
	compare(t, c, map[string][]float64{"R": one(LeadResistance(WireResistance(AWGArea(in.AWG), in.Length), CopperTempco, in.T))})
}

// The tables in the code are those published, figure by figure.
func checkCoefficients(t *testing.T, c publishedCase) {
	in := inputs[struct{ Types []string }](t, c)
	if len(in.Types) != len(emfSegments) || len(c.Expected) != len(emfSegments) {
		t.Fatalf("types %v", in.Types)
	}
	for _, name := range in.Types {
		kind, ok := ParseThermocouple(name)
		if !ok {
			t.Errorf("no type %s", name)
			continue
		}
		var want struct {
			Ranges []struct {
				Lo, Hi float64
				C      []float64
			}
			Exponential []float64
		}
		if err := json.Unmarshal(c.Expected[name], &want); err != nil {
			t.Fatal(err)
		}
		got := emfSegments[kind]
		if len(got) != len(want.Ranges) {
			t.Fatalf("%s: %d ranges, want %d", name, len(got), len(want.Ranges))
		}
		for i, w := range want.Ranges {
			if got[i].lo != w.Lo || got[i].hi != w.Hi || len(got[i].c) != len(w.C) {
				t.Fatalf("%s: range %d from %g to %g, %d coefficients", name, i, got[i].lo, got[i].hi, len(got[i].c))
			}
			for k := range w.C {
				if got[i].c[k] != w.C[k] {
					t.Errorf("%s, range %d: coefficient %d is %g, want %g", name, i, k, got[i].c[k], w.C[k])
				}
			}
		}
		if name == "K" {
			if len(want.Exponential) != 3 || want.Exponential[0] != expK0 || want.Exponential[1] != expK1 || want.Exponential[2] != expK2 {
				t.Errorf("exponential %v", want.Exponential)
			}
		} else if want.Exponential != nil {
			t.Errorf("%s has an exponential", name)
		}
	}
}

func checkSingle(t *testing.T, c publishedCase) {
	in := inputs[struct{ Kt, Nu0, Ratio, Indicated float64 }](t, c)
	axial := in.Indicated / RatioResponse(in.Ratio, in.Kt, in.Nu0)
	compare(t, c, map[string][]float64{"axial": one(axial), "error_pct": one((in.Indicated/axial - 1) * 100)})
}

func TestCaseKinds(t *testing.T) {
	count := map[string]int{}
	for _, c := range publishedCases(t, "selfcheck-cases.json") {
		check := map[string]func(*testing.T, publishedCase){"thermocouple": checkThermocouple, "pt100": checkPt100}[c.Kind]
		if check != nil {
			count[c.Kind]++
			t.Run(c.ID, func(t *testing.T) { check(t, c) })
		}
	}
	if count["thermocouple"] == 0 || count["pt100"] == 0 {
		t.Errorf("cases: %v", count)
	}
}

func checkThermocouple(t *testing.T, c publishedCase) {
	in := inputs[struct {
		Type     string
		T90      *float64 `json:"t90_degC"`
		MV       *float64 `json:"measured_mV"`
		Junction float64  `json:"cold_junction_degC"`
	}](t, c)
	kind, ok := ParseThermocouple(in.Type)
	if !ok {
		t.Fatalf("no type %s", in.Type)
	}
	if in.T90 != nil {
		compare(t, c, map[string][]float64{"emf": one(kind.EMF(*in.T90))})
		return
	}
	compare(t, c, map[string][]float64{"t90": one(kind.Temperature(*in.MV, in.Junction))})
}

func checkPt100(t *testing.T, c publishedCase) {
	in := inputs[struct {
		T90 *float64 `json:"t90_degC"`
		R   *float64 `json:"R_ohm"`
	}](t, c)
	if in.T90 != nil {
		r := Pt100Resistance(*in.T90, 100)
		compare(t, c, map[string][]float64{"R": one(r), "R_full": one(r)})
		return
	}
	compare(t, c, map[string][]float64{"t90": one(Pt100Temperature(*in.R, 100))})
}
