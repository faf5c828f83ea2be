package main

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/simulate"
)

// otherLot is the invented test with another gauge factor in a lot.
func otherLot(t *testing.T, path, lot, factor string) string {
	t.Helper()
	text := read(t, path)
	at := regexp.MustCompile(`(?m)^  ` + lot + `:\n(?:    .*\n)*?    gauge-factor: ([0-9.]+)`).FindStringSubmatchIndex(text)
	if at == nil {
		t.Fatalf("no lot %s", lot)
	}
	text = text[:at[2]] + factor + text[at[3]:]
	return write(t, filepath.Dir(path), "other-"+factor+".yaml", text)
}

// Two reductions of the same readings: what compare says of a column is what a walk
// over both folders finds, its steps are those of glueline steps, and what the
// change does not touch is the same.
func TestCompareIsWhatBothFoldersHold(t *testing.T) {
	raw := t.TempDir()
	truth, err := simulate.Write(raw, simulate.Options{Seed: 3, Duration: 4 * time.Hour, Format: "arrow", Faults: simulate.NoFaults}, nil)
	if err != nil {
		t.Fatal(err)
	}
	rest := append([]string{"--events", truth.Events}, truth.Files...)
	a := reduceTo(t, append([]string{truth.TestFile}, rest...)...)
	b := reduceTo(t, append([]string{otherLot(t, truth.TestFile, "grids", "2.05")}, rest...)...)
	plots := filepath.Join(t.TempDir(), "plots")
	status, text, errs := glueline(t.Context(), "compare", a, b, "--csv", "--plots", plots)
	if status != 0 || errs != "" {
		t.Fatal(status, errs)
	}
	whole := map[string]map[string]string{}
	held := map[string]map[string]string{}
	for _, row := range rowsOf(t, text) {
		if row["step"] == "" {
			whole[row["column"]] = row
		} else {
			held[row["step"]+"|"+row["column"]] = row
		}
	}
	inA, inB := readSegments(t, a), readSegments(t, b)
	differs := map[string]bool{}
	for source, x := range inA {
		y := inB[source]
		for _, field := range x.fields {
			p, q := x.columns[field.Name], y.columns[field.Name]
			if p == nil {
				continue
			}
			row := whole[field.Name]
			if row == nil || row["source"] != source || row["unit"] != field.Unit {
				t.Fatalf("%s: %v", field.Name, row)
			}
			masks := x.flags[metadata(field, "of")+" flags"]
			largest, when, least, most, n := 0.0, "", math.Inf(1), math.Inf(-1), 0
			for i := range p {
				if p[i] != p[i] || masks != nil && masks[i]&flag.LeavesOut != 0 {
					continue
				}
				n++
				least, most = min(least, p[i]), max(most, p[i])
				d := q[i] - p[i]
				if field.Unit == "rad" {
					d = math.Remainder(d, math.Pi)
				}
				if math.Abs(d) > math.Abs(largest) {
					largest, when = d, stamp(x.time[i])
				}
			}
			differs[field.Name] = largest != 0
			if n == 0 {
				if row["min_a"] != "" || row["largest_difference"] != "" {
					t.Errorf("%s has no value: %v", field.Name, row)
				}
				continue
			}
			if number(t, row, "largest_difference") != largest || row["largest_at"] != when || number(t, row, "min_a") != least || number(t, row, "max_a") != most ||
				row["rows"] != strconv.Itoa(n) || row["rows_with_other_flags"] != "0" {
				t.Errorf("%s: %v, want %v at %s, from %v to %v", field.Name, row, largest, when, least, most)
			}
		}
	}
	if !differs["strap-a [m/m]"] || differs["skin-9 [m/m]"] {
		t.Error("the change is not in what it should touch")
	}
	for i, dir := range []string{a, b} {
		_, text, _ := glueline(t.Context(), "steps", dir, "--csv")
		side := []string{"mean_a", "mean_b"}[i]
		for _, row := range rowsOf(t, text) {
			got := held[row["step"]+"|"+row["channel"]+" [m/m]"]
			if got == nil || got["hold_from"] != row["hold_from"] || got["hold_to"] != row["hold_to"] {
				t.Fatalf("%v, %v", got, row)
			}
			if want := number(t, row, "mean_strain"); !(math.Abs(number(t, got, side)-want) <= 1e-15) && !math.IsNaN(want) {
				t.Errorf("%s: %v, steps says %v", side, got, want)
			}
		}
	}
	plotsOf(t, plots, differs)
	if status, _, errs := glueline(t.Context(), "compare", a, b, "--plots", plots); status != 1 || !strings.Contains(errs, "name a new folder") {
		t.Errorf("%d %s", status, errs)
	}

	status, text, errs = glueline(t.Context(), "compare", a, b, "--channels", "strap-a", "--channels", "skin-9")
	for _, want := range []string{"strap-a", "While steps were held:", "fill 1", "2 columns are the same to the last bit"} {
		if status != 0 || errs != "" || !strings.Contains(text, want) {
			t.Errorf("%d %s: no %q in\n%s", status, errs, want, text)
		}
	}
	if strings.Contains(text, "draft") {
		t.Errorf("a folder of reduce has no revisions:\n%s", text)
	}
	if status, _, errs := glueline(t.Context(), "compare", a, b, "--channels", "nobody"); status != 1 || !strings.Contains(errs, `no channel "nobody"`) {
		t.Errorf("%d %s", status, errs)
	}
	if status, _, errs := glueline(t.Context(), "compare", a, t.TempDir()); status != 1 || !strings.Contains(errs, "no commit record") {
		t.Errorf("%d %s", status, errs)
	}
}

