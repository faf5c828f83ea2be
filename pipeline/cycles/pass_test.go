package cycles

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
)

// A bending bridge is exactly linear, so that strain from one zero and from
// another differ by a constant but for the last bits.
const article = `
test: {name: a beam, zone: UTC}
sources: {node: {rate: 10 Hz, unit: mV/V, range: 40 mV/V}}
lots: {A: {resistance: 350 ohm, gauge-factor: 2.0}}
gauges: {g1: {lot: A}, g2: {lot: A}}
positions: {beam: {material: carbon-steel}}
wiring:
  - {position: beam, gauge: g1, input: node/A1}
channels:
  beam: {bridge: half_bending}
`

var start = time.Date(2026, 1, 2, 12, 0, 0, 0, time.UTC)

func planOf(t *testing.T, text string) *group.Plan {
	t.Helper()
	test, err := testfile.Parse("beam.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	return plans[0]
}

// rows is a frame of one reading, in mV/V, every 0.1 s.
func rows(i int, ratio ...float64) *frame.Frame {
	f := &frame.Frame{Source: "node", Columns: []frame.Column{{Name: "A1", Float: ratio}, {Name: "A2", Float: ratio}}}
	for k := range ratio {
		f.Time = append(f.Time, start.UnixNano()+int64(i+k)*1e8)
	}
	return f
}

func zero(state, kind string, row int) event.Event {
	return event.Event{Event: "zero", State: state, Kind: kind, Time: start.Add(time.Duration(row) * 100 * time.Millisecond)}
}

// counted reduces readings in frames, with events ahead of them, and counts them
// cut by cut; restarts has the pass be stored and restored at each cut.
func counted(t *testing.T, p *group.Plan, ratio []float64, events []event.Event, frameRows, cutFrames int, restarts bool) Count {
	t.Helper()
	curveOf := func(string) Curve { return curve }
	pass, err := NewPass(p, curveOf)
	if err != nil {
		t.Fatal(err)
	}
	r := group.NewReducer(p)
	for _, e := range events {
		r.Event(e)
	}
	var cut []*group.Batch
	end := func() {
		pass.Cut(r.Zeros())
		for _, b := range cut {
			if err := pass.Append(b); err != nil {
				t.Fatal(err)
			}
		}
		cut = nil
		if !restarts {
			return
		}
		text, err := pass.State()
		if err != nil {
			t.Fatal(err)
		}
		if pass, err = RestorePass(text, p, curveOf); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
	}
	for i := 0; i < len(ratio); i += frameRows {
		b := new(group.Batch)
		if err := r.Reduce(rows(i, ratio[i:min(i+frameRows, len(ratio))]...), b); err != nil {
			t.Fatal(err)
		}
		if cut = append(cut, b); len(cut) == cutFrames {
			end()
		}
	}
	end()
	counts := pass.Counts()
	if len(counts) != 1 || counts[0].Channel != "beam" || counts[0].Source != "node" {
		t.Fatalf("counts of %+v", counts)
	}
	return counts[0].Count
}

// Zeros taken through a test, wherever its files are cut and whenever it is
// restarted, count as if only the first had been.
func TestPassThroughZeros(t *testing.T) {
	p := planOf(t, article)
	r := rand.New(rand.NewPCG(10, 4))
	for draw := range 60 {
		ratio := make([]float64, 120)
		for i := range ratio {
			ratio[i] = 0.02 * float64(r.IntN(200)) // mV/V: 20 microstrain a step
		}
		first := []event.Event{zero("begin", "installation", 0), zero("end", "installation", 5)}
		events := slices.Clone(first)
		for at := 6; at < 110; at += 8 + r.IntN(30) {
			kind := []string{"test", "test", "tare"}[r.IntN(3)]
			events = append(events, zero("begin", kind, at), zero("end", kind, at+1+r.IntN(4)))
		}
		want := counted(t, p, ratio, first, 120, 1, false)
		got := counted(t, p, ratio, events, 1+r.IntN(12), 1+r.IntN(6), draw%2 == 0)
		if !equal(got, want) {
			t.Fatalf("draw %d: %+v, want %+v", draw, got, want)
		}
		if want.LeftOut != 5 || want.Samples != 115 || want.Largest < 100 {
			t.Fatalf("draw %d: an unlikely count %+v", draw, want)
		}
	}
}

// Another gauge at the same place neither makes nor closes a cycle, nor does the
// first one when it is back with the zero that it had.
func TestPassThroughAnotherGauge(t *testing.T) {
	at := func(seconds int) string { return start.Add(time.Duration(seconds) * time.Second).Format(time.RFC3339) }
	p := planOf(t, strings.Replace(article, "input: node/A1}", fmt.Sprintf(`input: node/A1, to: %s}
  - {position: beam, gauge: g2, input: node/A2, from: %[1]s, to: %s}
  - {position: beam, gauge: g1, input: node/A1, from: %[2]s}`, at(3), at(6)), 1))
	ratio := make([]float64, 90)
	for i := range ratio {
		ratio[i] = 0.01 * float64(i%30) // rises with each gauge, from its zero on
	}
	events := []event.Event{zero("begin", "test", 0), zero("end", "test", 1), zero("begin", "test", 30), zero("end", "test", 31)}
	got := counted(t, p, ratio, events, 7, 2, true)
	if got.Closed+got.Open != 1 || got.LeftOut != 2 {
		t.Errorf("one way up over two replacements: %+v", got)
	}
}

// A changed constant moves what is measured and not what is counted.
func TestPassThroughAnotherCalibration(t *testing.T) {
	before, after := planOf(t, article), planOf(t, strings.Replace(article, "gauge-factor: 2.0", "gauge-factor: 1.0", 1))
	pass, err := NewPass(before, func(string) Curve { return curve })
	if err != nil {
		t.Fatal(err)
	}
	take := func(strain ...float64) {
		t.Helper()
		b := &group.Batch{Source: "node", Rows: len(strain), Time: make([]int64, len(strain))}
		for _, f := range before.Fields("node") {
			c := group.Column{Flags: make([]uint32, len(strain))}
			if f.Kind == group.Number {
				c = group.Column{Float: strain}
			}
			b.Columns = append(b.Columns, c)
		}
		if err := pass.Append(b); err != nil {
			t.Fatal(err)
		}
	}
	take(0, 1e-4)
	if err := pass.Use(after); err != nil {
		t.Fatal(err)
	}
	take(2e-4, 2.1e-4)
	if n := pass.Counts()[0].Count; n.Largest != 110 || n.Closed+n.Open != 1 {
		t.Errorf("%+v", n)
	}
	if err := pass.Use(after); err != nil { // the same constants
		t.Fatal(err)
	}
	take(1.1e-4)
	if n := pass.Counts()[0].Count; n.Closed+n.Open != 2 || n.Samples != 5 {
		t.Errorf("%+v", n)
	}
	if err := pass.Append(&group.Batch{Source: "node"}); !errors.Is(err, ErrBatch) {
		t.Errorf("rows without columns: %v", err)
	}
}

// A zero that was carried over work since is no reading that the old one knew.
func TestPassThroughACarriedZero(t *testing.T) {
	p := planOf(t, article)
	pass, err := NewPass(p, func(string) Curve { return Curve{} })
	if err != nil {
		t.Fatal(err)
	}
	old := group.ZeroInForce{Channel: "beam", Standing: group.Replaced, Until: start.UnixNano()}
	next := group.ZeroInForce{Channel: "beam", Standing: group.InForce}
	next.Zero.Ratio = 1e-3
	next.Zero.Temperature, next.Zero.LeadTemperature = math.NaN(), math.NaN()
	for carried, want := range map[string]bool{"": true, "balance of beam": false} {
		if next.Carried = nil; carried != "" {
			next.Carried = []string{carried}
		}
		pass.Cut([]group.ZeroInForce{next, old})
		f := pass.channels[0]
		if len(f.moves) != 1 || (f.moves[0].Moved != nil) != want {
			t.Errorf("carried over %q: %+v", carried, f.moves)
		} else if want && math.Abs(float64(*f.moves[0].Moved)-1e-3) > 1e-15 { // by hand: r = F e / 2, F = 2
			t.Errorf("moved by %g", *f.moves[0].Moved)
		}
		f.moves = nil
	}
	if flag.LeavesOut&flag.Replaced == 0 {
		t.Error("rows of a replaced gauge count")
	}
}
