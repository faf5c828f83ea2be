package main

import (
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/simulate"
)

// A results folder of reduce, told what it was made from, explains each value as the
// segments hold it; what it was not made from is refused.
func TestExplainOfResultsFromRawFiles(t *testing.T) {
	truth, err := simulate.Write(t.TempDir(), simulate.Options{Seed: 5, Duration: 30 * time.Minute, Format: "arrow", Faults: simulate.NoFaults}, nil)
	if err != nil {
		t.Fatal(err)
	}
	out := reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...)
	from := []string{"--test", truth.TestFile, "--events", truth.Events}
	for _, f := range truth.Files {
		from = append(from, "--raw", f)
	}
	explain := func(channel string, at int64, more ...string) (status int, text, errs string) {
		return glueline(t.Context(), append([]string{"explain", out, channel, time.Unix(0, at).UTC().Format(time.RFC3339Nano)}, more...)...)
	}
	explained, zeros := 0, 0
	var channel string
	var at int64
	for source, r := range readSegments(t, out) {
		row := len(r.time) * 2 / 3
		for _, field := range r.fields {
			if metadata(field, "constants") == "" || explained > 12 {
				continue
			}
			want := r.columns[field.Name][row]
			if math.IsNaN(want) {
				continue
			}
			channel, at = metadata(field, "of"), r.time[row]
			status, text, errs := explain(channel, at, append(slices.Clone(from), "--json")...)
			var l lineage
			if err := json.Unmarshal([]byte(text), &l); status != 0 || err != nil {
				t.Fatal(channel, errs, err)
			}
			sum := 0.0
			for _, s := range l.Shares {
				sum += s.Share
			}
			if l.Strain == nil || *l.Strain != want || l.Source != source || l.Sample != r.sample[row] || !(math.Abs(sum-want) <= 1e-12) || l.Journal != "" {
				t.Errorf("%s: the segment holds %g; %s", channel, want, text)
			}
			explained++
			if strings.Contains(l.ZeroFrom, "in events.jsonl, by ") {
				zeros++
			}
		}
	}
	if explained < 10 || zeros < 5 {
		t.Errorf("%d values were explained, %d of a zero that was said", explained, zeros)
	}
	if status, text, errs := explain(channel, at, from...); status != 0 || !strings.Contains(text, "none: reduced from raw files") {
		t.Error(status, text, errs)
	}
	if status, text, errs := explain("heel-e", at, from...); status != 0 || !strings.Contains(text, "rosette heel-e") {
		t.Error(status, text, errs)
	}
	for _, c := range []struct {
		says string
		args []string
	}{
		{"say what it was made from: --test FILE --raw SOURCE=FILE --events FILE", nil},
		{"say what it was made from", []string{"--test", truth.TestFile}},
		{"is not the one that made it", append([]string{"--test", otherLot(t, truth.TestFile, "linear", "2.01")}, from[2:]...)},
	} {
		if status, _, errs := explain("skin-1", at, c.args...); status != 1 || !strings.Contains(errs, c.says) {
			t.Errorf("%q: status %d, %s; want %q", c.args, status, errs, c.says)
		}
	}
}

// The part that a span has in a value is named, within the first share.
func TestExplainNamesTheSpan(t *testing.T) {
	const text = `
test: {name: post, zero: {first: 2 s}}
sources: {node: {rate: 1 Hz, unit: mV/V}}
lots: {A: {resistance: 350 ohm, gauge-factor: 2.1, transverse-sensitivity: 0 %%}}
materials: {plate: {young: 206 GPa, poisson: 0.3, expansion: 11.5e-6 /K, source: invented}}
gauges: {g: {lot: A}}
positions: {pile: {material: plate}}
wiring: [{position: pile, gauge: g, input: node/1}]
channels: {pile: {bridge: quarter_3wire, transverse: none, span: %v}}
`
	shares := func(span float64) *lineage {
		t.Helper()
		dir := t.TempDir()
		test, raw := write(t, dir, "test.yaml", fmt.Sprintf(text, span)), "node="+write(t, dir, "node.csv", "time,1\n2026-05-04T06:00:00Z,0\n2026-05-04T06:00:01Z,0\n2026-05-04T06:00:02Z,0\n2026-05-04T06:00:03Z,0.5\n")
		out := filepath.Join(dir, "out")
		if status, _, errs := glueline(t.Context(), "reduce", test, raw, "--out", out, "--quiet"); status != 0 {
			t.Fatal(errs)
		}
		args := []string{"explain", out, "pile", "2026-05-04T06:00:03Z", "--test", test, "--raw", raw}
		status, said, errs := glueline(t.Context(), append(args, "--json")...)
		var l lineage
		if err := json.Unmarshal([]byte(said), &l); status != 0 || err != nil {
			t.Fatal(errs, err)
		}
		_, said, _ = glueline(t.Context(), args...)
		if strings.Contains(said, "of it the span") != (span != 1) {
			t.Errorf("span %v: it says\n%s", span, said)
		}
		return &l
	}
	without, with := shares(1), shares(0.9991)
	if without.SpanShare != nil || with.SpanShare == nil {
		t.Fatalf("%v %v", without.SpanShare, with.SpanShare)
	}
	if added := with.Shares[0].Share - without.Shares[0].Share; !(math.Abs(added-*with.SpanShare) < 1e-15) || added > -1e-7 {
		t.Errorf("the span adds %g, it says %g", added, *with.SpanShare)
	}
}
