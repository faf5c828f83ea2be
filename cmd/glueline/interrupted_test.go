package main

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"testing"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
)

// interrupted runs a command and interrupts it after during. None of what it says
// may be in words of the program.
func (b *liveBench) interrupted(during func(*spoken), args ...string) string {
	b.Helper()
	ctx, interrupt := context.WithCancel(b.Context())
	defer interrupt()
	out, ended := new(spoken), make(chan int, 1)
	go func() {
		defer out.end()
		ended <- run(ctx, append(args, "--data", b.data, "--who", "M. Arkle", "--why", "a trial"), streams{out, out})
	}()
	during(out)
	interrupt()
	if status := <-ended; status != 1 {
		b.Errorf("%v: status %d", args, status)
	}
	if strings.Contains(out.String(), "context canceled") {
		b.Errorf("%v: %s", args, out)
	}
	return out.String()
}

// A command that is interrupted in the middle of a window closes what it opened.
func TestInterruptedZeroIsVoid(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	b.command(0, nil, "load-state", "idle")
	wants(t, b.interrupted(b.fed("zero test begin", 5), "zero", "--kind", "test", "--for", "20s"),
		"zero test void", "Interrupted: the window is closed again", "The zero before stays in force")
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
	if _, err := newControl(b.data).until(ctx, liveStart.UnixNano()+1e12, func(*looks) []string { return []string{"node"} }); !errors.Is(err, errInterrupted) {
		t.Errorf("a time that never comes: %v", err)
	}
}

// Work that a reading may jump through is not begun after an interruption; what
// was begun before is ended.
func TestInterruptedBalanceBeginsNothing(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	b.command(0, nil, "load-state", "idle")
	b.command(0, b.fed("begin", 12), "zero", "--kind", "test", "--for", "10s")
	out := b.interrupted(b.fed("balance beam before", 5), "balance", "begin", "girder")
	wants(t, out, "balance beam void", "interrupted; the reading was dropped and no balance has begun", "Again: glueline balance begin girder")
	if strings.Contains(out, "balance beam begin,") {
		t.Errorf("begun after the interruption:\n%s", out)
	}
	b.feed(20)

	wants(t, b.command(0, b.fed("balance beam before", 12), "balance", "begin", "girder"), "balance beam begin,")
	b.feed(2)
	wants(t, b.interrupted(b.fed("balance beam after", 5), "balance", "end", "girder"),
		"balance beam end,", "interrupted; the balance has ended in the journal without the reading after it", "Take a zero")
	b.feed(20)
	b.steps("--now")
	last := readSegments(t, filepath.Join(b.data, reducedFolder))["node"]
	if m := last.flags["beam flags"][len(last.time)-1]; m != flag.Replaced {
		t.Errorf("beam: %s", m)
	}
}

func TestInterruptedShuntIsOff(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	b.command(0, nil, "load-state", "idle")
	b.command(0, b.fed("begin", 12), "zero", "--kind", "test", "--for", "10s")
	b.feed(12)
	wants(t, b.interrupted(b.fed("shunt beam on", 3), "shunt", "beam"), "shunt beam off", "Disconnect it now", "interrupted; the shunt is off again")
	b.feed(20)
	wants(t, b.interrupted(b.fed("shunt beam on", 8), "shunt", "beam", "--for", "8s"), "interrupted; the shunt is off again")
	b.feed(30)
	wants(t, b.interrupted(func(out *spoken) {
		b.fed("shunt beam on", 1)(out)
		out.await(t, "shunt beam off")
	}, "shunt", "beam", "--for", "0.5s", "--settling", "0s"), "on and off stand in the journal")
}

// An interruption ahead of the first event leaves the journal as it is.
func TestInterruptedBeforeAnythingWasPublished(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	ctx, interrupt := context.WithCancel(t.Context())
	interrupt()
	before := b.journaled()
	for _, args := range [][]string{
		{"zero", "--kind", "test"}, {"shunt", "beam"}, {"step", "begin", "first"}, {"balance", "begin", "girder"}, {"note", "x"}, {"balance", "end", "girder"},
	} {
		out := new(spoken)
		status := run(ctx, append(args, "--data", b.data, "--who", "M. Arkle", "--why", "a trial"), streams{out, out})
		if status != 1 || !strings.Contains(out.String(), "interrupted; nothing was published") {
			t.Errorf("%v: status %d: %s", args, status, out)
		}
	}
	// Nor does one between the look at the data and the first event.
	if err := newControl(b.data).say(ctx, streams{new(spoken), new(spoken)}, event.Event{Event: "note", Text: "x", Time: liveStart}, ""); !errors.Is(err, errInterrupted) {
		t.Error(err)
	}
	if after := b.journaled(); after != before {
		t.Errorf("the journal ended at %d and ends at %d", before, after)
	}
}

// journaled is the last sequence of the journal.
func (b *liveBench) journaled() uint64 {
	b.Helper()
	state, err := b.journal.State(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	return state.Last
}

// When the service ends while a command waits, the command says what stands in
// the journal.
func TestCommandWhoseServiceEnds(t *testing.T) {
	for _, c := range []struct {
		args  []string
		words string
		want  string
	}{
		{[]string{"zero", "--kind", "test"}, "zero test begin", "The begin of the zero stands in the journal without an end"},
		{[]string{"shunt", "beam"}, "shunt beam on", "The shunt on beam stands in the journal without an end"},
		{[]string{"balance", "begin", "girder"}, "balance beam before", "A reading for the balance of girder stands in the journal without an end"},
	} {
		b := newLiveBench(t)
		b.feed(2)
		out := b.command(1, func(out *spoken) {
			out.await(t, c.words)
			b.stop()
		}, c.args...)
		wants(t, out, c.want, "no glueline serve is running on")
	}
}
