package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Folders that are no two reductions of the same readings are not compared: what is
// said of them names what they lack.
func TestCompareOfUnrelatedFolders(t *testing.T) {
	const text = `
test: {name: post, zero: {first: 2 s}}
sources: {node: {rate: 1 Hz, unit: mV/V}}
lots: {A: {resistance: 350 ohm, gauge-factor: 2.1, transverse-sensitivity: 0 %}}
materials: {plate: {young: 206 GPa, poisson: 0.3, expansion: 11.5e-6 /K, source: invented}}
gauges: {g: {lot: A}}
positions: {pile: {material: plate}}
wiring: [{position: pile, gauge: g, input: node/1}]
channels: {pile: {bridge: quarter_3wire, transverse: none}}
`
	reduced := func(text string, from time.Time) string {
		t.Helper()
		dir := t.TempDir()
		var rows strings.Builder
		fmt.Fprintln(&rows, "time,1")
		for i := range 10 {
			fmt.Fprintf(&rows, "%s,%d\n", from.Add(time.Duration(i)*time.Second).Format(time.RFC3339), i)
		}
		out := filepath.Join(dir, "out")
		if status, _, errs := glueline(t.Context(), "reduce", write(t, dir, "test.yaml", text), "node="+write(t, dir, "node.csv", rows.String()), "--out", out, "--quiet"); status != 0 {
			t.Fatal(errs)
		}
		return out
	}
	monday := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	a := reduced(text, monday)
	for _, c := range []struct {
		name, b string
		status  int
		says    string
	}{
		{"the same", reduced(text, monday), 0, ""},
		{"another lot", reduced(strings.Replace(text, "2.1,", "2.2,", 1), monday), 0, ""},
		{"some of the same readings", reduced(text, monday.Add(5*time.Second)), 0, ""},
		{"another channel", reduced(strings.ReplaceAll(text, "pile", "mast"), monday), 1, "no column in common"},
		{"another day", reduced(text, monday.Add(24*time.Hour)), 1, "no reading in common: the one goes from 2026-05-04 06:00:00Z to 2026-05-04 06:00:09Z, the other from 2026-05-05 06:00:00Z"},
	} {
		status, _, errs := glueline(t.Context(), "compare", a, c.b)
		if status != c.status || !strings.Contains(errs, c.says) {
			t.Errorf("%s: status %d, want %d and %q\n%s", c.name, status, c.status, c.says, errs)
		}
	}
}
