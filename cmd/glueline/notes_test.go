package main

import (
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// What is odd about the raw files and the test file stands beside the table: a
// source without files, columns that nothing uses, another rate, gaps, and what
// check calls a caution.
func TestReduceTellsWhatIsOdd(t *testing.T) {
	const more = `
wiring:
  - {position: c0, gauge: g0, input: node/A}
  - {position: c1, gauge: g1, input: mast/B}
channels:
  c0: {bridge: quarter_3wire, transverse: none, temperature: skin}
  c1: {bridge: quarter_3wire, transverse: none}
temperatures:
  skin: {input: mast/T, sensor: thermocouple, type: K, cold-junction: box}
  box: {input: hut/T}
`
	test := benchTest("unit: V/V}\n  mast: {rate: 10 Hz, unit: V/V, inputs: {T: {unit: mV}}}\n  hut: {rate: 1 Hz, unit: degC", 2, more)
	test = strings.Replace(test, "young: 200 GPa", "young: 200 MPa", 1)
	dir := t.TempDir()
	var raw strings.Builder
	raw.WriteString("time,A,spare,door [count]\n")
	at := benchStart
	for i := range benchRows {
		at = at.Add(125 * time.Millisecond)
		if i == 100 || i == 200 {
			at = at.Add(time.Duration(i) * time.Second)
		}
		r, _ := benchRatio(i)
		fmt.Fprintf(&raw, "%s,%g,1,2\n", at.Format(time.RFC3339Nano), r)
	}
	status, out, errs := glueline(t.Context(), "reduce", write(t, dir, "test.yaml", test), "node="+write(t, dir, "node.csv", raw.String()), "--out", dir+"/out")
	if status != 0 || errs != "" {
		t.Fatalf("status %d: %s", status, errs)
	}
	notes, table, ok := strings.Cut(out, "bench: ")
	if !ok {
		t.Fatalf("no table: %s", out)
	}
	for _, want := range []string{
		"node: the test file does not use the columns spare, door",
		"node: the test file declares 10 Hz, but the rows come at 8 Hz (median interval 125 ms)",
		// Row 199 comes 200 intervals and the gap of 100 s behind the start: 125 s.
		"node: 2 gaps longer than 3 sample periods, the longest of 3m20s from 2026-02-03 04:07:11.000 UTC on",
		"mast: no raw file of it was given; no results of c1; c0 not corrected for temperature (flagged temperature-missing)",
		"hut: no raw file of it was given; c0 not corrected",
	} {
		if !strings.Contains(strings.Join(strings.Fields(notes), " "), want) {
			t.Errorf("no %q in:\n%s", want, notes)
		}
	}
	_, findings, ok := strings.Cut(table, "deserves a look; glueline check ")
	if want := "caution material plate: a modulus of 0.2 GPa"; !ok || !strings.Contains(strings.Join(strings.Fields(findings), " "), want) {
		t.Errorf("no %q in:\n%s", want, table)
	}
	for _, line := range strings.Split(notes+findings, "\n") {
		if utf8.RuneCountInString(line) > lineWidth && !strings.Contains(line, dir) {
			t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
		}
	}
}

// Sound files have nothing to tell.
func TestNoNotesOnSoundFiles(t *testing.T) {
	b := soundFiles(t)
	args := b.args()
	status, out, errs := glueline(t.Context(), args[:len(args)-1]...)
	if status != 0 || errs != "" || strings.Contains(out, "Notes on") || strings.Contains(out, "deserves") {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
}

func TestDurationsAreShort(t *testing.T) {
	for ns, want := range map[int64]string{
		50_000: "50 us", 2_500_000: "2.5 ms", 125_000_000: "125 ms", 36e9: "36 s", 200e9: "3m20s", 12 * 3600e9: "12h0m",
	} {
		if got := duration(ns); got != want {
			t.Errorf("%d: %s, want %s", ns, got, want)
		}
	}
}

// A unit that no bridge is read in is told with its file and column.
func TestUnitsOfRawFilesAreToldWithTheirPlace(t *testing.T) {
	b := soundFiles(t)
	b.rawIs(strings.Replace(b.rawText, "time,A", "time,A [kN]", 1))
	status, _, errs := glueline(t.Context(), b.args()...)
	if want := b.raw + `: column "A": input A is in "kN"; a bridge is read in`; status != 1 || !strings.Contains(errs, want) {
		t.Errorf("status %d, no %q in: %s", status, want, errs)
	}
	b.nothingIsLeft("unit")
}
