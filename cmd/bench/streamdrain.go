//go:build unix

package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/worker"
)

// drained is a journal that was filled to be read again and again.
type drained struct {
	test    streamTest
	plan    *group.Plan
	store   string
	frames  uint64
	payload float64 // bytes of the frames
}

// drain compares reading a full journal through the worker, which decodes,
// orders and reduces it into nothing, with the broker alone, whose messages are
// dropped as they come. Both read the same files, in this process.
func drain(s *settings) (err error) {
	d := drained{test: streamTest{Sources: 4, Channels: 250, RateHz: 10_000, Groups: 1}, store: filepath.Join(s.scratch, "drain")}
	defer func() { err = errors.Join(err, os.RemoveAll(d.store)) }()
	if d.plan, err = d.test.plan(); err != nil {
		return err
	}
	if err := d.fill(s.atMost(1e9)); err != nil {
		return err
	}
	var ratios, processor, worked, alone []float64
	for round := range s.rounds + 1 {
		sides := []func() (float64, error){d.worker, d.broker}
		var took, used [2]float64
		for i := range sides {
			side := (i + round) % 2
			runtime.GC()
			before := ownProcessor()
			if took[side], err = sides[side](); err != nil {
				return err
			}
			used[side] = ownProcessor() - before
		}
		if round > 0 {
			ratios = append(ratios, took[1]/took[0])
			processor = append(processor, used[0]/used[1])
			worked, alone = append(worked, d.payload/took[0]), append(alone, d.payload/took[1])
		}
	}
	fmt.Printf("Stream, a full journal read: %.1f GB in %d frames\n", d.payload/1e9, d.frames)
	result{"speed of the worker to that of the broker alone", ratios, 0.35, false,
		fmt.Sprintf("%.0f MB/s, %.0f MB/s", median(worked)/1e6, median(alone)/1e6)}.print()
	result{"processor time of the worker to the broker's alone", processor, 0, true, "starting and stopping included"}.print()
	return nil
}

// ownProcessor is the seconds of processor time that this process has taken.
func ownProcessor() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return math.NaN()
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// atMost is how many bytes a part of the stream writes.
func (s *settings) atMost(wanted float64) float64 {
	if s.streamBytes > 0 {
		return min(s.streamBytes, wanted)
	}
	return wanted
}

// open opens the journal as the service does.
func (d *drained) open(ctx context.Context) (*journal.Journal, func(), error) {
	srv, err := journal.Embedded(ctx, journal.ServerOptions{StoreDir: d.store, Lazy: true})
	if err != nil {
		return nil, nil, err
	}
	conn, err := srv.Connect(nil)
	if err != nil {
		srv.Close()
		return nil, nil, err
	}
	end := func() {
		conn.Close()
		srv.Close()
	}
	j, err := journal.Open(ctx, conn, journal.Group{Test: streamTestName, Name: d.plan.Name, Sources: d.plan.Sources(), MaxBytes: 1 << 40})
	if err != nil {
		end()
		return nil, nil, err
	}
	return j, end, nil
}

// fill publishes frames of so many bytes. Nothing of this is timed, so that the
// disk need not have each before the next.
func (d *drained) fill(bytes float64) error {
	ctx := context.Background()
	j, end, err := d.open(ctx)
	if err != nil {
		return err
	}
	defer end()
	p, err := j.NewPipeline(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = p.Close() }() // all that matters was flushed
	nodes := make([]*node, d.test.Sources)
	for i := range nodes {
		nodes[i] = d.test.node(i, "drain", time.Now())
	}
	var h frame.Header
	var buffer []byte
	for number := uint64(0); d.payload < bytes; number++ {
		for _, n := range nodes {
			if h, buffer, err = n.frame(buffer[:0], number); err != nil {
				return err
			}
			if err := p.Frame(ctx, h, buffer); err != nil {
				return err
			}
			d.frames++
			d.payload += float64(len(buffer))
		}
	}
	if _, err := p.Flush(ctx); err != nil {
		return err
	}
	syscall.Sync() // what is written later would slow down what is timed
	return nil
}

