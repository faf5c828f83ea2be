package main

import (
	"context"
	"errors"
	"testing"
)

// A command that is interrupted in the middle of a window closes what it opened.
func TestInterruptedZeroIsVoid(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	b.command(0, nil, "load-state", "idle")
	ctx, interrupt := context.WithCancel(t.Context())
	out, ended := new(spoken), make(chan int, 1)
	go func() {
		defer out.end()
		ended <- run(ctx, []string{"zero", "--kind", "test", "--for", "20s", "--data", b.data, "--who", "M. Arkle", "--why", "a trial"}, streams{out, out})
	}()
	out.await(t, "zero test begin")
	b.feed(5)
	interrupt()
	if status := <-ended; status != 1 {
		t.Errorf("status %d", status)
	}
	wants(t, out.String(), "zero test void", "the zero before stays in force", "canceled")
	b.feed(20)
	if l, err := newControl(b.data).look(t.Context()); err != nil || len(l.Zeros) != 0 {
		t.Errorf("in progress: %+v, %v", l.Zeros, err)
	}
	b.steps("--now")
	records := b.records()
	if zeros := records[len(records)-1].Zeros; len(zeros) != 0 {
		t.Errorf("in force: %+v", zeros)
	}
}

// A command waits for the time of the data, and no longer than it is let.
func TestWaitingForReadingsCanBeStopped(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	l, err := newControl(b.data).until(ctx, liveStart.UnixNano(), func(*looks) []string { return []string{"node", "logger"} })
	if err != nil || len(l.Newest) != 2 {
		t.Errorf("a time that has come: %+v, %v", l, err)
	}
	stop()
	if _, err := newControl(b.data).until(ctx, liveStart.UnixNano()+1e12, func(*looks) []string { return []string{"node"} }); !errors.Is(err, context.Canceled) {
		t.Errorf("a time that never comes: %v", err)
	}
}