// plotsOf looks whether each column that differs was drawn, twice, and can be opened.
func plotsOf(t *testing.T, dir string, differs map[string]bool) {
	t.Helper()
	want := 0
	for _, d := range differs {
		if d {
			want++
		}
	}
	drawings, _ := filepath.Glob(filepath.Join(dir, "*.svg"))
	pictures, _ := filepath.Glob(filepath.Join(dir, "*.png"))
	if len(drawings) != want || len(pictures) != want || want < 20 {
		t.Errorf("%d and %d plots of %d columns", len(drawings), len(pictures), want)
	}
	for _, path := range pictures {
		f, err := os.Open(path)
		if err == nil {
			_, err = png.Decode(f)
			err = errors.Join(err, f.Close())
		}
		if err != nil {
			t.Errorf("%s: %v", path, err)
		}
	}
	for _, path := range drawings {
		d := xml.NewDecoder(strings.NewReader(read(t, path)))
		for {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", path, err)
			}
		}
	}
}

// What only one side has is told of, and counts in none of the differences.
func TestCompareSaysWhatOneSideLacks(t *testing.T) {
	raw := t.TempDir()
	truth, err := simulate.Write(raw, simulate.Options{Seed: 3, Duration: 30 * time.Minute, Faults: simulate.NoFaults}, nil)
	if err != nil {
		t.Fatal(err)
	}
	whole := reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...)
	var fewer []string
	for _, f := range truth.Files {
		if !strings.Contains(f, "rod") {
			fewer = append(fewer, f)
		}
	}
	part := reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, fewer...)...)
	status, text, errs := glueline(t.Context(), "compare", whole, part)
	if status != 0 || errs != "" || !strings.Contains(text, "tie [m/m] is in A only.") || !strings.Contains(text, "Source rod: 0 rows in both, ") {
		t.Errorf("%d %s\n%s", status, errs, text)
	}
	status, text, _ = glueline(t.Context(), "compare", part, whole, "--json")
	var said saidComparison
	if err := json.Unmarshal([]byte(text), &said); err != nil || status != 0 {
		t.Fatal(status, err)
	}
	for _, c := range said.Columns {
		alone := c.Source == "rod"
		if c.InA == alone || !c.InB || c.Differs != (alone && c.Whole.B != nil) || alone && c.Whole.Rows != 0 {
			t.Errorf("%+v", c)
		}
	}
}

// The revisions of a service: each is a draft, explain and compare agree on what a
// value is in either, and the damage is that of glueline drift.
func TestRevisionsCompared(t *testing.T) {
	t.Parallel()
	out := filepath.Join(t.TempDir(), "demo")
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "2h", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	data := filepath.Join(out, "results")
	test := filepath.Join(out, "raw", "hollin.yaml")
	if status, _, errs := glueline(t.Context(), "rereduce", data, "--calibration", otherLot(t, test, "linear", "2.01"), "--who", "M. Arkle", "--why", "the package says 2.01", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	curve := write(t, filepath.Dir(test), "curve.yaml", strings.Replace(read(t, test), "  skin-9: {bridge: quarter_3wire,", "  skin-9: {bridge: quarter_3wire, fatigue: weld,", 1)+
		"\nfatigue: {weld: {coefficient: 900 MPa, exponent: -0.333, source: invented}}\n")
	first := filepath.Join(data, reducedFolder)
	status, text, errs := glueline(t.Context(), "compare", first, data, "--test", curve)
	for _, want := range []string{"Revision r1: draft.", "Revision r2: draft.", "Cycles and their damage"} {
		if status != 0 || errs != "" || !strings.Contains(text, want) {
			t.Errorf("%d %s: no %q in\n%s", status, errs, want, text)
		}
	}
	status, text, errs = glueline(t.Context(), "compare", first, data, "--test", curve, "--json")
	var said saidComparison
	if err := json.Unmarshal([]byte(text), &said); err != nil || status != 0 {
		t.Fatal(status, errs, err)
	}
	if len(said.Damage) != 1 || said.Damage[0].Channel != "skin-9" {
		t.Fatalf("%+v", said.Damage)
	}
	d := said.Damage[0]
	before, after := driftOf(t, first, "--test", curve)["skin-9"].Damage, driftOf(t, data, "--test", curve)["skin-9"].Damage
	if d.A == nil || d.B == nil || before == nil || after == nil || *d.A != *before || *d.B != *after || *d.B <= *d.A {
		t.Errorf("%+v; drift says %v and %v", d, before, after)
	}
	for _, c := range said.Columns {
		if c.Column == "skin-9 [m/m]" {
			explainedIn(t, first, c.Of, c.Whole.When, "2.08")
			explainedIn(t, data, c.Of, c.Whole.When, "2.01")
		}
	}
}

// explainedIn looks whether a value is explained in a revision, by its constants.
func explainedIn(t *testing.T, dir, channel, at, factor string) {
	t.Helper()
	status, text, errs := glueline(t.Context(), "explain", dir, channel, at)
	if status != 0 || !strings.Contains(text, factor) || !strings.Contains(text, "draft") {
		t.Errorf("%s: %d %s\n%s", dir, status, errs, text)
	}
}
