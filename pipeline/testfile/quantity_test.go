package testfile

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

func TestQuantities(t *testing.T) {
	for _, c := range []struct {
		text, dimension string
		value           float64
		unit            string
		tolerance       float64
	}{
		{"350 ohm ± 0.3 %", "ohm", 350, "ohm", 0.003 * 350},
		{"350ohm+-1", "ohm", 350, "ohm", 1},
		{"350 Ω +/- 0.5 Ω", "ohm", 350, "ohm", 0.5},
		{"100 kohm", "ohm", 100e3, "ohm", 0},
		{"59.88 kΩ", "ohm", 59.88e3, "ohm", 0},
		{"20 Gohm", "ohm", 20e9, "ohm", 0},
		{"2.08 ± 0.5 %", "1", 2.08, "1", 0.005 * 2.08},
		{"0.7 %", "1", 0.007, "1", 0},
		{"0.7 % ± 0.1 %", "1", 0.007, "1", 0.001}, // in its own unit, so absolute
		{"-0.25", "1", -0.25, "1", 0},
		{"+.5", "1", 0.5, "1", 0},
		{"24 degC", "degC", 24, "degC", 0},
		{"24 °C ± 0.5 °C", "degC", 24, "degC", 0.5},
		{"24 ℃ ± 0.5", "degC", 24, "degC", 0.5},
		{"24 degC ± 0.5 K", "degC", 24, "degC", 0.5},
		{"−34 degC", "degC", -34, "degC", 0},
		{"293.15 K", "degC", 20, "degC", 0},
		{"212 degF ± 9 degF", "degC", 100, "degC", 5},
		{"-40 °F", "degC", -40, "degC", 0},
		{"30 m", "m", 30, "m", 0},
		{"6 mm", "m", 6e-3, "m", 0},
		{"0.5 in", "m", 0.0127, "m", 0}, // 25.4 mm, exact
		{"0.14 mm2", "m2", 0.14e-6, "m2", 0},
		{"0.14 mm²", "m2", 0.14e-6, "m2", 0},
		{"0.9 %/100 degC", "1/K", 0.9e-4, "1/K", 0},
		{"0.9%/100°C", "1/K", 0.9e-4, "1/K", 0},
		{"0.5 %/100 degF", "1/K", 0.9e-4, "1/K", 0},
		{"10.8e-6 /K", "1/K", 10.8e-6, "1/K", 0},
		{"10.8e-6 1/degC", "1/K", 10.8e-6, "1/K", 0},
		{"10.8 um/m/K", "1/K", 10.8e-6, "1/K", 0},
		{"10.8 µm/m/°C ± 2 %", "1/K", 10.8e-6, "1/K", 0.02 * 10.8e-6},
		{"10.8 ppm/K", "1/K", 10.8e-6, "1/K", 0},
		{"6 ppm/degF", "1/K", 10.8e-6, "1/K", 0},
		{"205 GPa ± 2 %", "Pa", 205e9, "Pa", 4.1e9},
		{"355 N/mm²", "Pa", 355e6, "Pa", 0},
		{"1 psi", "Pa", 6894.757, "Pa", 0}, // NIST SP 811, appendix B.8: 6.894757 E+03
		{"1500 um/m", "m/m", 1500e-6, "m/m", 0},
		{"1500 microstrain", "m/m", 1500e-6, "m/m", 0},
		{"1500 µε", "m/m", 1500e-6, "m/m", 0},
		{"3 %", "m/m", 0.03, "m/m", 0},
		{"310 um/m ± 15 %", "m/m", 310e-6, "m/m", 0.15 * 310e-6},
		{"-310 um/m ± 10 %", "m/m", -310e-6, "m/m", 0.1 * 310e-6},
		{"2 mV/V", "V/V", 2e-3, "V/V", 0},
		{"0.4 nV/V per count", "V/V or V", 0.4e-9, "V/V", 0},
		{"1.2 uV/count", "V/V or V", 1.2e-6, "V", 0},
		{"8388608 count", "V/V or V or count", 8388608, "count", 0},
		{"5 V", "V/V or V or count", 5, "V", 0},
		{"20 ms", "s", 0.02, "s", 0},
		{"10 min", "s", 600, "s", 0},
		{"10 Hz", "Hz", 10, "Hz", 0},
		{"2 kHz", "Hz", 2000, "Hz", 0},
		{"45 deg", "rad", math.Pi / 4, "rad", 0},
		{"45°", "rad", math.Pi / 4, "rad", 0},
		{"2 degC/min", "K/s", 2.0 / 60, "K/s", 0},
		{"-3.26e-7", "bare", -3.26e-7, "1", 0},
		{"1E3", "bare", 1000, "1", 0},
	} {
		q, ref := parseQuantity(c.text, c.dimension, "")
		if ref != nil {
			t.Errorf("%s: %v", c.text, *ref)
			continue
		}
		tol := 4e-16 * math.Abs(c.value)
		if c.text == "1 psi" {
			tol = 0.0005
		}
		if !(math.Abs(q.Value-c.value) <= tol) || q.Unit != c.unit || !(math.Abs(q.Tolerance-c.tolerance) <= 4e-16*c.tolerance) || !q.Given {
			t.Errorf("%s = %v %s ± %v, want %v %s ± %v", c.text, q.Value, q.Unit, q.Tolerance, c.value, c.unit, c.tolerance)
		}
	}
}

