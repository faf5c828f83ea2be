package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal/brokertest"
)

func newPipeline(t testing.TB, j *Journal) *Pipeline {
	t.Helper()
	p, err := j.NewPipeline(testContext(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	return p
}

// pump sends the frames from..to with their number as payload.
func pump(ctx context.Context, p *Pipeline, from, to uint64) error {
	for n := from; n < to; n++ {
		if err := p.Frame(ctx, header(n), fmt.Appendf(nil, "frame %d", n)); err != nil {
			return err
		}
	}
	return nil
}

// eachOnce makes sure that the journal holds the frames 0..frames in order and
// each once, among events of any number, which it returns.
func eachOnce(t testing.TB, j *Journal, frames uint64) (events []Message) {
	t.Helper()
	state, err := j.State(testContext(t))
	if err != nil {
		t.Fatal(err)
	}
	r, err := j.Read(testContext(t), 2)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	next := uint64(0)
	for _, m := range nextMessages(t, r, 2, int(state.Last)-1) {
		if m.Kind == EventMessage {
			events = append(events, m)
			continue
		}
		h, err := m.FrameHeader()
		if err != nil {
			t.Fatal(err)
		}
		if h.Number != next || string(m.Data) != fmt.Sprintf("frame %d", next) {
			t.Fatalf("message %d is frame %d (%q), %d is to come", m.Seq, h.Number, m.Data, next)
		}
		next++
	}
	if next != frames {
		t.Errorf("%d frames, want %d", next, frames)
	}
	return events
}

func flush(t testing.TB, p *Pipeline, want uint64) {
	t.Helper()
	if seq, err := p.Flush(testContext(t)); err != nil || seq != want {
		t.Fatalf("flushed to %d, want %d: %v", seq, want, err)
	}
}

// A full journal refuses what is in flight, takes messages of others in its place,
// and is trimmed behind these before anybody looks: what was refused is sent again,
// each message once.
func TestPipelineBehindWhatWasTrimmed(t *testing.T) {
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	p := newPipeline(t, j)
	if err := pump(testContext(t), p, 0, 3); err != nil {
		t.Fatal(err)
	}
	flush(t, p, 4)
	limit := func(more int64) {
		t.Helper()
		state, err := j.State(testContext(t))
		if err == nil {
			err = j.SetLimit(testContext(t), state.Bytes+more)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	limit(0)
	if err := pump(testContext(t), p, 3, 10); err != nil {
		t.Fatal(err)
	}
	// Behind them on the same connection: when this is refused, all are.
	if _, err := j.PublishEvent(testContext(t), "full", []byte("{}")); !errors.Is(err, ErrFull) {
		t.Fatalf("an event in a full journal: %v", err)
	}
	limit(1 << 20)
	for i := range 8 {
		if _, err := j.PublishEvent(testContext(t), fmt.Sprint("other ", i), []byte("{}")); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Trim(testContext(t), 12); err != nil {
		t.Fatal(err)
	}
	flush(t, p, 12+7)
	r, err := j.Read(testContext(t), 13)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for i, m := range nextMessages(t, r, 13, 7) {
		if want := fmt.Sprint("frame ", 3+i); string(m.Data) != want {
			t.Errorf("message %d is %q, want %q", m.Seq, m.Data, want)
		}
	}
}

func TestPipelineKeepsOrder(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{Lazy: true})))
	p := newPipeline(t, j)
	flush(t, p, 1)
	if err := pump(ctx, p, 0, 3000); err != nil {
		t.Fatal(err)
	}
	if err := p.Event(ctx, "id", []byte("{}")); err != nil {
		t.Fatal(err)
	}
	if err := pump(ctx, p, 3000, 3010); err != nil {
		t.Fatal(err)
	}
	flush(t, p, 3012)
	flush(t, p, 3012)
	if events := eachOnce(t, j, 3010); len(events) != 1 || events[0].Seq != 3002 || events[0].Get(HeaderEventID) != "id" {
		t.Errorf("%+v", events)
	}
	r, err := j.Read(ctx, 2)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, m := range nextMessages(t, r, 2, 200) { // numbers of several lengths
		if alignment := addressOf(m.Data) % 8; alignment != 0 {
			t.Errorf("message %d: payload at an address of remainder %d", m.Seq, alignment)
		}
	}
}

func TestPipelineSaysWhatItCannotSend(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{Lazy: true})))
	p := newPipeline(t, j)
	unknown := header(0)
	unknown.Source = "nobody"
	if err := p.Frame(ctx, unknown, nil); !errors.Is(err, ErrUnknownSource) {
		t.Errorf("unknown source: %v", err)
	}
	if err := p.Event(ctx, "", nil); err == nil {
		t.Error("an event without id is taken")
	}
	if err := p.Frame(ctx, header(0), make([]byte, 2<<20)); err == nil {
		t.Error("more than a message may have is taken")
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	if err := p.Frame(ctx, header(0), nil); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

// One message of somebody else makes the sequences that were expected right
// again for every second message; order holds all the same.
func TestPipelineGoesOnBehindOthers(t *testing.T) {
	ctx := testContext(t)
	s := startServer(t, ServerOptions{Lazy: true})
	j := openJournal(t, connectInside(t, s))
	other := openJournal(t, connectInside(t, s))
	p := newPipeline(t, j)
	const frames, events = 20000, 200
	sent := make(chan error, 1)
	go func() { sent <- pump(ctx, p, 0, frames) }()
	for i := range events {
		if _, err := other.PublishEvent(ctx, fmt.Sprint("e", i), []byte("{}")); err != nil {
			t.Fatal(err)
		}
		if i%10 == 0 {
			time.Sleep(time.Millisecond) // spread them
		}
	}
	if err := <-sent; err != nil {
		t.Fatal(err)
	}
	flush(t, p, frames+events+1)
	if got := eachOnce(t, j, frames); len(got) != events {
		t.Errorf("%d events, want %d", len(got), events)
	}
}

// Whatever number of foreign messages comes before what is in flight, none of
// it is taken out of order.
func TestPipelineIsRefusedAsAWhole(t *testing.T) {
	ctx := testContext(t)
	s := startServer(t, ServerOptions{Lazy: true})
	j := openJournal(t, connectInside(t, s))
	other := openJournal(t, connectInside(t, s))
	next := uint64(0)
	for foreign := range 5 {
		p := newPipeline(t, j)
		for i := range foreign {
			if _, err := other.PublishEvent(ctx, fmt.Sprint(foreign, i), []byte("{}")); err != nil {
				t.Fatal(err)
			}
		}
		if err := pump(ctx, p, next, next+10); err != nil {
			t.Fatal(err)
		}
		next += 10
		if _, err := p.Flush(ctx); err != nil {
			t.Fatal(err)
		}
		if err := p.Close(); err != nil {
			t.Fatal(err)
		}
	}
	eachOnce(t, j, next)
}

func TestPipelineWaitsForRoom(t *testing.T) {
	ctx := testContext(t)
	s := startServer(t, ServerOptions{Lazy: true})
	j := openJournal(t, connectInside(t, s))
	if err := j.SetLimit(ctx, 10000); err != nil { // some dozens
		t.Fatal(err)
	}
	p := newPipeline(t, j)
	short, cancel := context.WithTimeout(ctx, 300*time.Millisecond)
	defer cancel()
	err := pump(short, p, 0, 200)
	if err == nil {
		_, err = p.Flush(short)
	}
	if !errors.Is(err, ErrFull) || !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("full: %v", err)
	}
	if err := j.SetLimit(ctx, 1<<20); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	eachOnce(t, j, 200)
}

