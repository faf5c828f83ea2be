package main

import (
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Every channel of the demo: what is explained is the value that the segment holds,
// and the shares sum to it.
func TestExplainSumsToWhatTheSegmentHolds(t *testing.T) {
	out := filepath.Join(t.TempDir(), "demo")
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "20m", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	data := filepath.Join(out, "results")
	values := 0
	for source, r := range readSegments(t, filepath.Join(data, reducedFolder)) {
		row := len(r.time) - 1
		at := time.Unix(0, r.time[row]).UTC().Format(time.RFC3339Nano)
		for _, field := range r.fields {
			if metadata(field, "constants") == "" {
				continue
			}
			channel := metadata(field, "of")
			status, text, errs := glueline(t.Context(), "explain", data, channel, at, "--json")
			if status != 0 {
				t.Fatalf("%s: %s", channel, errs)
			}
			var l lineage
			if err := json.Unmarshal([]byte(text), &l); err != nil {
				t.Fatal(err)
			}
			want := r.columns[field.Name][row]
			if l.Source != source || l.Sample != r.sample[row] || l.Sequence[0] != l.Sequence[1] {
				t.Errorf("%s: source %s, sample %d, message %v", channel, l.Source, l.Sample, l.Sequence)
			}
			if math.IsNaN(want) {
				if l.Strain != nil || len(l.Shares) > 0 {
					t.Errorf("%s: %s, where the segment has no value", channel, text)
				}
				continue
			}
			values++
			sum := 0.0
			for _, s := range l.Shares {
				sum += s.Share
			}
			if l.Strain == nil || *l.Strain != want || len(l.Shares) != 6 || !(math.Abs(sum-want) <= 1e-12) {
				t.Errorf("%s: the shares of %v sum to %g, the segment holds %g", channel, l.Shares, sum, want)
			}
			for _, k := range l.Constants {
				if k.Name == "gauge factor" && !strings.HasPrefix(k.From, "test.yaml:") {
					t.Errorf("%s: its gauge factor comes from %q", channel, k.From)
				}
			}
		}
	}
	for _, rosette := range []string{"heel-e", "strap"} { // their principal strains are made again, and the zero is found
		status, text, errs := glueline(t.Context(), "explain", data, rosette, "2026-05-04T06:15:00Z", "--json")
		var l rosetteLineage
		if err := json.Unmarshal([]byte(text), &l); err != nil || status != 0 || len(l.Grids) != 3 || len(l.Values) != 12 {
			t.Errorf("%s: %d %s %v %s", rosette, status, errs, err, text)
			continue
		}
		for _, g := range l.Grids {
			if !strings.Contains(g.Lineage.ZeroFrom, "journal message") || len(g.Lineage.Shares) != 6 {
				t.Errorf("%s: %+v", rosette, g.Lineage)
			}
		}
	}
	if values < 20 {
		t.Errorf("only %d values were explained", values)
	}
}

func FuzzInstantOf(f *testing.F) {
	for _, s := range []string{"2026-05-04T06:00:00.25Z", "2026-05-04 08:00:00+02:00", "2026-05-04", "", "yesterday", "9999-01-01T00:00:00Z"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		ns, err := instantOf(text)
		if err != nil {
			if !strings.Contains(err.Error(), "for example") {
				t.Errorf("%q: %v", text, err)
			}
			return
		}
		if again, err := instantOf(time.Unix(0, ns).UTC().Format(time.RFC3339Nano)); err != nil || again != ns {
			t.Errorf("%q is %d, written out and read again %d: %v", text, ns, again, err)
		}
	})
}

// A value is explained in a revision that has other thermometers from the middle of a
// cut on, before and behind that instant: what was remembered is handed on.
func TestExplainWherePlansChangeWithinACut(t *testing.T) {
	out := filepath.Join(t.TempDir(), "demo")
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "30m", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	data, test := filepath.Join(out, "results"), filepath.Join(out, "raw", "hollin.yaml")
	exchanged := strings.NewReplacer("tc-top: {input: logger/T1,", "tc-top: {input: logger/T2,", "tc-mid: {input: logger/T2,", "tc-mid: {input: logger/T1,").Replace(read(t, test))
	if status, _, errs := glueline(t.Context(), "rereduce", data, "--calibration", write(t, filepath.Dir(test), "exchanged.yaml", exchanged),
		"--from", "2026-05-04T06:15:00Z", "--who", "M. Arkle", "--why", "the plugs were exchanged", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	// What 64 bits of nanoseconds do not hold would be another time, among the readings.
	if status, _, errs := glueline(t.Context(), "rereduce", data, "--calibration", test, "--from", "2999-01-01T00:00:00Z", "--preview", "--quiet"); status == 0 || !strings.Contains(errs, "1678 to 2261") {
		t.Errorf("from the year 2999 on: %d %s", status, errs)
	}
	for _, at := range []string{"06:05:00", "06:14:59", "06:15:00", "06:15:01", "06:29:00"} {
		for _, channel := range []string{"skin-1", "skin-5", "skin-9"} {
			if status, _, errs := glueline(t.Context(), "explain", data, channel, "2026-05-04T"+at+"Z"); status != 0 {
				t.Errorf("%s at %s: %s", channel, at, errs)
			}
		}
	}
}
