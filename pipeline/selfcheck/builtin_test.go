package selfcheck

import (
	"encoding/json"
	"os"
	"reflect"
	"strings"
	"testing"
)

// The built-in cases are published ones: same inputs, values, tolerances and
// sources.
func TestBuiltInCasesAreThePublishedOnes(t *testing.T) {
	published := map[any]map[string]any{}
	for _, name := range []string{"selfcheck-cases.json", "published-values.json"} {
		data, err := os.ReadFile("../../testdata/published/" + name)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range load(t, data).Cases {
			published[c["id"]] = c
		}
	}
	kindsSeen := map[any]bool{}
	for _, c := range load(t, []byte(builtin)).Cases {
		original, ok := published[c["id"]]
		if !ok {
			t.Errorf("%v is not among the published cases", c["id"])
			continue
		}
		kindsSeen[c["kind"]] = true
		for _, key := range []string{"inputs", "expected", "source", "status", "what"} {
			if !reflect.DeepEqual(c[key], original[key]) {
				got, _ := json.Marshal(c[key])
				want, _ := json.Marshal(original[key])
				t.Errorf("%v: %s is %s, published is %s", c["id"], key, got, want)
			}
		}
	}
	for kind := range kinds {
		if !kindsSeen[kind] {
			t.Errorf("no built-in case of kind %q", kind)
		}
	}
}

// CASES.md is the only description of the form: it has to name every kind.
func TestEveryKindIsDescribed(t *testing.T) {
	page, err := os.ReadFile("CASES.md")
	if err != nil {
		t.Fatal(err)
	}
	for kind := range kinds {
		if !strings.Contains(string(page), "\n| `"+kind+"` |") {
			t.Errorf("CASES.md does not describe the kind %q", kind)
		}
	}
}
