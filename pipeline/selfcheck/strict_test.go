package selfcheck

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
)

const sound = `{"id": "a", "kind": "principal stress", "source": "definition",
	"inputs": {"s1": 3e6, "s2": 1e6}, "expected": {"tresca": {"value": 3e6, "tol": 1, "unit": "Pa"}}}`

func file(cases ...string) string { return `{"cases": [` + strings.Join(cases, ",") + `]}` }

// A case that is not understood completely must not pass, and must say why.
func TestCaseIsNotRun(t *testing.T) {
	replaced := func(old, new string) string {
		if !strings.Contains(sound, old) {
			t.Fatalf("%q is not in the sound case", old)
		}
		return file(strings.Replace(sound, old, new, 1))
	}
	rain := func(rest string) string {
		return file(`{"id": "r", "kind": "rainflow", "source": "E1049", ` + rest + `}`)
	}
	tests := []struct{ name, text, why string }{
		{"unknown kind", replaced(`"principal stress"`, `"magic"`), `unknown kind "magic"`},
		{"kind in other letters", replaced(`"principal stress"`, `"Principal Stress"`), "unknown kind"},
		{"unknown key of the case", replaced(`"id"`, `"weight": 1, "id"`), "unknown key case.weight"},
		{"unknown input", replaced(`"s2"`, `"s3": 0, "s2"`), "unknown key inputs.s3"},
		{"input in other letters", replaced(`"s2"`, `"S2"`), "unknown key inputs.S2"},
		{"unknown expected quantity", replaced(`"tresca"`, `"mohr": {"value": 1, "tol": 1}, "tresca"`), "unknown key expected.mohr"},
		{"unknown key beside the value", replaced(`"tol"`, `"tolerance": 2, "tol"`), "unknown key expected.tresca.tolerance"},
		{"missing input", replaced(`, "s2": 1e6`, ``), "inputs.s2 is missing"},
		{"missing id", replaced(`"id": "a", `, ``), "case.id is missing"},
		{"empty id", replaced(`"id": "a"`, `"id": " "`), "case.id is empty"},
		{"missing kind", replaced(`"kind": "principal stress", `, ``), "case.kind is missing"},
		{"missing source", replaced(`"source": "definition",`, ``), "case.source is missing"},
		{"empty source", replaced(`"definition"`, `""`), "case.source is empty"},
		{"missing value", replaced(`"value": 3e6, `, ``), "value is missing"},
		{"missing tolerance", replaced(`"tol": 1, `, ``), "tol is missing"},
		{"negative tolerance", replaced(`"tol": 1`, `"tol": -1`), "tol is negative"},
		{"infinite tolerance", replaced(`"tol": 1`, `"tol": 1e999`), "1e999 is out of range"},
		{"infinite value", replaced(`"value": 3e6`, `"value": -1e999`), "out of range"},
		{"not a number as text", replaced(`"value": 3e6`, `"value": "NaN"`), "is a text, not a number"},
		{"null value", replaced(`"value": 3e6`, `"value": null`), "is null, not a number"},
		{"null input", replaced(`3e6`, `null`), "is null, not a number"},
		{"bare value", replaced(`{"value": 3e6, "tol": 1, "unit": "Pa"}`, `3e6`), "has no tolerance"},
		{"another unit", replaced(`"Pa"`, `"MPa"`), `is "MPa", the result is in "Pa"`},
		{"a unit that begins alike", replaced(`"Pa"`, `"Pas"`), `the result is in "Pa"`},
		{"nothing expected", replaced(`"tresca": {"value": 3e6, "tol": 1, "unit": "Pa"}`, ``), "nothing is expected"},
		{"only a tolerance expected", replaced(`"tresca": {"value": 3e6, "tol": 1, "unit": "Pa"}`, `"rel_tol": 1`), "nothing is expected"},
		{"expected is a list", replaced(`{"tresca": {"value": 3e6, "tol": 1, "unit": "Pa"}}`, `[]`), "expected is a list"},
		{"inputs are a text", replaced(`{"s1": 3e6, "s2": 1e6}`, `"3 1"`), "inputs is a text"},
		{"case is a number", file("7"), "case is a number"},
		{"same id twice", file(sound, sound), "id is used 2 times"},
		{"list for a number", rain(`"inputs": {"history": [0, 1]}, "expected": {"total_count": [1]}`), "not a number"},
		{"number for a list", rain(`"inputs": {"history": 3}, "expected": {"total_count": 0}`), "not a list"},
		{"text in a list", rain(`"inputs": {"history": [0, "1"]}, "expected": {"total_count": 0.5}`), "inputs.history[1] is a text"},
		{"missing column", rain(`"inputs": {"history": [0, 1]}, "expected": {"histogram": [{"range": 1}]}`), "count is missing"},
		{"unknown column", rain(`"inputs": {"history": [0, 1]}, "expected": {"histogram": [{"range": 1, "count": 0.5, "mean": 0}]}`), "unknown key expected.histogram[0].mean"},
		{"repeating is a text", rain(`"inputs": {"history": [0, 1], "repeating": "true"}, "expected": {"total_count": 1}`), "not true or false"},
		{"axis with any tolerance", file(`{"id": "p", "kind": "plane strain", "source": "s", "inputs": {"ex": 1e-3, "ey": 0, "gxy": 0},
			"expected": {"theta_p": {"value": 0, "tol": 90}}}`), "every axis"},
		{"two temperatures", channelWith(`"temperature": {"degC": 20}`, `"temperature": {"degC": 20, "pt100": {"ohm": 108}}`), "more than one way"},
		{"no temperature", channelWith(`"temperature": {"degC": 20}`, `"temperature": {}`), "needs degC, thermocouple or pt100"},
		{"thermocouple outside its range", channelWith(`"temperature": {"degC": 20}`, `"temperature": {"thermocouple": {"type": "K", "mV": 99, "cold_junction_degC": 0}}`), "zero temperature NaN"},
		{"unknown thermocouple", channelWith(`"temperature": {"degC": 20}`, `"temperature": {"thermocouple": {"type": "Z", "mV": 1, "cold_junction_degC": 0}}`), `no thermocouple is called "Z"`},
		{"unknown bridge", channelWith("quarter_3wire", "quarter_5wire"), `no bridge is called "quarter_5wire"`},
		{"unknown transverse mode", channelWith("uniaxial", "biaxial"), `"biaxial" is not known`},
		{"mode of quarter bridges", channelWith("quarter_3wire", "half_dummy", `"uniaxial"`, `"none"`), "is for quarter bridges"},
		{"full bridge without excitation", channelWith("quarter_3wire", "full_bending"), "excitation is missing"},
		{"excitation lost in a quarter bridge", channelWith(`"specimen"`, `"excitation": {"ohm_per_wire_at_20degC": 1, "remote_sense": false}, "specimen"`), "only a full bridge"},
		{"unknown shunt state", channelWith(`"specimen"`, `"shunt": {"location": "gauge", "resistor_ohm": 1e5, "ratio_V_per_V": 0.001, "state": "loaded"}, "specimen"`), `"loaded" is not known`},
		{"shunt where there is no resistor", channelWith("quarter_3wire", "half_dummy", `"specimen"`, `"shunt": {"location": "completion", "resistor_ohm": 1e5, "ratio_V_per_V": 0.001, "state": "zero"}, "specimen"`), "shunt location does not fit"},
		{"shunt that changes nothing", channelWith(`"specimen"`, `"shunt": {"location": "gauge", "resistor_ohm": 1e5, "ratio_V_per_V": 0, "state": "zero"}, "specimen"`), "span NaN"},
		{"gauge without resistance", channelWith("350", "0"), "has to be above zero"},
		{"stress that the mode has not", channelWith(`"uniaxial"`, `"none"`, `"strain":`, `"stress_uniaxial":`), "unknown key expected.stress_uniaxial"},
		{"grids that repeat", file(`{"id": "g", "kind": "rosette", "source": "s", "inputs": {"indicated": [0, 0, 0], "angles_deg": [0, 45, 45], "Kt": [0, 0, 0], "nu0": 0.285},
			"expected": {"ex": {"value": 0, "tol": 1}}}`), "do not determine the strain"},
		{"grids of different numbers", file(`{"id": "g", "kind": "rosette", "source": "s", "inputs": {"indicated": [0, 0], "angles_deg": [0, 45, 90], "Kt": [0, 0, 0], "nu0": 0.285},
			"expected": {"ex": {"value": 0, "tol": 1}}}`), "differ in length"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			cases, err := Read("cases.json", strings.NewReader(test.text))
			if err != nil {
				t.Fatal(err)
			}
			r := Run(cases)
			if r.Passed != 0 || r.NotRun != r.Cases || r.Run != 0 || r.OK() {
				t.Errorf("taken as run: %s", r.Summary())
			}
			for _, row := range r.Rows {
				if row.Verdict != NotRun || !strings.Contains(row.Why, test.why) {
					t.Errorf("%s because %q, want a reason with %q", row.Verdict, row.Why, test.why)
				}
			}
		})
	}
	// The cases above differ from these in one thing each.
	for _, text := range []string{file(sound), channelWith()} {
		cases, err := Read("cases.json", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		mustPass(t, Run(cases))
	}
}

