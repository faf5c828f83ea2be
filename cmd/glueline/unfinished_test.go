package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A revision that is not finished is not read as if it were, and nothing of it is
// called damaged; where the rest of it is made, it is as any other.
func TestUnfinishedRevision(t *testing.T) {
	out := filepath.Join(t.TempDir(), "demo")
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "30m", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	data := filepath.Join(out, "results")
	other := otherLot(t, filepath.Join(out, "raw", "hollin.yaml"), "linear", "2.01")
	if status, _, errs := glueline(t.Context(), "rereduce", data, "--calibration", other, "--who", "M. Arkle", "--why", "the package says 2.01", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	// As a kill before the last cut leaves it.
	first, second := filepath.Join(data, reducedFolder), filepath.Join(data, "r2")
	if err := os.Remove(filepath.Join(data, pointerFile)); err != nil {
		t.Fatal(err)
	}
	// The demo ends in one cut or two, as its readings and its end fall.
	records, err := filepath.Glob(filepath.Join(second, "main.*.commit.json"))
	if err != nil || len(records) == 0 {
		t.Fatal(records, err)
	}
	if err := os.Remove(records[len(records)-1]); err != nil {
		t.Fatal(err)
	}
	part := fmt.Sprintf("revision r2 is not finished: %d of %d cut", len(records)-1, len(records))
	commands := [][]string{
		{"compare", first, second, "--quiet"},
		{"export", second, "--out", filepath.Join(t.TempDir(), "tables"), "--quiet"},
		{"steps", second},
		{"verify", data, "--revision", "r2", "--quiet"},
	}
	for _, args := range commands {
		status, text, errs := glueline(t.Context(), args...)
		if status != 1 || !strings.Contains(errs, part) || !strings.Contains(errs, "--go-on r2") || strings.Contains(text, "damage") {
			t.Errorf("%q: %d %s\n%s", args, status, errs, text)
		}
	}
	if status, _, errs := glueline(t.Context(), "rereduce", data, "--go-on", "r2", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	for _, args := range commands {
		if status, text, errs := glueline(t.Context(), args...); status != 0 {
			t.Errorf("%q: %d %s\n%s", args, status, errs, text)
		}
	}
}
