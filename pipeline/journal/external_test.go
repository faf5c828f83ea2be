package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"testing"

	"glueline/pipeline/journal/brokertest"
)

func connectExternal(t testing.TB, e *brokertest.Broker) *Conn {
	t.Helper()
	c, err := Connect(e.URL(), ConnectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

func TestOneReplicaOfOthersNeedsAWord(t *testing.T) {
	ctx := testContext(t)
	c := connectExternal(t, brokertest.Start(t))
	g := gate()
	g.AllowOneReplica = false
	g.Replicas = 1
	if _, err := Open(ctx, c, g); !errors.Is(err, ErrOneReplica) {
		t.Errorf("one replica: %v", err)
	}
	g.Replicas = 0 // three: which this server, being alone, cannot give
	if _, err := Open(ctx, c, g); !errors.Is(err, ErrNoCluster) {
		t.Errorf("a single server promises three replicas: %v", err)
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
	e := brokertest.Start(t)
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
			e.Kill()
			until(t, "the connection is lost", func() bool { return !j.conn.Connected() })
			close(killed)
			e.Start()
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
		harm func(t *testing.T, j *Journal, e *brokertest.Broker)
	}{
		{"store gone", ErrNoJournal, func(t *testing.T, j *Journal, e *brokertest.Broker) {
			if err := os.RemoveAll(e.Store); err != nil {
				t.Fatal(err)
			}
			e.Start()
		}},
		{"made anew", ErrIdentity, func(t *testing.T, j *Journal, e *brokertest.Broker) {
			if err := os.RemoveAll(e.Store); err != nil {
				t.Fatal(err)
			}
			e.Start()
			openJournal(t, connectExternal(t, e))
		}},
		{"tail lost", ErrLostTail, func(t *testing.T, j *Journal, e *brokertest.Broker) { rewrite(t, j, e, 4) }},
		{"tail lost and written anew", ErrLostTail, func(t *testing.T, j *Journal, e *brokertest.Broker) { rewrite(t, j, e, 8) }},
		{"trimmed beyond the reader", ErrGap, func(t *testing.T, j *Journal, e *brokertest.Broker) {
			e.Start()
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
			e := brokertest.Start(t)
			j := openJournal(t, connectExternal(t, e))
			publish(t, j, 0, 5)
			r, err := j.Read(ctx, 1)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			nextMessages(t, r, 1, 6)
			e.Kill()
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
func rewrite(t *testing.T, j *Journal, e *brokertest.Broker, frames uint64) {
	t.Helper()
	if err := os.RemoveAll(e.Store); err != nil {
		t.Fatal(err)
	}
	e.Start()
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
	e := brokertest.Start(t)
	j := openJournal(t, connectExternal(t, e))
	e.Kill()
	until(t, "the connection is lost", func() bool { return !j.conn.Connected() })
	if _, err := j.Publish(testContext(t), header(0), []byte("x")); err == nil || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, ErrFull) {
		t.Errorf("%v", err)
	}
}

func TestConnectNeedsAServer(t *testing.T) {
	url := fmt.Sprintf("nats://127.0.0.1:%d", brokertest.FreePort(t))
	if c, err := Connect(url, ConnectOptions{}); err == nil {
		c.Close()
		t.Error("connected to nothing")
	}
}

// The connection is cut again and again while the server goes on.
func TestReadingGoesOnAfterTheConnectionWasCut(t *testing.T) {
	ctx := testContext(t)
	s := startServer(t, ServerOptions{Listen: "127.0.0.1:0"})
	inside := openJournal(t, connectInside(t, s))
	w := brokertest.NewWire(t, s.URL())
	c, err := Connect(w.URL(), ConnectOptions{})
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
		w.Cut()
		until(t, "the connection is lost", func() bool { return !c.Connected() })
		publish(t, inside, 20_000+number, 20_003+number) // meanwhile
		for range 3 {
			if err := p.Send(ctx, rows(number)); err != nil {
				t.Fatal(err)
			}
			number++
		}
		w.Mend()
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