// A decimal prefix moves the point and rounds nothing.
func TestPrefixesAreExact(t *testing.T) {
	for _, c := range []struct {
		text, dimension string
		want            float64
	}{
		{"0.3 %", "1", 0.003}, {"10.8 um/m/K", "1/K", 10.8e-6}, {"1.1 mV/V", "V/V", 1.1e-3}, {"0.1 mm2", "m2", 1e-7}, {"2013.7 um/m", "m/m", 2013.7e-6},
	} {
		if q, ref := parseQuantity(c.text, c.dimension, ""); ref != nil || q.Value != c.want {
			t.Errorf("%s = %v, want exactly %v", c.text, q.Value, c.want)
		}
	}
}

func TestRefusedQuantities(t *testing.T) {
	for _, c := range []struct{ text, dimension, interval, found, want string }{
		{"350", "ohm", "", "350", `it with its unit, for example "350 ohm"`},
		{"350 ± 1", "ohm", "", "350", `it with its unit, for example "350 ohm"`},
		{"24 degC", "ohm", "", `"24 degC", a temperature`, `a resistance, for example "350 ohm"`},
		{"5 s", "V/V or V", "", `"5 s", a duration`, `a bridge ratio or a voltage, for example "2 mV/V" or "5 V"`},
		{"350 oms", "ohm", "", `the unknown unit "oms" in "350 oms"`, `a resistance, for example "350 ohm"`},
		{"2,08", "1", "", `"2,08"`, `a decimal point instead of the comma, for example "2.08"`},
		{"1,234.5 m", "m", "", `"1,234.5 m"`, `a decimal point instead of the comma, for example "30 m"`},
		{"0x1F ohm", "ohm", "", `"0x1F ohm"`, `a decimal number, for example "350 ohm"`},
		{"1_000 ohm", "ohm", "", `"1_000 ohm"`, `a decimal number, for example "350 ohm"`},
		{"NaN ohm", "ohm", "", `"NaN ohm"`, `a decimal number, for example "350 ohm"`},
		{"-.inf", "1", "", `"-.inf"`, `a decimal number, for example "2.08"`},
		{"ohm", "ohm", "", `"ohm"`, `a number, for example "350 ohm"`},
		{"", "ohm", "", `""`, `a number, for example "350 ohm"`},
		{"1e999 ohm", "ohm", "", `"1e999 ohm", too large a number`, `a smaller one, for example "350 ohm"`},
		{"1e99999999999999999999 ohm", "ohm", "", `"1e99999999999999999999 ohm", too large an exponent`, `a smaller one, for example "350 ohm"`},
		{"-350 ohm", "ohm", "", `"-350 ohm"`, "a value above 0 ohm"},
		{"0 Hz", "Hz", "", `"0 Hz"`, "a value above 0 Hz"},
		{"0.51", "1", "(-1,0.5]", `"0.51"`, "a value above -1 and at most 0.5"},
		{"-300 degC", "degC", "", `"-300 degC"`, "a value of at least -273.15 degC"},
		{"-1 K", "degC", "", `"-1 K"`, "a value of at least -273.15 degC"},
		{"5 kN", "bare", "", `"5 kN"`, `a plain number without a unit, for example "12.5"`},
		{"24 degC ± 2 %", "degC", "", `the tolerance "2 %" in "24 degC ± 2 %"`, `the tolerance in degC, for example "± 0.5 degC"`},
		{"350 ohm ± 1 V", "ohm", "", `the tolerance "1 V" in "350 ohm ± 1 V"`, "the tolerance as a number, in the unit of the value or in %"},
		{"350 ohm ±", "ohm", "", `the tolerance "" in "350 ohm ±"`, "the tolerance as a number, in the unit of the value or in %"},
		{"350 ohm ± -1", "ohm", "", `the tolerance "-1" in "350 ohm ± -1"`, "the tolerance as a number, in the unit of the value or in %"},
		{"AWG 99", "m2", "", `"AWG 99"`, `a number, for example "0.14 mm2"`},
		{"AWG 26", "m", "", `"AWG 26"`, `a number, for example "30 m"`},
	} {
		q, ref := parseQuantity(c.text, c.dimension, c.interval)
		if ref == nil {
			t.Errorf("%q as %s is %+v", c.text, c.dimension, q)
		} else if ref.found != c.found || ref.want != c.want {
			t.Errorf("%q as %s: found %s; write %s\nwant found %s; write %s", c.text, c.dimension, ref.found, ref.want, c.found, c.want)
		}
	}
}

