package journal

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
)

func connectExternal(t testing.TB, e *external) *Conn {
	t.Helper()
	c, err := Connect(e.url(), ConnectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

func TestOneReplicaOfOthersNeedsAWord(t *testing.T) {
	ctx := testContext(t)
	c := connectExternal(t, startExternal(t))
	g := gate()
	g.AllowOneReplica = false
	g.Replicas = 1
	if _, err := Open(ctx, c, g); !errors.Is(err, ErrOneReplica) {
		t.Errorf("one replica: %v", err)
	}
	g.Replicas = 0 // three: which this server, being alone, cannot give
	if _, err := Open(ctx, c, g); err == nil {
		t.Error("a single server promises three replicas")
	}
	g.AllowOneReplica = true
	j, err := Open(ctx, c, g)
	if err != nil {
		t.Fatal(err)
	}
	if state, err := j.State(ctx); err != nil || state.Replicas != 1 {
		t.Errorf("%+v, %v", state, err)
	}
}

// The broker is killed and started again while a publisher sends and a reader
// reads: both go on by themselves, and nothing acknowledged is missing.
func TestReadingGoesOnAfterTheBrokerWasKilled(t *testing.T) {
	ctx := testContext(t)
	e := startExternal(t)
	j := openJournal(t, connectExternal(t, e))
	p := newPublisher(t, j, PublisherOptions{})
	r, err := j.Read(ctx, 2)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	const frames = 60
	killed := make(chan struct{})
	sent := make(chan error, 1)
	go func() {
		for n := range uint64(frames) {
			if n == frames/2 { // the rest comes when the broker is away, or after
				<-killed
			}
			if err := p.Send(ctx, rows(n)); err != nil {
				sent <- err
				return
			}
		}
		sent <- p.Flush(ctx)
	}()
	for next, last := uint64(0), uint64(1); next < frames; {
		m, err := r.Next(ctx)
		if err != nil {
			t.Fatal(err)
		}
		h, err := m.FrameHeader()
		if err != nil {
			t.Fatal(err)
		}
		// A frame may come twice, when its acknowledgement was lost; never out
		// of order, and none is left out.
		if m.Seq != last+1 || h.Number != next && h.Number+1 != next {
			t.Fatalf("sequence %d after %d, frame %d where %d is to come", m.Seq, last, h.Number, next)
		}
		last = m.Seq
		if h.Number == next && next == frames/3 {
			e.kill()
			until(t, "the connection is lost", func() bool { return !j.conn.Connected() })
			close(killed)
			e.start()
		}
		next = h.Number + 1
	}
	if err := <-sent; err != nil {
		t.Fatal(err)
	}
}

// A journal that is not the same after the broker came back stops the reader.
func TestReaderStopsAtAJournalThatIsNotTheSame(t *testing.T) {
	tests := []struct {
		name string
		want error
		harm func(t *testing.T, j *Journal, e *external)
	}{
		{"store gone", ErrNoJournal, func(t *testing.T, j *Journal, e *external) {
			if err := os.RemoveAll(e.store); err != nil {
				t.Fatal(err)
			}
			e.start()
		}},
		{"made anew", ErrIdentity, func(t *testing.T, j *Journal, e *external) {
			if err := os.RemoveAll(e.store); err != nil {
				t.Fatal(err)
			}
			e.start()
			openJournal(t, connectExternal(t, e))
		}},
		{"tail lost", ErrLostTail, func(t *testing.T, j *Journal, e *external) { rewrite(t, j, e, 4) }},
		{"tail lost and written anew", ErrLostTail, func(t *testing.T, j *Journal, e *external) { rewrite(t, j, e, 8) }},
		{"trimmed beyond the reader", ErrGap, func(t *testing.T, j *Journal, e *external) {
			e.start()
			other := openJournal(t, connectExternal(t, e))
			publish(t, other, 100, 110)
			if err := other.Trim(testContext(t), 12); err != nil {
				t.Fatal(err)
			}
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			ctx := testContext(t)
			e := startExternal(t)
			j := openJournal(t, connectExternal(t, e))
			publish(t, j, 0, 5)
			r, err := j.Read(ctx, 1)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			nextMessages(t, r, 1, 6)
			e.kill()
			until(t, "the connection is lost", func() bool { return !j.conn.Connected() })
			test.harm(t, j, e)
			if _, err := r.Next(ctx); !errors.Is(err, test.want) {
				t.Errorf("got %v, want %v", err, test.want)
			}
			if _, err := r.Next(ctx); !errors.Is(err, test.want) {
				t.Errorf("the second time: %v, want %v", err, test.want)
			}
		})
	}
}

// rewrite makes a journal of the same identity that has other frames, as one
// that was restored from an old copy and written on.
func rewrite(t *testing.T, j *Journal, e *external, frames uint64) {
	t.Helper()
	if err := os.RemoveAll(e.store); err != nil {
		t.Fatal(err)
	}
	e.start()
	c := connectExternal(t, e)
	g := gate()
	g.Replicas = 1
	config := g.config(j.names)
	config.Metadata = map[string]string{identityKey: j.identity}
	if _, err := c.js.CreateStream(testContext(t), config); err != nil {
		t.Fatal(err)
	}
	publish(t, openJournal(t, c), 1000, 1000+frames)
}

func TestPublishingWhileTheBrokerIsAwayFailsAtOnce(t *testing.T) {
	e := startExternal(t)
	j := openJournal(t, connectExternal(t, e))
	e.kill()
	until(t, "the connection is lost", func() bool { return !j.conn.Connected() })
	if _, err := j.Publish(testContext(t), header(0), []byte("x")); err == nil || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, ErrFull) {
		t.Errorf("%v", err)
	}
}

func TestConnectNeedsAServer(t *testing.T) {
	e := &external{t: t, port: freePort(t)}
	if c, err := Connect(e.url(), ConnectOptions{}); err == nil {
		c.Close()
		t.Error("connected to nothing")
	}
}

// wire is a connection that can be cut: a relay before a server.
type wire struct {
	t        testing.TB
	listener net.Listener
	server   string

	mu   sync.Mutex
	open []net.Conn
	down bool
	done sync.WaitGroup
}

func newWire(t testing.TB, server string) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{t: t, listener: l, server: strings.TrimPrefix(server, "nats://")}
	w.done.Add(1)
	go w.accept()
	t.Cleanup(func() {
		l.Close()
		w.cut()
		w.done.Wait()
	})
	return w
}

