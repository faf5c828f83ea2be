package live

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"glueline/pipeline/frame/arrowipc"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
)

var _ worker.PlanSink = (*Sink)(nil)

const bench = `
test: {name: bench}
sources: {node: {rate: 100 Hz, unit: V/V}}
lots: {l: {resistance: 350 ohm, gauge-factor: 2}}
materials: {plate: {young: 200 GPa, poisson: 0.3, expansion: 12e-6 /K}}
gauges: {a: {lot: l}}
positions: {a: {material: plate}}
wiring: [{position: a, gauge: a, input: node/A}]
channels: {a: {bridge: quarter_3wire}}
`

func planOf(t testing.TB) *group.Plan {
	t.Helper()
	test, err := testfile.Parse("bench.yaml", []byte(bench), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	return plans[0]
}

// batch has the given strains, whose stress is a thousandfold, with a flag on
// the last row.
func batch(p *group.Plan, strains ...float64) *group.Batch {
	b := &group.Batch{Source: "node", Rows: len(strains), Time: make([]int64, len(strains)), Counter: make([]uint64, len(strains))}
	for i := range strains {
		b.Time[i], b.Counter[i] = int64(i)*1e7, uint64(i)
	}
	for _, f := range p.Fields("node") {
		c := group.Column{Float: make([]float64, len(strains))}
		switch {
		case f.Kind == group.Flags:
			c = group.Column{Flags: make([]uint32, len(strains))}
			if len(strains) > 0 {
				c.Flags[len(strains)-1] = 4
			}
		case f.Quantity == group.Strain:
			copy(c.Float, strains)
		default:
			for i, v := range strains {
				c.Float[i] = 1000 * v
			}
		}
		b.Columns = append(b.Columns, c)
	}
	return b
}

// heard keeps what is published.
type heard struct {
	mutex    sync.Mutex
	messages map[string][][]byte
	block    chan struct{} // when not nil, Publish waits until it is closed
	err      error
}

func (h *heard) publish(subject string, data []byte) error {
	if h.block != nil {
		<-h.block
	}
	h.mutex.Lock()
	defer h.mutex.Unlock()
	if h.err != nil {
		return h.err
	}
	if h.messages == nil {
		h.messages = map[string][][]byte{}
	}
	h.messages[subject] = append(h.messages[subject], slices.Clone(data))
	return nil
}

func (h *heard) options(rows bool) Options {
	o := Options{Publish: h.publish, Envelope: func(source string) string { return "envelope." + source }}
	if rows {
		o.Reduced = func(source string) string { return "reduced." + source }
	}
	return o
}

func appendTo(t testing.TB, s *Sink, b *group.Batch) {
	t.Helper()
	if err := s.Append(b); err != nil {
		t.Fatal(err)
	}
}

func TestEnvelopeHoldsTheRows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, h := planOf(t), new(heard)
		s := New("bench", p, h.options(false))
		defer s.Close()
		appendTo(t, s, batch(p, 1e-6, math.NaN(), -3e-6))
		appendTo(t, s, batch(p, 2e-6, math.NaN()))
		appendTo(t, s, batch(p))
		time.Sleep(every + time.Millisecond)
		synctest.Wait()
		if len(h.messages["envelope.node"]) != 1 || len(h.messages) != 1 {
			t.Fatalf("%d subjects, %d envelopes", len(h.messages), len(h.messages["envelope.node"]))
		}
		var e Envelope
		if err := json.Unmarshal(h.messages["envelope.node"][0], &e); err != nil {
			t.Fatal(err)
		}
		_, digest, err := p.Calibration("node")
		if err != nil {
			t.Fatal(err)
		}
		if e.Source != "node" || e.Rows != 5 || e.Calibration != digest || e.First.UnixNano() != 0 || e.Last.UnixNano() != 1e7 {
			t.Errorf("%+v", e)
		}
		if len(e.Columns) != 2 {
			t.Fatalf("%d columns, want strain and stress", len(e.Columns))
		}
		for i, scale := range []float64{1, 1000} {
			c := e.Columns[i]
			if c.Of != "a" || c.Min == nil || *c.Min != -3e-6*scale || c.Max == nil || *c.Max != 2e-6*scale || c.Last != nil || c.Flags != 4 {
				t.Errorf("%+v", c)
			}
		}
		// What was sent is not sent again.
		time.Sleep(10 * every)
		synctest.Wait()
		if n := len(h.messages["envelope.node"]); n != 1 {
			t.Errorf("%d envelopes of one stretch", n)
		}
		// A stretch without a value.
		appendTo(t, s, batch(p, math.NaN()))
		time.Sleep(every)
		synctest.Wait()
		var none Envelope
		if err := json.Unmarshal(h.messages["envelope.node"][1], &none); err != nil {
			t.Fatal(err)
		}
		if c := none.Columns[0]; c.Min != nil || c.Max != nil || c.Last != nil || c.Flags != 4 || none.Rows != 1 {
			t.Errorf("%+v", none)
		}
	})
}

func TestAtMostTwentyEnvelopesASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, h := planOf(t), new(heard)
		s := New("bench", p, h.options(false))
		defer s.Close()
		b := batch(p, 1, 2)
		for range 10_000 {
			appendTo(t, s, b)
			time.Sleep(time.Millisecond)
		}
		synctest.Wait()
		rows := 0
		for _, text := range h.messages["envelope.node"] {
			var e Envelope
			if err := json.Unmarshal(text, &e); err != nil {
				t.Fatal(err)
			}
			rows += e.Rows
		}
		if n := len(h.messages["envelope.node"]); n < 199 || n > 200 {
			t.Errorf("%d envelopes in 10 s", n)
		}
		if rows < 19_900 || rows > 20_000 {
			t.Errorf("they hold %d rows", rows)
		}
	})
}