// channelWith is a channel at rest with pairs of texts replaced.
func channelWith(pairs ...string) string {
	text := `{"id": "c", "kind": "channel", "source": "no change of anything", "inputs": {
		"bridge": "quarter_3wire",
		"gauge": {"resistance_ohm": 350, "gauge_factor": 2, "gauge_factor_reference_temp_degC": 24,
			"gauge_factor_tempco_pct_per_100degC": 1, "transverse_sensitivity": 0.01, "poisson_of_calibration": 0.285,
			"thermal_output": {"coefficients_strain_ascending_degC": [0, 1e-6], "reference_gauge_factor": 2,
				"calibration_material_expansion_per_degC": 12e-6}},
		"specimen": {"E_Pa": 2e11, "poisson": 0.3, "expansion_per_degC": 12e-6},
		"transverse": {"mode": "uniaxial"},
		"leads": {"ohm_per_wire_at_20degC": 1, "tempco_per_degC": 0.00393, "temp_at_zero_degC": 20, "temp_at_reading_degC": 20},
		"zero": {"ratio_V_per_V": 0, "temperature": {"degC": 20}},
		"reading": {"ratio_V_per_V": 0, "temperature": {"degC": 20}}},
		"expected": {"strain": {"value": 0, "tol": 1e-15}}}`
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			panic(pairs[i] + " is not in the case")
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	return file(text)
}

