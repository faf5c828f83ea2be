package journal

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"syscall"
	"testing"
	"time"

	"glueline/pipeline/journal/brokertest"
)

// openOnCluster opens a journal that three machines keep. A cluster that is just
// coming up does not answer, or has no leader yet: it is asked until it has.
func openOnCluster(t *testing.T) (nodes []*brokertest.Broker, j *Journal) {
	t.Helper()
	nodes, url := brokertest.StartCluster(t)
	c, err := Connect(url, ConnectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	g := gate()
	g.AllowOneReplica = false
	patiently(t, "the journal is opened", func(ctx context.Context) error {
		j, err = Open(ctx, c, g)
		return err
	})
	return nodes, j
}

// patiently asks a cluster until it answers well, longer each time: what is
// asked before it has a leader is never answered.
func patiently(t *testing.T, what string, ask func(ctx context.Context) error) {
	t.Helper()
	ctx, last := testContext(t), error(nil)
	defer func() {
		if t.Failed() {
			t.Logf("%s: %v", what, last)
		}
	}()
	patience := attempt / 16
	until(t, what, func() bool {
		patience = min(2*patience, 2*attempt)
		asking, cancel := context.WithTimeout(ctx, patience)
		defer cancel()
		last = ask(asking)
		return last == nil
	})
}

// leader is which of the machines leads the journal.
func leader(t *testing.T, j *Journal) (node int) {
	t.Helper()
	patiently(t, "somebody leads the journal", func(ctx context.Context) error {
		info, err := j.info(ctx)
		if err == nil {
			node = int(info.Cluster.Leader[1] - '0')
		}
		return err
	})
	return node
}

func readPatiently(t *testing.T, j *Journal, from uint64) (r *Reader) {
	t.Helper()
	patiently(t, "the journal is read", func(ctx context.Context) (err error) {
		r, err = j.Read(ctx, from)
		return err
	})
	t.Cleanup(r.Close)
	return r
}

// The machine that leads the journal is lost while frames are sent and read;
// the two others go on, and nothing acknowledged is missing.
func TestClusterLosesItsLeader(t *testing.T) {
	t.Parallel()
	ctx := testContext(t)
	nodes, j := openOnCluster(t)
	patiently(t, "three machines keep it", func(ctx context.Context) error {
		state, err := j.State(ctx)
		if err == nil && state.Replicas != 3 {
			t.Fatalf("%+v", state)
		}
		return err
	})
	p := newPublisher(t, j, PublisherOptions{})
	r := readPatiently(t, j, 2)
	const frames = 60
	killed := make(chan struct{})
	sent := make(chan error, 1)
	go func() {
		for n := range uint64(frames) {
			if n == frames/2 {
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
		if m.Seq != last+1 || h.Number != next && h.Number+1 != next {
			t.Fatalf("sequence %d after %d, frame %d where %d is to come", m.Seq, last, h.Number, next)
		}
		last = m.Seq
		if h.Number == next && next == frames/3 {
			nodes[leader(t, j)].Kill()
			close(killed)
		}
		next = h.Number + 1
	}
	if err := <-sent; err != nil {
		t.Fatal(err)
	}
	if s := p.Status(); s.Acknowledged != frames {
		t.Errorf("%+v", s)
	}
}

// All are lost but one that had not got the newest messages: it leads nothing,
// and what it says of the journal is not believed. Reading waits, and goes on
// when the others are back.
func TestClusterWithoutALeader(t *testing.T) {
	t.Parallel()
	ctx := testContext(t)
	nodes, j := openOnCluster(t)
	r := readPatiently(t, j, 2)
	frame := make([]byte, 256<<10)
	if _, err := rand.Read(frame); err != nil { // machines send each other zeros in a few bytes
		t.Fatal(err)
	}
	send := func(from, to uint64) {
		t.Helper()
		for n := from; n < to; n++ {
			patiently(t, "a frame is acknowledged", func(ctx context.Context) error {
				_, err := j.Publish(ctx, header(n), frame)
				return err
			})
		}
		for seen := from; seen < to; { // one may come twice, when its acknowledgement was lost
			m, err := r.Next(ctx)
			if err != nil {
				t.Fatal(err)
			}
			if h, err := m.FrameHeader(); err != nil || h.Number > seen {
				t.Fatalf("frame %d where %d is to come, %v", h.Number, seen, err)
			} else if h.Number == seen {
				seen++
			}
		}
	}
	send(0, 5)
	lags := leader(t, j)
	for range 2 { // another, and if it can be not the one that we are connected to
		if lags = (lags + 1) % len(nodes); j.conn.nc.ConnectedServerName() != fmt.Sprint("n", lags) {
			break
		}
	}
	nodes[lags].Signal(syscall.SIGSTOP) // the two others go on, for more than lies on the way to it
	send(5, 105)
	others := slices.Delete(slices.Clone(nodes), lags, lags+1)
	for _, node := range others {
		node.Kill()
	}
	nodes[lags].Signal(syscall.SIGCONT)
	until(t, "the one that is left knows that nobody leads", func() bool {
		asking, cancel := context.WithTimeout(ctx, time.Second)
		defer cancel()
		stream, err := j.conn.js.Stream(asking, j.names.stream)
		if err != nil || stream.CachedInfo().Cluster.Leader != "" {
			return false
		}
		if last := stream.CachedInfo().State.LastSeq; last >= r.next-1 {
			t.Fatalf("it has all messages to %d: nothing is tried", last)
		}
		return true
	})
	if state, err := j.State(ctx); err == nil {
		t.Errorf("it is believed that the journal is %+v", state)
	}
	waiting, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	if _, err := r.Next(waiting); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("reading: %v", err)
	}
	for _, node := range others {
		node.Start()
	}
	send(105, 110)
}
