package main

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
)

// manyFrames is more than ten times what a journal of smallJournal holds.
const (
	smallJournal = "100000"
	manyFrames   = 1000
	frameSeconds = 1e9 // ns
)

// sendMany publishes frames of a second from a number on, until the journal has all
// of them or ctx ends, and returns the number of the first that it has not. full is
// called once it refuses; it may end ctx.
func (b *liveBench) sendMany(ctx context.Context, from uint64, full func()) uint64 {
	b.Helper()
	publisher, err := b.journal.NewPublisher("node", "two", journal.PublisherOptions{MaxBytes: 20_000})
	if err != nil {
		b.Fatal(err)
	}
	if full != nil {
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			for ctx.Err() == nil && !errors.Is(publisher.Status().Err, journal.ErrFull) {
				time.Sleep(time.Millisecond)
			}
			full()
		}()
		defer func() { <-ended }()
	}
	start := liveStart.UnixNano() + int64(time.Hour)
	for n := from; n < manyFrames && err == nil; n++ {
		f := &frame.Frame{Source: "node", Boot: "two", Number: n}
		for i := range 10 {
			f.Time = append(f.Time, start+int64(n)*frameSeconds+int64(i)*1e8)
		}
		for _, name := range []string{"A1", "A2", "L1"} {
			f.Columns = append(f.Columns, frame.Column{Name: name, Unit: "mV/V", Float: make([]float64, 10)})
		}
		err = publisher.Send(ctx, f)
	}
	if err = errors.Join(err, publisher.Close(ctx)); err != nil && ctx.Err() == nil {
		b.Fatal(err)
	}
	return from + publisher.Status().Acknowledged
}

// A journal that is full and never trimmed is told of, and takes what people say.
// Trimmed again, it empties itself and keeps up with ten times what it holds;
// every frame comes, each once.
func TestAFullJournalEmptiesItself(t *testing.T) {
	b := newLiveBench(t)
	b.restart("--journal-max", smallJournal, "--keep-journal")
	b.feed(1)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	sent := b.sendMany(ctx, 0, func() {
		defer cancel()
		status, out, errs := glueline(t.Context(), "status", "--data", b.data)
		if status != 0 {
			t.Error(errs)
		}
		wants(t, strings.Join(strings.Fields(out), " "), "Warning: the journal of group main is full, and never trimmed (--keep-journal)", "Start again with a larger --journal-max")
		wants(t, b.command(0, nil, "note", "while it is full"), "note while it is full")
	})
	if sent == 0 || sent >= manyFrames/2 {
		t.Errorf("%d frames of %d were taken by a journal that is never trimmed", sent, manyFrames)
	}
	b.restart("--journal-max", smallJournal)
	if sent := b.sendMany(t.Context(), sent, nil); sent != manyFrames {
		t.Errorf("%d frames were taken, want %d", sent, manyFrames)
	}
	b.steps("--now")
	b.stop()
	rows := readSegments(t, b.data+"/"+reducedFolder)["node"].time
	if want := 10 + 10*manyFrames; len(rows) != want {
		t.Errorf("%d rows, want %d", len(rows), want)
	}
	if status, out, errs := glueline(t.Context(), "verify", b.data, "--recompute"); status != 0 {
		t.Errorf("verify: %d %s%s", status, out, errs)
	}
}

func TestFullSaidOnce(t *testing.T) {
	var said bytes.Buffer
	f := fullSaid{log: slog.New(slog.NewTextHandler(&said, nil)), group: "main"}
	now, s := time.Now(), &journal.State{Bytes: 95, MaxBytes: 100}
	for i := range 10 { // full every other second
		f.look("it is full", s, now)
		f.look("", s, now.Add(time.Second))
		now = now.Add(2 * time.Second)
		if n := strings.Count(said.String(), "it is full"); n != 1 {
			t.Fatalf("said %d times after %d looks", n, 2*i+2)
		}
	}
	f.look("", s, now.Add(roomFor))
	f.look("it is full", s, now.Add(2*roomFor))
	wants(t, said.String(), "has room again")
	if n := strings.Count(said.String(), "it is full"); n != 2 {
		t.Errorf("said %d times, want once more behind a minute with room", n)
	}
}

func TestFullAndStuck(t *testing.T) {
	for _, c := range []struct {
		name        string
		s           journal.State
		full, stuck bool
	}{
		{"empty", journal.State{First: 1, Last: 1, Bytes: 100, MaxBytes: 8 << 30}, false, false},
		{"half", journal.State{First: 1, Last: 9, Bytes: 4 << 30, MaxBytes: 8 << 30}, false, false},
		{"a large frame may not fit", journal.State{First: 1, Last: 9, Bytes: 8<<30 - 1000_000, MaxBytes: 8 << 30}, true, true},
		{"a small one half full: a frame may not fit", journal.State{First: 1, Last: 2, Bytes: 150_001, MaxBytes: 300_000}, false, true},
		{"the disk is low: the limit is what it holds", journal.State{First: 1, Last: 9, Bytes: 500, MaxBytes: 500}, true, true},
		{"nothing more to trim", journal.State{First: 9, Last: 9, Bytes: 500, MaxBytes: 500}, true, false},
		{"shut while it is trimmed", journal.State{First: 1, Last: 9, Bytes: 500, MaxBytes: shut}, false, false},
		{"no limit", journal.State{First: 1, Last: 9, Bytes: 500}, false, false},
	} {
		if full, stuck := isFull(&c.s), isStuck(&c.s); full != c.full || stuck != c.stuck {
			t.Errorf("%s: full %t, stuck %t, want %t, %t", c.name, full, stuck, c.full, c.stuck)
		}
	}
}