// A file that is not one document within the limits is refused as a whole.
func TestFileIsRefused(t *testing.T) {
	tests := []struct{ name, text, why string }{
		{"empty", "", "empty"},
		{"blank", " \n\t", "empty"},
		{"truncated", file(sound)[:100], "ends too early"},
		{"NaN", strings.Replace(file(sound), "3e6", "NaN", 1), "invalid character 'N'"},
		{"no cases", `{"cases": []}`, "no cases"},
		{"cases missing", `{}`, "cases is missing"},
		{"cases are an object", `{"cases": {}}`, "no cases"},
		{"a list", `[]`, "not an object"},
		{"unknown head", `{"casses": [], "cases": [1]}`, "unknown key file.casses"},
		{"two documents", file(sound) + file(sound), "more text"},
		{"a key twice", strings.Replace(file(sound), `"id"`, `"id": "b", "id"`, 1), `"id" is there twice`},
		{"UTF-16", "\xff\xfe{\x00}\x00", "not UTF-8"},
		{"too deep", strings.Repeat("[", 100), "nested deeper"},
		{"too many values", "[" + strings.Repeat("0,", maxValues) + "0]", "more than 262144 values"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			cases, err := Read("cases.json", strings.NewReader(test.text))
			if !errors.Is(err, ErrDocument) || !strings.Contains(fmt.Sprint(err), test.why) || len(cases) != 0 {
				t.Errorf("%d cases and error %v, want %q", len(cases), err, test.why)
			}
		})
	}
	t.Run("too large", func(t *testing.T) {
		blanks := io.LimitReader(blank{}, MaxBytes+1)
		if _, err := Read("cases.json", blanks); !errors.Is(err, ErrDocument) || !strings.Contains(err.Error(), "larger than 64 MiB") {
			t.Errorf("error %v", err)
		}
	})
	t.Run("unreadable", func(t *testing.T) {
		broken := errors.New("broken")
		if _, err := Read("cases.json", io.MultiReader(strings.NewReader(file(sound)[:9]), failing{broken})); !errors.Is(err, broken) {
			t.Errorf("error %v", err)
		}
	})
}

type blank struct{}

func (blank) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = ' '
	}
	return len(p), nil
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

func TestNothingToCheckIsNotOK(t *testing.T) {
	if Run(nil).OK() {
		t.Error("an empty run is in order")
	}
}

