package journal

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"
)

// startCluster starts three brokers, each a process of its own.
func startCluster(t testing.TB) (nodes []*external, urls string) {
	t.Helper()
	var routes, all []string
	for range 3 {
		routes = append(routes, fmt.Sprintf("nats://127.0.0.1:%d", freePort(t)))
	}
	for i, route := range routes {
		e := &external{t: t, store: t.TempDir(), port: freePort(t)}
		e.more = []string{"-name", fmt.Sprint("n", i), "-cluster_name", "three", "-cluster", route, "-routes", strings.Join(routes, ",")}
		e.start()
		t.Cleanup(e.kill)
		nodes, all = append(nodes, e), append(all, e.url())
	}
	return nodes, strings.Join(all, ",")
}

// The machine that leads the journal is lost while frames are sent and read;
// the two others go on, and nothing acknowledged is missing.
func TestClusterLosesItsLeader(t *testing.T) {
	ctx := testContext(t)
	nodes, urls := startCluster(t)
	c, err := Connect(urls, ConnectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	g := gate()
	g.AllowOneReplica = false
	var j *Journal
	until(t, "the cluster has elected a leader", func() bool {
		asking, cancel := context.WithTimeout(ctx, time.Second) // what is asked before is not answered
		defer cancel()
		j, err = Open(asking, c, g)
		return err == nil
	})
	if state, err := j.State(ctx); err != nil || state.Replicas != 3 {
		t.Fatalf("%+v, %v", state, err)
	}
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
			info, err := j.info(ctx)
			if err != nil {
				t.Fatal(err)
			}
			leader := int(info.Cluster.Leader[1] - '0')
			nodes[leader].kill()
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