func TestPipelineGoesOnAfterTheBrokerWasKilled(t *testing.T) {
	ctx := testContext(t)
	e := brokertest.Start(t)
	j := openJournal(t, connectExternal(t, e))
	p := newPipeline(t, j)
	const frames = 3000
	sent, killed := make(chan error, 1), make(chan struct{})
	go func() {
		err := pump(ctx, p, 0, frames-1)
		<-killed // it does not end before
		if err == nil {
			err = pump(ctx, p, frames-1, frames)
		}
		if err == nil {
			_, err = p.Flush(ctx)
		}
		sent <- err
	}()
	for _, share := range []uint64{frames / 5, frames / 2} {
		until(t, "it is under way", func() bool {
			state, err := j.State(ctx)
			return err == nil && state.Last > share
		})
		e.Kill()
		until(t, "the connection is lost", func() bool { return !j.conn.Connected() })
		e.Start()
	}
	close(killed)
	if err := <-sent; err != nil {
		t.Fatal(err)
	}
	eachOnce(t, j, frames)
}

func TestPipelineStopsAtAnotherJournal(t *testing.T) {
	for name, want := range map[string]error{"gone": ErrNoJournal, "made anew": ErrIdentity, "tail lost": ErrLostTail} {
		t.Run(name, func(t *testing.T) {
			ctx := testContext(t)
			e := brokertest.Start(t)
			j := openJournal(t, connectExternal(t, e))
			p := newPipeline(t, j)
			if err := pump(ctx, p, 0, 10); err != nil {
				t.Fatal(err)
			}
			flush(t, p, 11)
			e.Kill()
			until(t, "the connection is lost", func() bool { return !j.conn.Connected() })
			if name == "tail lost" {
				rewrite(t, j, e, 4)
			} else {
				if err := os.RemoveAll(e.Store); err != nil {
					t.Fatal(err)
				}
				e.Start()
			}
			if name == "made anew" {
				openJournal(t, connectExternal(t, e))
			}
			err := pump(ctx, p, 10, 20)
			if err == nil {
				_, err = p.Flush(ctx)
			}
			if !errors.Is(err, want) {
				t.Errorf("got %v, want %v", err, want)
			}
		})
	}
}

// Frames of another publisher that come in between are told; its events and what
// comes of other sources are not.
func TestPipelineTellsOfRivals(t *testing.T) {
	ctx := testContext(t)
	s := startServer(t, ServerOptions{Lazy: true})
	j := openJournal(t, connectInside(t, s))
	other := openJournal(t, connectInside(t, s))
	publish := func(source, boot string) {
		t.Helper()
		if _, err := other.Publish(ctx, frame.Header{Source: source, Boot: boot}, []byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	publish("node", "before")
	p := newPipeline(t, j)
	send := func(from, to uint64) {
		t.Helper()
		if err := pump(ctx, p, from, to); err != nil {
			t.Fatal(err)
		}
		if _, err := p.Flush(ctx); err != nil {
			t.Fatal(err)
		}
	}
	send(0, 3)
	publish("logger 2", "another")
	if _, err := other.PublishEvent(ctx, "e", []byte("{}")); err != nil {
		t.Fatal(err)
	}
	send(3, 6)
	if got := p.Rivals(); len(got) != 0 {
		t.Errorf("%v", got)
	}
	publish("node", "rival")
	send(6, 9)
	if got := p.Rivals(); len(got) != 1 || got["node"] != "rival" {
		t.Errorf("%v", got)
	}
}
