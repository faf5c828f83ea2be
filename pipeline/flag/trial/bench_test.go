package trial

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/simulate"
	"glueline/pipeline/testfile"
)

// span is how much data a frame of a trial has.
const span = time.Second

// setting is a simulated test and what becomes of it on its way to the reduction.
type setting struct {
	start    time.Time // simulate.DefaultStart when zero
	rate     float64   // Hz; 10 when 0
	duration time.Duration
	faults   []simulate.Fault
	events   []event.Event // beside those of the simulation; their times by after
	edit     []string      // of the test file: what stands there, what shall, and so on, each once
	overtake string        // a source: of its two frames from overtaken on the later one comes first
	at       time.Duration
}

// origin of the times of events in settings.
var origin = simulate.DefaultStart

func after(d time.Duration) time.Time { return origin.Add(d) }

func (s setting) options() simulate.Options {
	o := simulate.Options{Seed: 3, Start: s.start, Rate: s.rate, Duration: s.duration, Faults: s.faults, Flicker: 20e-9}
	if o.Rate == 0 {
		o.Rate = 10
	}
	if o.Faults == nil {
		o.Faults = simulate.NoFaults
	}
	return o
}

// delivery is what comes to a reduction, in its order.
type delivery struct {
	plan   *group.Plan
	frames []*frame.Frame
	events []event.Event // by time
	rows   map[string]int
}

func (s setting) deliver(t testing.TB) delivery {
	t.Helper()
	stream, err := simulate.NewStream(s.options(), span)
	if err != nil {
		t.Fatal(err)
	}
	text := string(stream.TestFile())
	for i := 0; i+1 < len(s.edit); i += 2 {
		if !strings.Contains(text, s.edit[i]) {
			t.Fatalf("the test file has no %q", s.edit[i])
		}
		text = strings.Replace(text, s.edit[i], s.edit[i+1], 1)
	}
	d := delivery{plan: planOf(t, text), events: eventsOf(t, stream), rows: map[string]int{}}
	shift := time.Duration(0)
	if !s.start.IsZero() {
		shift = s.start.Sub(origin)
	}
	for _, e := range s.events {
		e.Time = e.Time.Add(shift)
		d.events = append(d.events, e)
	}
	slices.SortStableFunc(d.events, func(a, b event.Event) int { return a.Time.Compare(b.Time) })
	for f := stream.Next(); f != nil; f = stream.Next() {
		d.frames = append(d.frames, clone(f))
		d.rows[f.Source] += f.Rows()
	}
	if s.overtake != "" {
		d.overtake(t, s.overtake, uint64(math.Round(s.at.Seconds()*s.options().Rate)))
	}
	return d
}

// overtake has the frame of a row come behind the next one of its source.
func (d *delivery) overtake(t testing.TB, source string, row uint64) {
	t.Helper()
	for i, f := range d.frames {
		if f.Source != source || row < f.Counter || row >= f.Counter+uint64(f.Rows()) {
			continue
		}
		for k := i + 1; k < len(d.frames); k++ {
			if d.frames[k].Source == source {
				f.Late = true // as whoever keeps the order of frames finds
				d.frames = slices.Insert(d.frames, k+1, f)
				d.frames = slices.Delete(d.frames, i, i+1)
				return
			}
		}
	}
	t.Fatalf("no frame of %s to overtake at row %d", source, row)
}

func planOf(t testing.TB, text string) *group.Plan {
	t.Helper()
	test, err := testfile.Parse("hollin.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil || len(plans) != 1 {
		t.Fatalf("%d plans: %v", len(plans), err)
	}
	return plans[0]
}

func eventsOf(t testing.TB, stream *simulate.Stream) []event.Event {
	t.Helper()
	lines, err := stream.Events()
	if err != nil {
		t.Fatal(err)
	}
	events, err := event.Read("events.jsonl", bytes.NewReader(lines))
	if err != nil {
		t.Fatal(err)
	}
	return events
}

func clone(f *frame.Frame) *frame.Frame {
	c := *f
	c.Time = slices.Clone(f.Time)
	c.Columns = slices.Clone(f.Columns)
	for i := range c.Columns {
		k := &c.Columns[i]
		k.Float, k.Counts, k.Valid = slices.Clone(k.Float), slices.Clone(k.Counts), slices.Clone(k.Valid)
	}
	return &c
}

// results are the flags and the bits of the strains of channels, by the rows of
// their sources.
type results struct {
	flags  map[string][]flag.Mask
	strain map[string][]uint64
}

// bench is a reduction at work.
type bench struct {
	testing.TB
	delivery
	reducer *group.Reducer
	results
	batch group.Batch
	told  int // events
}

func newBench(t testing.TB, d delivery) *bench {
	b := &bench{TB: t, delivery: d, reducer: group.NewReducer(d.plan)}
	b.flags, b.strain = map[string][]flag.Mask{}, map[string][]uint64{}
	for _, source := range d.plan.Sources() {
		for _, f := range d.plan.Fields(source) {
			switch f.Quantity {
			case group.FlagMask:
				b.flags[f.Of] = make([]flag.Mask, d.rows[source])
			case group.Strain, group.Shear, group.Indicated:
				b.strain[f.Of] = make([]uint64, d.rows[source])
			}
		}
	}
	return b
}

// take reduces one frame, behind the events that were published before its end.
func (b *bench) take(f *frame.Frame) {
	b.Helper()
	for newest := f.Time[f.Rows()-1]; b.told < len(b.events) && b.events[b.told].Time.UnixNano() <= newest; b.told++ {
		b.reducer.Event(b.events[b.told])
	}
	if err := b.reducer.Reduce(f, &b.batch); err != nil {
		b.Fatal(err)
	}
	for i, field := range b.plan.Fields(f.Source) {
		switch field.Quantity {
		case group.FlagMask:
			for row, m := range b.batch.Columns[i].Flags {
				b.flags[field.Of][f.Counter+uint64(row)] = flag.Mask(m)
			}
		case group.Strain, group.Shear, group.Indicated:
			for row, e := range b.batch.Columns[i].Float {
				b.strain[field.Of][f.Counter+uint64(row)] = math.Float64bits(e)
			}
		}
	}
}

// restart goes on from the state as it is written.
func (b *bench) restart() {
	b.Helper()
	text, err := json.Marshal(b.reducer.State())
	if err != nil {
		b.Fatal(err)
	}
	state, err := b.plan.ReadState(text)
	if err != nil {
		b.Fatal(err)
	}
	b.reducer = group.NewReducerAt(b.plan, state)
}

// reduced is all of a delivery without a restart.
func reduced(t testing.TB, d delivery) results {
	t.Helper()
	b := newBench(t, d)
	for _, f := range d.frames {
		b.take(f)
	}
	return b.results
}
