package main

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"glueline/sinks/console"
)

// articleOfDemo is what a console would answer from the folder of a demo that has
// ended.
func articleOfDemo(t *testing.T, length string) *consoleArticle {
	t.Helper()
	out := filepath.Join(t.TempDir(), "demo")
	var said bytes.Buffer
	if status := run(t.Context(), []string{"demo", "--quiet", "--duration", length, "--out", out}, streams{&said, &said}); status != 0 {
		t.Fatal(said.String())
	}
	k, err := readTest(filepath.Join(out, "raw", "hollin.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	svc := &service{data: filepath.Join(out, "results")}
	svc.current.Store(k)
	svc.opened.Store(true)
	return &consoleArticle{svc: svc}
}

// The raw ratio and the shares that are worked back from strain are those that the
// raw frames give: at any time, of any channel, over zeros and lost sensors.
func TestPartsAreWhatWasRead(t *testing.T) {
	t.Parallel()
	a := articleOfDemo(t, "3h")
	archive, err := a.archive.of(a.svc.data)
	if err != nil {
		t.Fatal(err)
	}
	_, first, last := archive.Columns()
	random := rand.New(rand.NewPCG(1, 2))
	compared, without := 0, 0
	for _, e := range a.svc.current.Load().test.Channels.Entries {
		for range 3 {
			at := first + random.Int64N(last-first)
			want, err := lineageFor(t.Context(), &explainCommand{Dir: a.svc.data, Channel: e.Name}, at)
			if err != nil {
				t.Fatal(err)
			}
			found, err := a.Look(t.Context(), "value", console.Query{"channel": {e.Name}, "time": {time.Unix(0, at).UTC().Format(time.RFC3339Nano)}})
			if err != nil || found.(*lineage).Segment != want.Segment || found.(*lineage).Sample != want.Sample {
				t.Errorf("%s at %d: %v, want sample %d of %s", e.Name, at, err, want.Sample, want.Segment)
			}
			ms := float64(want.Time.UnixNano()) / 1e6
			v, err := a.Look(t.Context(), "parts", console.Query{"channel": {e.Name}, "from": {fmt.Sprintf("%f", ms-0.01)}, "to": {fmt.Sprintf("%f", ms+0.01)}, "points": {"100"}})
			if err != nil {
				t.Fatal(err)
			}
			p := v.(*partsOf)
			if !p.Raw || len(p.T) != 1 {
				t.Fatalf("%s at %s: %d samples", e.Name, want.Time, len(p.T))
			}
			if want.Strain == nil {
				without++
				if !math.IsNaN(p.Parts[0].Values[0]) {
					t.Errorf("%s at %s: a ratio of no strain", e.Name, want.Time)
				}
				continue
			}
			allowed := 1e-14
			if want.Time.UnixNano()%5e9 == 0 { // the loggers' times: the reading before may have been the newest
				allowed = 1e-6
			}
			compared++
			if d := math.Abs(p.Parts[0].Values[0] - *want.Ratio); !(d <= allowed) {
				t.Errorf("%s at %s: ratio off by %g: %g, want %g", e.Name, want.Time, d, p.Parts[0].Values[0], *want.Ratio)
			}
			for i, s := range want.Shares {
				if part := p.Parts[i+1]; part.Name != s.Effect || !(math.Abs(part.Values[0]-s.Share) <= 4*allowed) {
					t.Errorf("%s at %s: %s %g, want %s %g", e.Name, want.Time, part.Name, part.Values[0], s.Effect, s.Share)
				}
			}
		}
	}
	if compared < 50 {
		t.Errorf("only %d compared, %d had no strain", compared, without)
	}
	if _, err := a.Look(t.Context(), "parts", console.Query{"channel": {"nobody"}, "from": {"0"}, "to": {"1"}, "points": {"1"}}); err == nil || !strings.Contains(err.Error(), "nobody") {
		t.Error(err)
	}
}

// A moment of the past is what the segments hold then, and what a rosette's budget
// makes of its grids are the values that stand beside them.
func TestMomentAndRosetteBudget(t *testing.T) {
	a := articleOfDemo(t, "1h")
	archive, err := a.archive.of(a.svc.data)
	if err != nil {
		t.Fatal(err)
	}
	names, first, last := archive.Columns()
	at := first/2 + last/2
	ms := fmt.Sprintf("%f", float64(at)/1e6)
	v, err := a.Look(t.Context(), "moment", console.Query{"time": {ms}})
	if err != nil {
		t.Fatal(err)
	}
	then := v.(map[string]sampleOf)
	if len(then) != len(names) {
		t.Errorf("%d of %d columns", len(then), len(names))
	}
	for _, name := range names {
		trace, err := archive.Trace(t.Context(), name, at-6e9, at+6e9, 10_000)
		if err != nil || !trace.Raw {
			t.Fatal(err)
		}
		nearest := trace.Bins[0]
		for _, b := range trace.Bins {
			if max(b.First-at, at-b.First) < max(nearest.First-at, at-nearest.First) {
				nearest = b
			}
		}
		s := then[name]
		if got := floatOrNaN(s.Value); got != nearest.Mean && (got == got || nearest.Mean == nearest.Mean) || s.Flags != nearest.Flags {
			t.Errorf("%s: %v %x, want %g %x", name, s.Value, s.Flags, nearest.Mean, nearest.Flags)
		}
	}
	if _, err := a.Look(t.Context(), "moment", console.Query{"time": {"0"}}); err == nil || !strings.Contains(err.Error(), "2026") {
		t.Errorf("1970: %v", err)
	}
	k := a.svc.current.Load()
	for _, e := range k.test.Rosettes.Entries {
		var strains []string
		for _, g := range e.Value.Grids {
			strains = append(strains, fmt.Sprint(*then[g.Text+" [m/m]"].Value))
		}
		v, err := a.Look(t.Context(), "rosette", console.Query{"name": {e.Name}, "strains": {strings.Join(strains, ",")}, "time": {ms}})
		if err != nil {
			t.Fatal(err)
		}
		w := v.(*wellKnown)
		for _, x := range w.Values {
			want := *then[e.Name+" "+x.Name+" ["+x.Unit+"]"].Value
			if x.Value == nil || !(math.Abs(*x.Value-want) <= 1e-9*math.Abs(want)+1e-15) {
				t.Errorf("%s %s: %v, the segment holds %g", e.Name, x.Name, x.Value, want)
			}
			if x.Expanded == nil || !(*x.Expanded > 0 && *x.Expanded < 2e6) {
				t.Errorf("%s %s ± %v", e.Name, x.Name, x.Expanded)
			}
		}
		if all := strings.Join(w.In, "|"); !strings.Contains(all, "gauge factor of lot grids") || strings.Count(all, "noise of") != len(e.Value.Grids) {
			t.Errorf("in it: %q", w.In)
		}
		if !strings.Contains(strings.Join(w.Out, "|"), "Young's modulus (stated without ±)") {
			t.Errorf("not in it: %q", w.Out)
		}
	}
	for _, q := range []console.Query{{"name": {"none"}}, {"name": {"strap"}, "strains": {"1e-6"}}, {"name": {"strap"}, "strains": {"x,0,0"}}, {"name": {"strap"}, "strains": {"0,0,0"}, "time": {"x"}}} {
		if _, err := a.Look(t.Context(), "rosette", q); err == nil {
			t.Errorf("%v was answered", q)
		}
	}
}

func floatOrNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
