package worker

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
)

// A strain node whose temperature is on one of its own inputs, and a second one
// that comes between.
const bench = `
test: {name: bench, limits: {strain: 900 um/m}}
sources:
  node: {rate: 1000 Hz, clock-tolerance: 20 ms, inputs: {A: {unit: V/V}, T: {unit: degC}}}
  other: {rate: 7 Hz, unit: V/V}
lots:
  one:
    resistance: 350 ohm
    gauge-factor: 2
    thermal-output: {in: microstrain, of: degC, coefficients: [0, 3, -0.1], material-expansion: 12e-6 /K, from: -50 degC, to: 200 degC}
materials: {plate: {young: 200 GPa, poisson: 0.3, expansion: 12e-6 /K}}
gauges: {a: {lot: one}, b: {lot: one}}
positions: {a: {material: plate}, b: {material: plate}}
wiring:
  - {position: a, gauge: a, input: node/A}
  - {position: b, gauge: b, input: other/B}
channels:
  a: {bridge: quarter_3wire, temperature: t}
  b: {bridge: quarter_3wire, temperature: t}
temperatures:
  t: {input: node/T}
`

func newWork(t testing.TB, sinks ...Sink) *Work {
	t.Helper()
	test, err := testfile.Parse("bench.yaml", []byte(bench), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil || len(plans) != 1 {
		t.Fatalf("%d plans: %v", len(plans), err)
	}
	return &Work{Plan: plans[0], Sinks: sinks}
}

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

func at(seconds float64) time.Time { return start.Add(time.Duration(seconds * 1e9)) }

// rowsPerFrame of the node: 50 ms.
const rowsPerFrame = 50

// nodeRows are rows of the node, all with other readings; extra columns make
// them as wide as a test wants.
func nodeRows(rows, extra int) *frame.Frame {
	f := &frame.Frame{Source: "node", Boot: "file", Time: make([]int64, rows)}
	a, t := make([]float64, rows), make([]float64, rows)
	for i := range rows {
		f.Time[i] = start.UnixNano() + int64(i)*1e6
		a[i], t[i] = 1e-4*math.Sin(float64(i)/300), 20+float64(i)/100+math.Sin(float64(i))
	}
	f.Columns = []frame.Column{{Name: "A", Float: a}, {Name: "T", Float: t}}
	for i := range extra {
		f.Columns = append(f.Columns, frame.Column{Name: fmt.Sprint("X", i), Float: a})
	}
	return f
}

// pieces cuts a frame at rows that next says how many of.
func pieces(f *frame.Frame, next func() int) (list []*frame.Frame) {
	for from := 0; from < f.Rows(); {
		to := min(f.Rows(), from+next())
		piece := f.Slice(from, to)
		list = append(list, &piece)
		from = to
	}
	return list
}

// frameList gives frames, and then an error or the end.
type frameList struct {
	frames []*frame.Frame
	each   func(i int) // called before frame i
	end    error
	given  int
}

func (l *frameList) NextRun() (*frame.Frame, error) {
	if l.given == len(l.frames) {
		if l.end != nil {
			return nil, l.end
		}
		return nil, io.EOF
	}
	if l.each != nil {
		l.each(l.given)
	}
	l.given++
	return l.frames[l.given-1], nil
}

// recorder is a sink that keeps what matters of what it is given.
type recorder struct {
	plan    *group.Plan
	rows    int
	values  []string // a row each, when wanted
	cuts    []int    // rows so far at each cut
	aborts  int
	batches map[*group.Batch]bool
	columns map[*float64]bool // where the first column's memory begins
	fail    func(rows int) error
	failCut error
}

func (r *recorder) Append(b *group.Batch) error {
	if r.fail != nil {
		if err := r.fail(r.rows); err != nil {
			return err
		}
	}
	r.rows += b.Rows
	if r.batches != nil {
		r.batches[b] = true
		r.columns[&b.Columns[0].Float[0]] = true
	}
	if r.plan == nil {
		return nil
	}
	for row := range b.Rows {
		var s strings.Builder
		fmt.Fprintf(&s, "%s %d", b.Source, b.Time[row])
		for i, f := range r.plan.Fields(b.Source) {
			if f.Kind == group.Flags {
				fmt.Fprintf(&s, " %x", b.Columns[i].Flags[row])
			} else {
				fmt.Fprintf(&s, " %x", math.Float64bits(b.Columns[i].Float[row]))
			}
		}
		r.values = append(r.values, s.String())
	}
	return nil
}

func (r *recorder) Cut([]group.ZeroInForce) error {
	r.cuts = append(r.cuts, r.rows)
	return r.failCut
}

func (r *recorder) Abort() error { r.aborts++; return nil }

func zero(state string, seconds float64) event.Event {
	return event.Event{Event: "zero", Kind: "test", State: state, Time: at(seconds)}
}

// Rows, values and flags are the same whether frames come one by one, in runs,
// or all at once, with events that fall on, between and within them, and with a
// temperature that is read by the same source as the strain.
func TestRunsGiveWhatSingleFramesGive(t *testing.T) {
	whole := nodeRows(20_030, 0) // its last frame is short, and it is longer than a batch
	events := []event.Event{
		zero("begin", 0.1), zero("end", 0.4999), // within frames
		{Event: "shunt", State: "on", Channel: "a", Time: at(1)}, // on a frame's border
		{Event: "shunt", State: "off", Channel: "a", Time: at(1.0005)},
		{Event: "handling", State: "begin", Channel: "a", Time: at(9.999)},
		{Event: "handling", State: "end", Channel: "a", Time: at(10.05)},
		{Event: "note", Text: "long after", Time: at(1e6)},
	}
	random := rand.New(rand.NewPCG(1, 2))
	var want []string
	for name, next := range map[string]func() int{
		"":            func() int { return rowsPerFrame },
		"seven":       func() int { return 7 * rowsPerFrame },
		"random runs": func() int { return rowsPerFrame * (1 + random.IntN(150)) },
		"all at once": func() int { return whole.Rows() },
	} {
		record := &recorder{}
		work := newWork(t, record)
		record.plan = work.Plan
		if err := Offline(t.Context(), &frameList{frames: pieces(whole, next)}, slices.Clone(events), []*Work{work}); err != nil {
			t.Fatal(err)
		}
		if want == nil {
			want = record.values
			continue
		}
		if len(record.values) != whole.Rows() {
			t.Fatalf("%s: %d rows", name, len(record.values))
		}
		for i := range want {
			if record.values[i] != want[i] {
				t.Errorf("%s: row %d is\n%s, in other frames\n%s", name, i, record.values[i], want[i])
				break
			}
		}
	}
}

// A row's own temperature, to the tolerance of the clock and the end of its
// frame, not the newest of a run.
func TestTemperatureOfTheSameSource(t *testing.T) {
	whole := nodeRows(9000, 0)
	for i := range whole.Rows() {
		whole.Columns[1].Float[i] = float64(i) / 100
		whole.Columns[0].Float[i] = 0
	}
	record := &recorder{}
	work := newWork(t, record)
	strain := &strains{of: "a [m/m]", plan: work.Plan}
	work.Sinks = append(work.Sinks, strain)
	events := []event.Event{zero("begin", 0), zero("end", 0.001)}
	if err := Offline(t.Context(), &frameList{frames: []*frame.Frame{whole}}, events, []*Work{work}); err != nil {
		t.Fatal(err)
	}
	// By thermal output alone: 3 um/m/K less 0.1 um/m/K2 at the reference factor
	// 2 = the gauge factor, so that the strain is minus that of its temperature.
	// The zero is row 0, whose reading is that of 20 ms.
	output := func(celsius float64) float64 { return 1e-6 * (3*(celsius-0.2) - 0.1*(celsius*celsius-0.2*0.2)) }
	for i := 1; i < 9000; i++ {
		// Readings that count are 20 ms apart; the newest that is no more than 20
		// ms ahead is at most so much ahead or behind.
		low, high := -output(float64(i+20)/100), -output(float64(i-20)/100)
		low, high = math.Min(low, high), math.Max(low, high)
		if e := strain.values[i]; !(e >= low-2e-8 && e <= high+2e-8) {
			t.Fatalf("row %d: %.4g, want %.4g to %.4g", i, e, low, high)
		}
	}
}

// strains is a sink that keeps one column.
type strains struct {
	of     string
	plan   *group.Plan
	values []float64
}

func (s *strains) Append(b *group.Batch) error {
	for i, f := range s.plan.Fields(b.Source) {
		if f.Name == s.of {
			s.values = append(s.values, b.Columns[i].Float...)
		}
	}
	return nil
}
func (s *strains) Cut([]group.ZeroInForce) error { return nil }
func (s *strains) Abort() error                  { return nil }

// An event takes effect at the first row of its time or later, of every source,
// wherever the frames of the others stand.
func TestEventsTakeEffectAtTheirTime(t *testing.T) {
	node := nodeRows(4000, 0)
	other := &frame.Frame{Source: "other", Boot: "file"}
	b := []float64{}
	for i := range 28 {
		other.Time = append(other.Time, start.UnixNano()+int64(i)*1e9/7)
		b = append(b, 1e-4*float64(i%5))
	}
	other.Columns = []frame.Column{{Name: "B", Float: b}}
	all := append(pieces(node, func() int { return rowsPerFrame }), pieces(other, func() int { return 1 })...)
	slices.SortStableFunc(all, func(a, b *frame.Frame) int { return int(a.Time[0] - b.Time[0]) })
	record := &recorder{}
	work := newWork(t, record)
	record.plan = work.Plan
	events := []event.Event{zero("begin", 0.2), zero("end", 2.0305)}
	if err := Offline(t.Context(), &frameList{frames: all}, events, []*Work{work}); err != nil {
		t.Fatal(err)
	}
	null := fmt.Sprintf("%x", math.Float64bits(math.NaN()))
	for _, line := range record.values {
		fields := strings.Fields(line)
		var ns int64
		if _, err := fmt.Sscan(fields[1], &ns); err != nil {
			t.Fatal(err)
		}
		if before := ns < at(2.0305).UnixNano(); (fields[2] == null) != before {
			t.Fatalf("%s at %v: %s", fields[0], time.Duration(ns-start.UnixNano()), fields[2])
		}
	}
	if len(record.values) != 4028 {
		t.Errorf("%d rows", len(record.values))
	}
}

// Files are cut behind the frame that reaches the size, however frames come.
func TestCutsStandAtTheSameFrames(t *testing.T) {
	whole := nodeRows(80_000, 248)
	perFrame := rowsPerFrame * (8 + 8*250)
	frames := (CutBytes + perFrame - 1) / perFrame
	var want []int
	for rows := frames * rowsPerFrame; rows < whole.Rows(); rows += frames * rowsPerFrame {
		want = append(want, rows)
	}
	want = append(want, whole.Rows()) // the end of the input
	if len(want) != 3 {
		t.Fatalf("cuts expected at %v", want)
	}
	random := rand.New(rand.NewPCG(3, 4))
	for name, next := range map[string]func() int{
		"single frames": func() int { return rowsPerFrame },
		"random runs":   func() int { return rowsPerFrame * (1 + random.IntN(400)) },
		"all at once":   func() int { return whole.Rows() },
	} {
		record := &recorder{}
		if err := Offline(t.Context(), &frameList{frames: pieces(whole, next)}, nil, []*Work{newWork(t, record)}); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(record.cuts, want) || record.aborts != 0 {
			t.Errorf("%s: cuts at %v, want %v; %d aborts", name, record.cuts, want, record.aborts)
		}
	}
}

// Whatever fails, its error comes out, every sink drops what is not durable,
// and nothing goes on running.
func TestFailures(t *testing.T) {
	broken := errors.New("broken")
	frames := func() *frameList { return &frameList{frames: pieces(nodeRows(60_000, 0), func() int { return 1000 })} }
	for _, c := range []struct {
		name  string
		begin func(l *frameList, r *recorder, cancel func()) []event.Event
		want  error
	}{
		{"sink, at once", func(_ *frameList, r *recorder, _ func()) []event.Event {
			r.fail = func(int) error { return broken }
			return nil
		}, broken},
		{"sink, later", func(_ *frameList, r *recorder, _ func()) []event.Event {
			r.fail = func(rows int) error {
				if rows > 30_000 {
					return broken
				}
				return nil
			}
			return nil
		}, broken},
		{"sink, at the cut", func(_ *frameList, r *recorder, _ func()) []event.Event { r.failCut = broken; return nil }, broken},
		{"input, at once", func(l *frameList, _ *recorder, _ func()) []event.Event { l.frames, l.end = nil, broken; return nil }, broken},
		{"input, at the end", func(l *frameList, _ *recorder, _ func()) []event.Event { l.end = broken; return nil }, broken},
		{"frame of no source", func(l *frameList, _ *recorder, _ func()) []event.Event { l.frames[20].Source = "mast"; return nil }, group.ErrFrame},
		{"frame without an input", func(l *frameList, _ *recorder, _ func()) []event.Event {
			l.frames[20].Columns = l.frames[20].Columns[:1]
			return nil
		}, group.ErrFrame},
		{"cancelled before", func(_ *frameList, _ *recorder, cancel func()) []event.Event { cancel(); return nil }, context.Canceled},
		{"cancelled in the middle", func(l *frameList, _ *recorder, cancel func()) []event.Event {
			l.each = func(i int) {
				if i == 30 {
					cancel()
				}
			}
			return nil
		}, context.Canceled},
	} {
		before := runtime.NumGoroutine()
		ctx, cancel := context.WithCancel(t.Context())
		l, failing, sound := frames(), &recorder{}, &recorder{}
		events := c.begin(l, failing, cancel)
		err := Offline(ctx, l, events, []*Work{newWork(t, sound, failing)})
		if !errors.Is(err, c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
		if errors.Is(c.want, broken) && errors.Is(err, context.Canceled) {
			t.Errorf("%s: the cause is hidden by its consequence: %v", c.name, err)
		}
		if failing.aborts != 1 || sound.aborts != 1 {
			t.Errorf("%s: %d and %d aborts", c.name, failing.aborts, sound.aborts)
		}
		// Its last instruction may be just ahead of one.
		for deadline := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > before; runtime.Gosched() {
			if time.Now().After(deadline) {
				t.Fatalf("%s: %d goroutines, before %d", c.name, runtime.NumGoroutine(), before)
			}
		}
		cancel()
	}
}

// A group without a frame is cut once, and nothing of it is dropped.
func TestNoFrames(t *testing.T) {
	record := &recorder{}
	if err := Offline(t.Context(), &frameList{}, []event.Event{zero("begin", 0)}, []*Work{newWork(t, record)}); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(record.cuts, []int{0}) || record.aborts != 0 || record.rows != 0 {
		t.Errorf("cuts %v, %d aborts, %d rows", record.cuts, record.aborts, record.rows)
	}
}

// However long the input, there are a few batches, and their memory is used
// again and again.
func TestBatchesAreUsedAgain(t *testing.T) {
	record := &recorder{batches: map[*group.Batch]bool{}, columns: map[*float64]bool{}}
	whole := pieces(nodeRows(2_000, 0), func() int { return 2_000 })[0]
	l := &frameList{}
	for range 2_000 {
		again := *whole
		l.frames = append(l.frames, &again)
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if err := Offline(t.Context(), l, nil, []*Work{newWork(t, record)}); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	if record.rows != 4_000_000 || len(record.batches) > batchesInFlight || len(record.columns) > batchesInFlight {
		t.Errorf("%d rows in %d batches of %d columns", record.rows, len(record.batches), len(record.columns))
	}
	if n := after.Mallocs - before.Mallocs; n > 20_000 {
		t.Errorf("%d allocations for 2000 frames", n)
	}
}