// Strain that is alike in all directions has no axis, and only it.
func TestUndefinedAxis(t *testing.T) {
	noted := `{"value": null, "note": "alike in all directions", "unit": "deg"}`
	tests := []struct {
		name, ey, axis string
		want           Verdict
	}{
		{"none and none expected", "3e-4", noted, Pass},
		{"none, but a value expected", "3e-4", `{"value": 0, "tol": 1e-6}`, Fail},
		{"one, but none expected", "2e-4", noted, Fail},
		{"one expected", "2e-4", `{"value": 0, "tol": 1e-6}`, Pass},
		{"the same axis half a turn on", "2e-4", `{"value": 180, "tol": 1e-6}`, Pass},
		{"across", "2e-4", `{"value": 90, "tol": 1e-6}`, Fail},
	}
	for _, test := range tests {
		cases, err := Read("axis", strings.NewReader(file(`{"id": "a", "kind": "plane strain", "source": "definition",
			"inputs": {"ex": 3e-4, "ey": `+test.ey+`, "gxy": 0}, "expected": {"theta_p": `+test.axis+`}}`)))
		if err != nil {
			t.Fatal(err)
		}
		if r := Run(cases); len(r.Rows) != 1 || r.Rows[0].Verdict != test.want {
			t.Errorf("%s: %+v", test.name, r.Rows)
		}
	}
}

// ASTM E1049-85, 5.4.5: repeated, the history of Fig. 6 has one full cycle each
// of the ranges 3, 4, 7 and 9 (from memory). A histogram may come in any order.
func TestRepeatingHistory(t *testing.T) {
	cases, err := Read("repeating", strings.NewReader(file(`{"id": "a", "kind": "rainflow", "source": "ASTM E1049-85, 5.4.5",
		"inputs": {"history": [-2, 1, -3, 5, -1, 3, -4, 4, -2], "repeating": true},
		"expected": {"total_count": 4, "histogram": [{"range": 9, "count": 1}, {"range": 3, "count": 1},
			{"range": 4, "count": 1}, {"range": 7, "count": 1}]}}`)))
	if err != nil {
		t.Fatal(err)
	}
	mustPass(t, Run(cases))
}

func TestRelativeTolerance(t *testing.T) {
	text := `{"rel_tol": 1e-3, "cases": [{"id": "a", "kind": "rainflow", "source": "s",
		"inputs": {"history": [0, 1]}, "expected": {"histogram": [{"range": %s, "count": 0.5}]}}]}`
	for value, ok := range map[string]bool{"1.0005": true, "0.9995": true, "1.01": false} {
		cases, err := Read("relative", strings.NewReader(fmt.Sprintf(text, value)))
		if err != nil {
			t.Fatal(err)
		}
		if r := Run(cases); r.OK() != ok {
			t.Errorf("%s: %s", value, r.Summary())
		}
	}
}

func TestVerdictOfNotANumber(t *testing.T) {
	for _, v := range [][3]float64{
		{math.NaN(), 0, 1}, {0, math.NaN(), 1}, {0, 0, math.NaN()},
		{math.Inf(1), 0, 1}, {math.Inf(1), math.Inf(1), 1},
	} {
		if verdict(v[0], v[1], v[2]) != Fail {
			t.Errorf("%v passes", v)
		}
	}
}

// A wrong result points at the correction that is missing, if the case says
// what each is worth.
func TestFailureNamesTheOmittedCorrection(t *testing.T) {
	text := channelWith(`"value": 0,`, `"value": -3e-4,`)
	text = strings.Replace(text, `"id"`, `"error_if_omitted": {"leads": 2.98e-4, "transverse": 1e-5}, "id"`, 1)
	cases, err := Read("omitted", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	r := Run(cases)
	if len(r.Rows) != 1 || r.Rows[0].Why != "differs as if this had been left out: leads" {
		t.Errorf("%+v", r.Rows)
	}
}

func FuzzCases(f *testing.F) {
	f.Add([]byte(file(sound)))
	f.Add([]byte(channelWith()))
	f.Add([]byte(`{"cases": [{"id": "x", "kind": "rosette", "inputs": {}, "expected": {}, "source": "s"}, 1, null]}`))
	f.Add([]byte(builtin)[:20000])
	f.Fuzz(func(t *testing.T, data []byte) {
		cases, err := Read("fuzz", bytes.NewReader(data))
		if err != nil {
			if len(cases) != 0 || !errors.Is(err, ErrDocument) {
				t.Errorf("%d cases with error %v", len(cases), err)
			}
			return
		}
		r := Run(cases)
		if r.Cases != r.Run+r.NotRun || len(r.Rows) != r.Passed+r.Failed+r.NotRun || r.Cases == 0 {
			t.Errorf("counts do not add up: %s, %d rows", r.Summary(), len(r.Rows))
		}
		var table bytes.Buffer
		if err := r.WriteTable(&table, false); err != nil {
			t.Error(err)
		}
		if strings.ContainsAny(table.String(), "\x1b\r\x00") {
			t.Error("control characters in the table")
		}
	})
}
