package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// selfcheckOutput runs the command as from a shell.
func selfcheckOutput(args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(context.Background(), append([]string{"selfcheck"}, args...), streams{&o, &e})
	return status, o.String(), e.String()
}

func TestSelfcheckBuiltIn(t *testing.T) {
	status, out, errs := selfcheckOutput()
	if status != 0 || errs != "" {
		t.Fatalf("status %d, %s\n%s", status, errs, out)
	}
	for _, want := range []string{"case", "verdict", "Sources", "ASTM E1049-85", "IEC 60751", "NIST Monograph 175", " 0 failed; 0 cases not run"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in the output", want)
		}
	}
	for _, line := range strings.Split(out, "\n") {
		if len([]rune(line)) > 120 {
			t.Errorf("wider than 120 columns: %s", line)
		}
	}
}

func TestSelfcheckPublishedFile(t *testing.T) {
	status, out, errs := selfcheckOutput("../../testdata/published/selfcheck-cases.json")
	if status != 0 || errs != "" || !strings.Contains(out, "\n144 cases, 144 run; ") {
		t.Fatalf("status %d, %s\n%s", status, errs, out)
	}
}

// Whatever is not checked and right ends with status 1, whatever else passes.
func TestSelfcheckStatus(t *testing.T) {
	const sound = `{"id": "a", "kind": "principal stress", "source": "definition",
		"inputs": {"s1": 3e6, "s2": 1e6}, "expected": {"tresca": {"value": 3e6, "tol": 1}}}`
	folder := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(folder, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := write("good.json", `{"cases": [`+sound+`]}`)
	if status, out, errs := selfcheckOutput(good); status != 0 {
		t.Fatalf("status %d for the sound case: %s%s", status, out, errs)
	}
	bad := func(old, new string) string { return `{"cases": [` + strings.Replace(sound, old, new, 1) + `]}` }
	tests := []struct{ name, text, says string }{
		{"wrong value", bad(`"value": 3e6`, `"value": 4e6`), "fail"},
		{"unknown kind", bad("principal stress", "magic"), `unknown kind "magic"`},
		{"unknown input", bad(`"s1"`, `"s0": 1, "s1"`), "unknown key inputs.s0"},
		{"unknown quantity", bad("tresca", "rankine"), "unknown key expected.rankine"},
		{"unknown key of the case", bad(`"id"`, `"x": 1, "id"`), "unknown key case.x"},
		{"not a number", bad(`"value": 3e6`, `"value": NaN`), "line 2: invalid character 'N'"},
		{"empty file", "", "empty"},
		{"no cases", `{"cases": []}`, "no cases"},
		{"truncated", `{"cases": [` + sound, "ends too early"},
		{"same id twice", `{"cases": [` + sound + "," + sound + `]}`, "id is used 2 times"},
	}
	for _, test := range tests {
		path := write("bad.json", test.text)
		for _, args := range [][]string{{path}, {good, path}, {path, good}, {"--failed", path}} {
			status, out, errs := selfcheckOutput(args...)
			if status != 1 || !strings.Contains(out+errs, test.says) {
				t.Errorf("%s: status %d: %s%s", test.name, status, out, errs)
			}
		}
	}
	for _, path := range []string{folder, filepath.Join(folder, "missing.json")} {
		if status, out, errs := selfcheckOutput(good, path); status != 1 || !strings.Contains(errs, path) {
			t.Errorf("%s: status %d: %s%s", path, status, out, errs)
		}
	}
}

func TestSelfcheckShowsOnlyFailures(t *testing.T) {
	status, out, _ := selfcheckOutput("--failed")
	if status != 0 || strings.Contains(out, "pass\n") || !strings.Contains(out, " 0 failed") {
		t.Errorf("status %d: %s", status, out)
	}
}
