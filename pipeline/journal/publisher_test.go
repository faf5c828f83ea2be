package journal

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
)

func newPublisher(t testing.TB, j *Journal, o PublisherOptions) *Publisher {
	t.Helper()
	p, err := j.NewPublisher("node", "b", o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ended, cancel := context.WithCancel(context.Background())
		cancel()
		p.Close(ended) // it may have been closed; what is left does not matter here
	})
	return p
}

// until waits for what must come.
func until(t testing.TB, what string, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(within); !holds(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("it never came that %s", what)
		}
	}
}

// numbers are the frame numbers of the journal in order, each frame decoded.
func numbers(t testing.TB, j *Journal, from uint64, n int) []uint64 {
	t.Helper()
	r, err := j.Read(testContext(t), from)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	d := frame.NewWireDecoder(j.Sources())
	var all []uint64
	for _, m := range nextMessages(t, r, from, n) {
		h, err := m.FrameHeader()
		if err != nil {
			t.Fatal(err)
		}
		f, err := d.Decode(m.Data, h)
		if err != nil {
			t.Fatal(err)
		}
		if f.Number != h.Number || f.Columns[0].Float[0] != float64(h.Number) {
			t.Errorf("frame %d holds %+v", h.Number, f)
		}
		all = append(all, f.Number)
	}
	return all
}

func TestPublisherKeepsOrder(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	p := newPublisher(t, j, PublisherOptions{MaxBytes: 4000}) // some frames
	f := rows(0)
	for n := range uint64(100) {
		f.Number, f.Counter, f.Columns[0].Float[0] = n, 2*n, float64(n)
		if err := p.Send(ctx, f); err != nil {
			t.Fatal(err)
		}
		if waits := p.Status().WaitingBytes; waits > 4000 {
			t.Fatalf("%d bytes wait", waits)
		}
	}
	if err := p.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	if s := p.Status(); s.Waiting != 0 || s.WaitingBytes != 0 || s.Acknowledged != 100 || s.Sequence != 101 || s.Err != nil {
		t.Errorf("%+v", s)
	}
	for i, n := range numbers(t, j, 2, 100) {
		if n != uint64(i) {
			t.Fatalf("frame %d at place %d", n, i)
		}
	}
}

func TestPublisherWantsWhatFollows(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	p := newPublisher(t, j, PublisherOptions{})
	if err := p.Send(ctx, rows(7)); err != nil { // any begins
		t.Fatal(err)
	}
	for _, n := range []uint64{7, 6, 9} {
		if err := p.Send(ctx, rows(n)); !errors.Is(err, ErrNumber) {
			t.Errorf("frame %d after 7: %v", n, err)
		}
	}
	other := rows(8)
	other.Boot = "c"
	if err := p.Send(ctx, other); err == nil {
		t.Error("a frame of another boot is taken")
	}
	bad := rows(8)
	bad.Time[1] = bad.Time[0]
	var refused *frame.WireError
	if err := p.Send(ctx, bad); !errors.As(err, &refused) {
		t.Errorf("a frame that readers would refuse: %v", err)
	}
	if err := p.Send(ctx, rows(8)); err != nil {
		t.Errorf("the one that follows: %v", err)
	}
	if err := p.Close(ctx); err != nil {
		t.Fatal(err)
	}
	if err := p.Send(ctx, rows(9)); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	if _, err := j.NewPublisher("stranger", "b", PublisherOptions{}); !errors.Is(err, ErrUnknownSource) {
		t.Errorf("unknown source: %v", err)
	}
	for _, boot := range []string{"", "two\nlines", " blank "} {
		if _, err := j.NewPublisher("node", boot, PublisherOptions{}); err == nil {
			t.Errorf("boot %q is taken", boot)
		}
	}
}

func TestPublisherWaitsForRoomInTheJournal(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	if err := j.SetLimit(ctx, 1); err != nil {
		t.Fatal(err)
	}
	p := newPublisher(t, j, PublisherOptions{MaxBytes: 1}) // one frame
	if err := p.Send(ctx, rows(0)); err != nil {
		t.Fatal(err)
	}
	until(t, "the journal refuses", func() bool { return errors.Is(p.Status().Err, ErrFull) })
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if err := p.Send(ended, rows(1)); !errors.Is(err, ErrFull) || !errors.Is(err, context.Canceled) {
		t.Errorf("no room: %v", err)
	}
	if err := p.Flush(ended); !errors.Is(err, ErrFull) || !errors.Is(err, ErrUnsent) {
		t.Errorf("flush: %v", err)
	}
	if err := j.SetLimit(ctx, 1<<20); err != nil {
		t.Fatal(err)
	}
	if err := p.Send(ctx, rows(1)); err != nil { // waits for the first to go
		t.Fatal(err)
	}
	if err := p.Close(ctx); err != nil {
		t.Fatal(err)
	}
	if got := numbers(t, j, 2, 2); got[0] != 0 || got[1] != 1 {
		t.Errorf("frames %v", got)
	}
}

func TestPublisherSaysWhatItCouldNotSend(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	if err := j.SetLimit(ctx, 1); err != nil {
		t.Fatal(err)
	}
	p := newPublisher(t, j, PublisherOptions{})
	for n := range uint64(3) {
		if err := p.Send(ctx, rows(n)); err != nil {
			t.Fatal(err)
		}
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if err := p.Close(ended); !errors.Is(err, ErrUnsent) || !strings.Contains(err.Error(), "3 frames are not acknowledged") {
		t.Errorf("%v", err)
	}
}

// The embedded server's end is the end of its publishers: they say so and do
// not wait for ever.
func TestPublisherEndsWithItsConnection(t *testing.T) {
	ctx := testContext(t)
	s := startServer(t, ServerOptions{})
	j := openJournal(t, connectInside(t, s))
	p := newPublisher(t, j, PublisherOptions{})
	r, err := j.Read(ctx, 2)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	s.Close()
	if err := p.Send(ctx, rows(0)); err != nil {
		t.Fatal(err)
	}
	if err := p.Flush(ctx); !errors.Is(err, ErrUnsent) || errors.Is(err, context.DeadlineExceeded) && ctx.Err() != nil {
		t.Errorf("flush: %v", err)
	}
	if _, err := r.Next(ctx); err == nil || ctx.Err() != nil {
		t.Errorf("next: %v", err)
	}
}