// Diameters of American wire gauge against the published table (ASTM B258).
func TestWireGauge(t *testing.T) {
	text, err := os.ReadFile("../../testdata/published/published-values.json")
	if err != nil {
		t.Fatal(err)
	}
	var published struct {
		Cases []struct {
			ID       string
			Inputs   json.RawMessage
			Expected json.RawMessage
		}
	}
	if err := json.Unmarshal(text, &published); err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, c := range published.Cases {
		var in struct{ AWG json.Number }
		var out struct{ Diameter struct{ Value, Tol float64 } }
		if json.Unmarshal(c.Inputs, &in) != nil || in.AWG == "" || json.Unmarshal(c.Expected, &out) != nil || out.Diameter.Value == 0 {
			continue
		}
		checked++
		q, ref := parseQuantity("AWG "+in.AWG.String(), "m2", "")
		if ref != nil {
			t.Errorf("%s: %v", c.ID, *ref)
			continue
		}
		got := 1000 * math.Sqrt(q.Value*4/math.Pi)
		if !(math.Abs(got-out.Diameter.Value) <= out.Diameter.Tol) {
			t.Errorf("%s: diameter %v mm, published %v", c.ID, got, out.Diameter.Value)
		}
	}
	if checked < 4 {
		t.Errorf("only %d published sizes were read", checked)
	}
	// 4/0 is 0.46 in by definition (ASTM B258).
	for _, s := range []string{"AWG 4/0", "AWG 0000"} {
		q, ref := parseQuantity(s, "m2", "")
		if want := math.Pi / 4 * (0.46 * 0.0254) * (0.46 * 0.0254); ref != nil || !(math.Abs(q.Value/want-1) <= 1e-14) {
			t.Errorf("%s = %v, want %v", s, q.Value, want)
		}
	}
}

func FuzzQuantity(f *testing.F) {
	for _, s := range []string{"350 ohm ± 0.3 %", "AWG 26", "1e-400 V", "0.9 %/100 degC", "μ±", "5 V ± 1e999"} {
		f.Add(s, uint8(0))
	}
	f.Fuzz(func(t *testing.T, s string, which uint8) {
		d := dimensions[int(which)%len(dimensions)]
		q, ref := parseQuantity(s, d.base, "")
		if ref != nil {
			return
		}
		if math.IsNaN(q.Value) || math.IsInf(q.Value, 0) || !(q.Tolerance >= 0) || math.IsInf(q.Tolerance, 0) || !q.Given {
			t.Errorf("%q = %+v", s, q)
		}
	})
}
