package revise_test

import (
	"context"
	"encoding/json"
	"log/slog"
	"math"
	"math/rand/v2"
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

// quay is a test of two strain nodes that share a logger.
const quay = `
test: {name: quay, load: crane, zero: {first: 1 s}, limits: {strain: 1500 um/m}}
sources:
  east: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 20 ms}
  west: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 20 ms}
  logger: {rate: 1 Hz, unit: V, inputs: {T1: {unit: ohm}}}
lots:
  A: {resistance: 350 ohm, gauge-factor: 2.08, transverse-sensitivity: 0.9 %, thermal-output: {in: microstrain, of: degC, coefficients: [-20, 2, -0.05], material-expansion: 11.5e-6 /K, from: 0 degC, to: 60 degC}}
  B: {resistance: 120 ohm, gauge-factor: 2.11, transverse-sensitivity: 0.4 %}
materials: {plate: {young: 206 GPa, poisson: 0.3, expansion: 11.5e-6 /K}}
gauges: {g1: {lot: A}, g2: {lot: A}, g3: {lot: B}, g4: {lot: B}, ra: {lot: B}, rb: {lot: B}, rc: {lot: B}}
positions: {pile: {material: plate}, beam: {material: plate}, rail: {material: plate}, tie: {material: plate}, knee-a: {material: plate, angle: 0 deg}, knee-b: {material: plate, angle: 45 deg}, knee-c: {material: plate, angle: 90 deg}}
wiring:
  - {position: pile, gauge: g1, input: east/A1}
  - {position: beam, gauge: g2, input: east/A2}
  - {position: rail, gauge: g3, input: west/A1}
  - {position: tie, gauge: g4, input: west/A2}
  - {position: knee-a, gauge: ra, input: west/A3}
  - {position: knee-b, gauge: rb, input: west/A4}
  - {position: knee-c, gauge: rc, input: west/A5}
temperatures: {air: {input: logger/T1, sensor: pt100, r0: 100 ohm, max-age: 5 s}}
auxiliary: {crane: {quantity: load, input: logger/F1, unit: kN, polynomial: [0, 100]}}
channels:
  pile: {bridge: quarter_3wire, temperature: air, leads: {resistance: 1.1 ohm}}
  beam: {bridge: quarter_3wire, temperature: air}
  rail: {bridge: quarter_2wire, leads: {resistance: 0.8 ohm}}
  tie: {bridge: quarter_3wire}
  knee-a: {bridge: quarter_3wire, transverse: none}
  knee-b: {bridge: quarter_3wire, transverse: none}
  knee-c: {bridge: quarter_3wire, transverse: none}
rosettes:
  knee: {grids: [knee-a, knee-b, knee-c], form: rectangular, grid-a: 0 deg}
`

func planOf(t *testing.T, text string) *group.Plan {
	t.Helper()
	test, err := testfile.Parse("quay.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	return plans[0]
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

func (m *messages) add(kind journal.Kind, source string, header map[string][]string, data []byte) {
	m.all = append(m.all, journal.Message{Seq: uint64(len(m.all) + 1), Kind: kind, Source: source, Header: header, Data: data})
}

var start = time.Date(2026, 5, 6, 7, 8, 9, 0, time.UTC)

func at(s float64) time.Time { return start.Add(time.Duration(s * 1e9)) }

func (m *messages) event(t *testing.T, s float64, e event.Event) {
	t.Helper()
	e.Time, e.Who = at(s), "test"
	text, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	m.add(journal.EventMessage, "", map[string][]string{journal.HeaderEventID: {strconv.Itoa(len(m.all))}}, text)
}

func (m *messages) frame(t *testing.T, f *frame.Frame) {
	t.Helper()
	payload, err := new(frame.WireEncoder).Append(nil, f)
	if err != nil {
		t.Fatal(err)
	}
	m.add(journal.FrameMessage, f.Source, map[string][]string{
		frame.HeaderSource: {f.Source}, frame.HeaderBoot: {f.Boot},
		frame.HeaderFrame: {strconv.FormatUint(f.Number, 10)}, frame.HeaderCounter: {strconv.FormatUint(f.Counter, 10)},
	}, payload)
}

// cuts is how many the quay's journal has.
const cuts = 12

// recorded is what came on the quay: zeros and shunts with cuts inside them, a
// loaded article, a source that is silent for a while, cuts without frames.
func recorded(t *testing.T) *messages {
	m := new(messages)
	m.add(journal.ControlMessage, "", nil, []byte("{}"))
	random := rand.New(rand.NewPCG(3, 4))
	number := map[string]uint64{}
	node := func(source string, s int, level float64) {
		f := &frame.Frame{Source: source, Boot: "a", Number: number[source], Counter: number[source] * 10,
			Columns: []frame.Column{{Name: "A1", Unit: "mV/V"}, {Name: "A2", Unit: "mV/V"}}}
		number[source]++
		if source == "west" {
			f.Columns = append(f.Columns, frame.Column{Name: "A3", Unit: "mV/V"}, frame.Column{Name: "A4", Unit: "mV/V"}, frame.Column{Name: "A5", Unit: "mV/V"})
		}
		for i := range 10 {
			f.Time = append(f.Time, at(float64(s)+float64(i)/10).UnixNano())
			x := float64(s) + float64(i)/10
			f.Columns[0].Float = append(f.Columns[0].Float, level*math.Sin(x/3)+1e-4*random.NormFloat64())
			f.Columns[1].Float = append(f.Columns[1].Float, level*math.Cos(x/5)/2+1e-4*random.NormFloat64())
			for j := range f.Columns[2:] {
				f.Columns[2+j].Float = append(f.Columns[2+j].Float, level*math.Sin(x/4+float64(j))/3+1e-4*random.NormFloat64())
			}
		}
		m.frame(t, f)
	}
	logger := func(s int) {
		m.frame(t, &frame.Frame{Source: "logger", Boot: "l", Number: number["logger"], Counter: number["logger"], Time: []int64{at(float64(s)).UnixNano()},
			Columns: []frame.Column{{Name: "T1", Unit: "ohm", Float: []float64{108 + float64(s)/20}}, {Name: "F1", Unit: "V", Float: []float64{math.Abs(math.Sin(float64(s) / 9))}}}})
		number["logger"]++
	}
	cut := func(s int) { m.event(t, float64(s), event.Event{Event: event.Cut}) }
	for s := range 60 {
		switch s {
		case 2:
			m.event(t, 2, event.Event{Event: "load-state", State: "idle"})
		case 8:
			m.event(t, 8, event.Event{Event: "zero", State: "begin", Kind: "test", Name: "morning"})
		case 13:
			m.event(t, 13, event.Event{Event: "zero", State: "end", Kind: "test", Name: "morning"})
		case 18:
			m.event(t, 18, event.Event{Event: "shunt", State: "on", Channel: "rail"})
		case 22:
			m.event(t, 22, event.Event{Event: "shunt", State: "off", Channel: "rail"})
		case 24:
			m.event(t, 24, event.Event{Event: "load-state", State: "loaded"})
			m.event(t, 24, event.Event{Event: "step", State: "begin", Name: "first"})
		case 44:
			m.event(t, 44, event.Event{Event: "zero", State: "begin", Kind: "test", Name: "noon", Channel: "beam"})
		case 52:
			m.event(t, 52, event.Event{Event: "zero", State: "end", Kind: "test", Name: "noon", Channel: "beam"})
		}
		logger(s)
		level := 0.02
		if s > 24 && s < 40 {
			level = 1.2
		}
		node("east", s, level)
		if s < 28 || s > 35 {
			node("west", s, level/2)
		}
		if s%5 == 4 && s < 54 {
			cut(s + 1)
		}
	}
	cut(60)
	cut(60)
	return m
}

// reduceLive makes an archive and results as serve does.
func reduceLive(t *testing.T, dir string, plan *group.Plan, from *messages) {
	t.Helper()
	for _, d := range []string{"raw", "r1"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := archive.NewSink(disk.At(filepath.Join(dir, "raw")), "quay", plan.Name, program, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	committed := 0
	live := &worker.Live{
		Plan: plan, Identity: "journal-1", Archive: kept,
		Sinks: []worker.Sink{segment.NewSink(disk.At(filepath.Join(dir, "r1")), "quay", plan, program)},
		Quarantine: func(_ context.Context, m journal.Message, reason frame.Reason, detail string) error {
			t.Errorf("message %d: %s: %s", m.Seq, reason, detail)
			return nil
		},
		Committed: func(worker.End) {
			if committed++; committed == cuts {
				stop()
			}
		},
		Log: slog.New(slog.DiscardHandler),
	}
	if err := live.Run(ctx, from); err != nil {
		t.Fatal(err)
	}
	if committed != cuts {
		t.Fatalf("%d cuts, want %d", committed, cuts)
	}
}