func (w *wire) accept() {
	defer w.done.Done()
	for {
		from, err := w.listener.Accept()
		if err != nil {
			return
		}
		to, err := net.Dial("tcp", w.server)
		if err != nil {
			from.Close()
			continue
		}
		w.mu.Lock()
		if w.down {
			from.Close()
			to.Close()
		}
		w.open = append(w.open, from, to)
		w.mu.Unlock()
		for _, ends := range [][2]net.Conn{{from, to}, {to, from}} {
			w.done.Add(1)
			go func() {
				defer w.done.Done()
				_, _ = io.Copy(ends[0], ends[1]) // it ends when the wire is cut
				ends[0].Close()
				ends[1].Close()
			}()
		}
	}
}

// cut breaks all connections and lets none through until mend.
func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.down = true
	for _, c := range w.open {
		c.Close()
	}
	w.open = nil
}

func (w *wire) mend() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.down = false
}

// The connection is cut again and again while the server goes on.
func TestReadingGoesOnAfterTheConnectionWasCut(t *testing.T) {
	ctx := testContext(t)
	s := startServer(t, ServerOptions{Listen: "127.0.0.1:0"})
	inside := openJournal(t, connectInside(t, s))
	w := newWire(t, s.URL())
	c, err := Connect("nats://"+w.listener.Addr().String(), ConnectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	j, err := Attach(ctx, c, "Hollin Lock", "gate")
	if err != nil {
		t.Fatal(err)
	}
	p := newPublisher(t, j, PublisherOptions{})
	r, err := j.Read(ctx, 2)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	number, seq := uint64(0), uint64(2)
	for range 4 {
		publish(t, inside, 10_000+number, 10_003+number) // by another publisher
		w.cut()
		until(t, "the connection is lost", func() bool { return !c.Connected() })
		publish(t, inside, 20_000+number, 20_003+number) // meanwhile
		for range 3 {
			if err := p.Send(ctx, rows(number)); err != nil {
				t.Fatal(err)
			}
			number++
		}
		w.mend()
		seen := map[uint64]bool{}
		for !seen[number-1] {
			m := nextMessages(t, r, seq, 1)[0]
			seq++
			h, err := m.FrameHeader()
			if err != nil {
				t.Fatal(err)
			}
			seen[h.Number] = true
		}
		for n := range uint64(3) {
			if !seen[10_000+number-3+n] || !seen[20_000+number-3+n] || !seen[number-3+n] {
				t.Fatalf("of the frames around %d only %v came", number, seen)
			}
		}
	}
	if err := p.Close(ctx); err != nil {
		t.Fatal(err)
	}
}
