package verify_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// beam is a test of two sources, one of them slower.
const beam = `
test: {name: beam, zero: {first: 1 s}}
sources:
  node: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 20 ms}
  logger: {rate: 1 Hz, unit: degC}
lots: {A: {resistance: 350 ohm, gauge-factor: 2.08, transverse-sensitivity: 0.9 %}}
materials: {plate: {young: 206 GPa, poisson: 0.3, expansion: 11.5e-6 /K}}
gauges: {g1: {lot: A}, g2: {lot: A}}
positions: {deck: {material: plate}, web: {material: plate}}
wiring:
  - {position: deck, gauge: g1, input: node/A1}
  - {position: web, gauge: g2, input: node/A2}
temperatures: {air: {input: logger/T1, max-age: 5 s}}
channels:
  deck: {bridge: quarter_3wire, temperature: air}
  web: {bridge: quarter_3wire, temperature: air}
`

func plansOf(t *testing.T, text string) []*group.Plan {
	t.Helper()
	test, err := testfile.Parse("beam.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	return plans
}

var program = segment.Program{Version: "test", Architecture: "any"}

// messages is a journal in memory.
type messages struct{ all []journal.Message }

func (m *messages) Next(ctx context.Context) (journal.Message, error) {
	if len(m.all) == 0 {
		<-ctx.Done()
		return journal.Message{}, ctx.Err()
	}
	next := m.all[0]
	m.all = m.all[1:]
	return next, nil
}

func (m *messages) add(kind journal.Kind, source, subject string, header map[string][]string, data []byte) {
	m.all = append(m.all, journal.Message{Seq: uint64(len(m.all) + 1), Kind: kind, Source: source, Subject: subject, Header: header, Data: data})
}

var start = time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)

func (m *messages) event(t *testing.T, e event.Event, id string) {
	t.Helper()
	text, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	m.add(journal.EventMessage, "", "event", map[string][]string{journal.HeaderEventID: {id}}, text)
}

func (m *messages) frame(t *testing.T, f *frame.Frame) {
	t.Helper()
	payload, err := new(frame.WireEncoder).Append(nil, f)
	if err != nil {
		t.Fatal(err)
	}
	m.add(journal.FrameMessage, f.Source, "frame", map[string][]string{
		frame.HeaderSource: {f.Source}, frame.HeaderBoot: {f.Boot},
		frame.HeaderFrame: {strconv.FormatUint(f.Number, 10)}, frame.HeaderCounter: {strconv.FormatUint(f.Counter, 10)},
	}, payload)
}

// cuts is how many a sound folder has.
const cuts = 4

// given is a journal with what may happen: a repeated frame, a refused message,
// an event that comes twice, a late frame, a source that starts again, a cut in
// which nothing came.
func given(t *testing.T) *messages {
	m := new(messages)
	m.add(journal.ControlMessage, "", "control", nil, []byte("{}"))
	nodeNumber, loggerNumber := uint64(0), uint64(0)
	boot := "a"
	second := func(s int) {
		at := start.Add(time.Duration(s) * time.Second)
		m.frame(t, &frame.Frame{Source: "logger", Boot: "l", Number: loggerNumber, Counter: loggerNumber, Time: []int64{at.UnixNano()},
			Columns: []frame.Column{{Name: "T1", Unit: "degC", Float: []float64{20 + float64(s)/7}}}})
		loggerNumber++
		for half := range 2 {
			f := &frame.Frame{Source: "node", Boot: boot, Number: nodeNumber, Counter: nodeNumber * 5,
				Columns: []frame.Column{{Name: "A1", Unit: "mV/V"}, {Name: "A2", Unit: "mV/V"}}}
			for i := range 5 {
				f.Time = append(f.Time, at.Add(time.Duration(half*5+i)*100*time.Millisecond).UnixNano())
				x := float64(s) + float64(half*5+i)/10
				f.Columns[0].Float = append(f.Columns[0].Float, 0.1+math.Sin(x/3))
				f.Columns[1].Float = append(f.Columns[1].Float, 0.2+math.Cos(x/5)/3)
			}
			nodeNumber++
			m.frame(t, f)
			if s == 3 && half == 0 {
				m.frame(t, f) // its acknowledgement was lost
			}
		}
	}
	cut := func(s int, id string) {
		m.event(t, event.Event{Event: event.Cut, Time: start.Add(time.Duration(s) * time.Second), Who: "test"}, id)
	}
	for s := range 6 {
		second(s)
	}
	m.event(t, event.Event{Event: "note", Text: "calm", Time: start.Add(6 * time.Second)}, "n1")
	m.event(t, event.Event{Event: "note", Text: "calm", Time: start.Add(6 * time.Second)}, "n1")
	cut(6, "c1")
	for s := 6; s < 12; s++ {
		second(s)
	}
	m.add(journal.FrameMessage, "node", "frame", nil, []byte("no frame"))
	cut(12, "c2")
	cut(12, "c3")
	boot, nodeNumber = "b", 0
	for s := 12; s < 16; s++ {
		second(s)
	}
	last, before := len(m.all)-1, len(m.all)-2
	m.all[last].Data, m.all[before].Data = m.all[before].Data, m.all[last].Data
	m.all[last].Header, m.all[before].Header = m.all[before].Header, m.all[last].Header
	cut(16, "c4")
	return m
}

