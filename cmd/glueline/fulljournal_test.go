package main

import (
	"errors"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
)

// A journal that is full before its files end is told of, takes what people say,
// ends its files by itself and goes on; every frame comes, each once.
func TestAFullJournalEmptiesItself(t *testing.T) {
	b := newLiveBench(t)
	b.restart("--journal-max", "100000", "--idle-cut", "2s")
	b.feed(1)
	publisher, err := b.journal.NewPublisher("node", "two", journal.PublisherOptions{})
	if err != nil {
		t.Fatal(err)
	}
	const frames = 500
	at := liveStart.UnixNano() + int64(time.Hour)
	for n := range uint64(frames) {
		f := &frame.Frame{Source: "node", Boot: "two", Number: n}
		for range 10 {
			f.Time, at = append(f.Time, at), at+1e8
		}
		for _, name := range []string{"A1", "A2", "L1"} {
			f.Columns = append(f.Columns, frame.Column{Name: name, Unit: "mV/V", Float: make([]float64, 10)})
		}
		if err := publisher.Send(t.Context(), f); err != nil {
			t.Fatal(err)
		}
	}
	for !errors.Is(publisher.Status().Err, journal.ErrFull) {
		time.Sleep(time.Millisecond)
	}
	status, out, errs := glueline(t.Context(), "status", "--data", b.data)
	if status != 0 {
		t.Fatal(errs)
	}
	wants(t, out, "Warning: the journal of group main is full")
	wants(t, b.command(0, nil, "note", "while it is full"), "note while it is full")
	if err := publisher.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.steps("--now")
	b.stop()
	rows := readSegments(t, b.data+"/"+reducedFolder)["node"].time
	if want := 10 + 10*frames; len(rows) != want {
		t.Errorf("%d rows, want %d", len(rows), want)
	}
	if status, out, errs := glueline(t.Context(), "verify", b.data, "--recompute"); status != 0 {
		t.Errorf("verify: %d %s%s", status, out, errs)
	}
}