// worker reads the journal through the worker, and returns how many seconds that
// takes from asking for the first message to having reduced the last.
func (d *drained) worker() (took float64, err error) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	j, end, err := d.open(ctx)
	if err != nil {
		return 0, err
	}
	defer end()
	began := time.Now()
	reader, err := j.Read(ctx, 1)
	if err != nil {
		return 0, err
	}
	defer reader.Close()
	taken := &nothing{until: d.frames, reached: func() {
		took = time.Since(began).Seconds()
		cancel()
	}}
	live := worker.Live{Plan: d.plan, Identity: j.Identity(), Archive: noArchive{}, Sinks: []worker.Sink{taken}, Quarantine: refuseNothing, Log: slog.New(slog.DiscardHandler)}
	if err := live.Run(ctx, reader); err != nil {
		return 0, err
	}
	if taken.frames != d.frames {
		return 0, fmt.Errorf("%d frames of %d were reduced", taken.frames, d.frames)
	}
	return took, nil
}

// broker reads the journal with a plain consumer and drops it.
func (d *drained) broker() (took float64, err error) {
	srv, err := server.NewServer(&server.Options{
		JetStream: true, StoreDir: d.store, JetStreamMaxStore: 1 << 60, JetStreamMaxMemory: 64 << 20, DontListen: true, NoSigs: true, NoLog: true,
	})
	if err != nil {
		return 0, err
	}
	srv.Start()
	defer func() {
		srv.Shutdown()
		srv.WaitForShutdown()
	}()
	if !srv.ReadyForConnections(time.Minute) {
		return 0, errors.New("the plain broker did not start")
	}
	nc, err := nats.Connect("", nats.InProcessServer(srv))
	if err != nil {
		return 0, err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return 0, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	began := time.Now()
	consumer, err := js.OrderedConsumer(ctx, journal.StreamName(streamTestName, d.plan.Name), jetstream.OrderedConsumerConfig{})
	if err != nil {
		return 0, err
	}
	// The client's own default, five hundred messages, is far slower with large ones.
	const ahead = 16 << 20
	ended := make(chan struct{})
	var messages uint64
	var bytes float64
	consuming, err := consumer.Consume(func(m jetstream.Msg) {
		if m.Headers().Get(frame.HeaderSource) == "" {
			return // the journal's first message is no frame
		}
		messages++
		bytes += float64(len(m.Data()))
		if messages == d.frames {
			close(ended)
		}
	}, jetstream.PullMaxMessagesWithBytesLimit(4096, ahead))
	if err != nil {
		return 0, err
	}
	defer consuming.Stop()
	select {
	case <-ended:
	case <-ctx.Done():
		return 0, fmt.Errorf("the plain broker: %w", ctx.Err())
	}
	took = time.Since(began).Seconds()
	if bytes != d.payload {
		return 0, fmt.Errorf("the plain broker delivered %.0f bytes of %.0f", bytes, d.payload)
	}
	return took, nil
}

// nothing is a sink that counts batches and drops them.
type nothing struct {
	frames, until uint64
	reached       func() // called once, with the last
}

func (n *nothing) Append(*group.Batch) error {
	if n.frames++; n.frames == n.until {
		n.reached()
	}
	return nil
}
func (n *nothing) Cut([]group.ZeroInForce) error { return nil }
func (n *nothing) Abort() error                  { return nil }

// noArchive drops what it is given.
type noArchive struct{}

func (noArchive) Append(*frame.Frame, uint64) error { return nil }
func (noArchive) Event(worker.PlacedEvent)          {}
func (noArchive) Cut(worker.End) error              { return nil }
func (noArchive) Abort() error                      { return nil }

// refuseNothing stops a measurement that would be of refusals.
func refuseNothing(_ context.Context, m journal.Message, reason frame.Reason, detail string) error {
	return fmt.Errorf("message %d was refused: %s: %s", m.Seq, reason, detail)
}
