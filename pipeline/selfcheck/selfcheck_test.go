package selfcheck

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
)

const publishedCases = "../../testdata/published/selfcheck-cases.json"

func readFile(t *testing.T, name string) []Case {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	cases, err := Read(name, bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return cases
}

// The published cases are of all kinds; testdata/published/README.md says where
// their values come from.
func TestEveryPublishedCaseRunsAndPasses(t *testing.T) {
	cases := readFile(t, publishedCases)
	seen := map[string]bool{}
	for _, c := range cases {
		seen[c.Kind] = true
	}
	for _, kind := range []string{
		"channel", "rosette channels", "series", "rosette", "plane strain",
		"principal stress", "rainflow", "thermocouple", "pt100",
	} {
		if !seen[kind] {
			t.Errorf("no case of kind %q", kind)
		}
	}
	mustPass(t, Run(cases))
}

func TestEveryBuiltInCaseRunsAndPasses(t *testing.T) {
	cases := BuiltIn()
	mustPass(t, Run(cases))
	for _, c := range cases {
		if c.Source == "" || c.Status == "" {
			t.Errorf("%s: source %q, status %q", c.ID, c.Source, c.Status)
		}
	}
}

func mustPass(t *testing.T, r Report) {
	t.Helper()
	for _, row := range r.Rows {
		if row.Verdict != Pass {
			t.Errorf("%s %s: expected %v, got %v, tolerance %v: %s %s",
				row.Case, row.Quantity, row.Expected, row.Got, row.Tolerance, row.Verdict, row.Why)
		}
	}
	if !r.OK() || r.Run != r.Cases || r.Passed != len(r.Rows) {
		t.Errorf("not in order: %s, %d rows", r.Summary(), len(r.Rows))
	}
}

// document is a case file as the tests change it.
type document struct {
	Cases []map[string]any `json:"cases"`
}

func load(t *testing.T, data []byte) document {
	t.Helper()
	var d document
	if err := json.Unmarshal(data, &d); err != nil {
		t.Fatal(err)
	}
	return d
}

// runOne runs one case as it would be read from a file.
func runOne(t *testing.T, c map[string]any) Report {
	t.Helper()
	data, err := json.Marshal(document{[]map[string]any{c}})
	if err != nil {
		t.Fatal(err)
	}
	cases, err := Read("changed", bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return Run(cases)
}

// Ten tolerances are far enough from every value to be wrong, and small enough
// that only a comparison of that very value can notice.
func TestEveryExpectedValueIsCompared(t *testing.T) {
	published, err := os.ReadFile(publishedCases)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"published": published, "built in": []byte(builtin)} {
		changes := 0
		for _, c := range load(t, data).Cases {
			whole := runOne(t, c)
			places := quantities(c["expected"], nil)
			if len(places) == 0 {
				continue // an empty histogram is a length and nothing to change
			}
			for _, p := range places {
				// A tolerance of zero is exact: any change will do.
				step := 10 * tolerance(whole, p)
				if step == 0 {
					step = 1e-6 * math.Max(1, math.Abs(p.get()))
				}
				original := p.get()
				for _, change := range []float64{step, -step} {
					p.set(original + change)
					r := runOne(t, c)
					if r.Run != 1 || r.Failed != 1 || r.OK() {
						t.Errorf("%s: %v %s changed by %g: %s", name, c["id"], p.name, change, r.Summary())
					}
					changes++
				}
				p.set(original)
			}
			if r := runOne(t, c); !r.OK() {
				t.Errorf("%s: %v did not come back: %s", name, c["id"], r.Summary())
			}
		}
		t.Logf("%s: %d changes", name, changes)
		if changes < 500 {
			t.Errorf("%s: only %d changes", name, changes)
		}
	}
}

// place is a number among the expected values that something computed is
// compared with.
type place struct {
	name string // as in a row of the report
	get  func() float64
	set  func(float64)
}

func quantities(v any, path []string) []place {
	var out []place
	switch v := v.(type) {
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(v)) {
			_, isNumber := v[key].(float64)
			switch {
			case key == "tol" || key == "rel_tol" || key == "range_tol_MPa":
			case !isNumber:
				out = append(out, quantities(v[key], append(slices.Clone(path), key))...)
			default:
				name := strings.Join(path, "")
				if key != "value" {
					name = strings.TrimPrefix(name+"."+key, ".")
				}
				out = append(out, place{name,
					func() float64 { return v[key].(float64) },
					func(x float64) { v[key] = x }})
			}
		}
	case []any:
		for i, item := range v {
			out = append(out, quantities(item, append(slices.Clone(path), fmt.Sprintf("[%d]", i)))...)
		}
	}
	return out
}

func tolerance(r Report, p place) float64 {
	for _, row := range r.Rows {
		if row.Quantity == p.name {
			return row.Tolerance
		}
	}
	panic("no row " + p.name)
}