// Whoever takes nothing keeps nothing waiting: the newest batches are there when
// it takes something again, and what was dropped is counted.
func TestListenerThatBlocks(t *testing.T) {
	p, h := planOf(t), &heard{block: make(chan struct{})}
	s := New("bench", p, h.options(true))
	const batches = 10 * waiting
	b := batch(p, 1, 2, 3)
	for i := range batches {
		b.Counter[0] = uint64(i)
		appendTo(t, s, b) // a sink that waited would wait for ever
	}
	close(h.block)
	for {
		h.mutex.Lock()
		n := len(h.messages["reduced.node"])
		done := n > 0 && s.Counts().Batches == uint64(n) && s.Counts().Batches+s.Counts().Dropped == batches
		h.mutex.Unlock()
		if done {
			break
		}
		time.Sleep(time.Millisecond)
	}
	s.Close()
	c := s.Counts()
	if c.Batches < waiting || c.Batches > waiting+2 {
		t.Errorf("%+v: want the newest %d, and what was under way", c, waiting)
	}
	sent := h.messages["reduced.node"]
	if got := firstSample(t, sent[len(sent)-1]); got != batches-1 {
		t.Errorf("the last batch sent is %d, the newest is %d", got, batches-1)
	}
	if got := firstSample(t, sent[len(sent)-waiting]); got != batches-waiting {
		t.Errorf("the oldest that waited is %d", got)
	}
}

func firstSample(t *testing.T, stream []byte) uint64 {
	t.Helper()
	b := rowsOf(t, stream)
	return arrowipc.Values[uint64](b.Columns[1].Data)[0]
}

// rowsOf reads a message of rows.
func rowsOf(t *testing.T, stream []byte) *arrowipc.Batch {
	t.Helper()
	file, err := arrowipc.Parse(stream)
	if err != nil {
		t.Fatal(err)
	}
	b := new(arrowipc.Batch)
	if err := file.Read(b, 0); err != nil || file.Batches() != 1 {
		t.Fatalf("%d batches: %v", file.Batches(), err)
	}
	for _, f := range file.Schema.Fields {
		if _, has := f.Metadata.Get("constants"); has {
			t.Errorf("%s has its constants in every message", f.Name)
		}
	}
	return b
}

func TestPublishingFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, h := planOf(t), &heard{err: errors.New("no connection")}
		s := New("bench", p, h.options(true))
		defer s.Close()
		for range 5 {
			appendTo(t, s, batch(p, 1))
			time.Sleep(every + time.Millisecond) // never at the instant of an envelope
		}
		synctest.Wait()
		if c := s.Counts(); c.Batches != 0 || c.Envelopes != 0 || c.Dropped != 5 || c.Failed != 5 {
			t.Errorf("%+v", c)
		}
	})
}

// Wide batches are sent in several messages, which together hold all rows.
func TestLargeBatchIsSentInParts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, h := planOf(t), new(heard)
		s := New("bench", p, h.options(true))
		defer s.Close()
		strains := make([]float64, 40_000)
		for i := range strains {
			strains[i] = float64(i)
			if i%7 == 3 {
				strains[i] = math.NaN()
			}
		}
		appendTo(t, s, batch(p, strains...))
		synctest.Wait()
		messages := h.messages["reduced.node"]
		if len(messages) < 2 {
			t.Fatalf("%d messages", len(messages))
		}
		row := 0
		for _, m := range messages {
			if len(m) > largestMessage+64<<10 {
				t.Errorf("a message of %d bytes", len(m))
			}
			b := rowsOf(t, m)
			values := arrowipc.Values[float64](b.Columns[2].Data)
			for i := range b.Rows {
				if valid := b.Columns[2].Valid(i); valid == (row%7 == 3) || valid && values[i] != float64(row) {
					t.Fatalf("row %d: %v, valid %v", row, values[i], valid)
				}
				row++
			}
		}
		if row != len(strains) {
			t.Errorf("%d rows of %d", row, len(strains))
		}
	})
}

func TestExtremesAndUnionOfAnyLength(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for length := range 20 {
		for range 50 {
			values, flags := make([]float64, length), make([]uint32, length)
			low, high, all := math.Inf(1), math.Inf(-1), uint32(0)
			for i := range values {
				values[i], flags[i] = random.NormFloat64(), 1<<random.IntN(32)
				all |= flags[i]
				if random.IntN(3) == 0 {
					values[i] = math.NaN()
					continue
				}
				low, high = min(low, values[i]), max(high, values[i])
			}
			if l, h := extremes(values); l != low || h != high {
				t.Errorf("%v: from %v to %v, want %v to %v", values, l, h, low, high)
			}
			if u := union(flags); u != all {
				t.Errorf("%#x: %#x, want %#x", flags, u, all)
			}
		}
	}
}

func TestAppendAllocatesNothing(t *testing.T) {
	p, h := planOf(t), new(heard)
	s := New("bench", p, h.options(false))
	defer s.Close()
	b := batch(p, make([]float64, 512)...)
	appendTo(t, s, b)
	if n := testing.AllocsPerRun(100, func() { appendTo(t, s, b) }); n > 1 { // one envelope may be sent meanwhile
		t.Errorf("%v allocations a batch", n)
	}
}

func BenchmarkAppend(b *testing.B) {
	p, h := planOf(b), &heard{err: errors.New("nobody keeps them")}
	s := New("bench", p, h.options(false))
	defer s.Close()
	rows := batch(p, make([]float64, 512)...)
	b.SetBytes(int64(512))
	for b.Loop() {
		appendTo(b, s, rows)
	}
}