// recalibrated is that journal with another calibration in the place of its
// third cut.
func recalibrated(t *testing.T, digest string) *messages {
	t.Helper()
	m := given(t)
	for i := range m.all {
		if m.all[i].Get(journal.HeaderEventID) == "c3" {
			text, err := json.Marshal(event.Event{Event: event.Calibration, Digest: digest, Who: "test", Time: start})
			if err != nil {
				t.Fatal(err)
			}
			m.all[i].Data = text
		}
	}
	return m
}

// fill makes a data folder as serve does.
func fill(t *testing.T, dir, test string) {
	t.Helper()
	fillFrom(t, dir, test, given(t), nil)
}

func fillFrom(t *testing.T, dir, test string, from *messages, plans func(digest string) *group.Plan) {
	t.Helper()
	raw, reduced := filepath.Join(dir, "raw"), filepath.Join(dir, "r1")
	for _, d := range []string{raw, reduced} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	plan := plansOf(t, test)[0]
	kept, err := archive.NewSink(disk.At(raw), "beam", plan.Name, program, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	committed := 0
	live := &worker.Live{
		Plan: plan, Identity: "journal-1", Archive: kept,
		Sinks:      []worker.Sink{segment.NewSink(disk.At(reduced), "beam", plan, program)},
		Quarantine: func(context.Context, journal.Message, frame.Reason, string) error { return nil },
		Committed: func(worker.End) {
			if committed++; committed == cuts {
				stop()
			}
		},
		Log: slog.New(slog.DiscardHandler),
	}
	if plans != nil {
		live.Plans = func(digest string) (*group.Plan, error) { return plans(digest), nil }
	}
	if err := live.Run(ctx, from); err != nil {
		t.Fatal(err)
	}
	if committed != cuts {
		t.Fatalf("%d cuts, want %d", committed, cuts)
	}
}

// again copies the archive of one folder to another through its own reader and
// writer, so that everything agrees but what change does: it may append an item
// more than once, elsewhere, or not at all.
func again(t *testing.T, from, to string, change func(cut uint64, i worker.Item, add func(worker.Item))) {
	t.Helper()
	sink, err := archive.NewSink(disk.At(to), "beam", "main", program, nil)
	if err != nil {
		t.Fatal(err)
	}
	for cut := range uint64(cuts) {
		record, err := archive.Read(from, "main", cut)
		if err != nil {
			t.Fatal(err)
		}
		r, err := archive.Open(from, record)
		if err != nil {
			t.Fatal(err)
		}
		for {
			i, err := r.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			change(cut, i, func(i worker.Item) {
				if i.Event != nil {
					sink.Event(*i.Event)
				} else if err := sink.Append(i.Frame, i.Place); err != nil {
					t.Fatal(err)
				}
			})
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		err = sink.Cut(worker.End{Journal: record.Journal, First: record.First, Last: record.Last, Refused: record.Refused, Repeated: record.Repeated, State: record.State})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// What a digest looks like, for two calibrations.
const earlyDigest, lateDigest = "ea00000000000000", "1a7e000000000000"
