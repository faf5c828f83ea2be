package faults

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/journal/brokertest"
	"glueline/sinks/archive"
)

// bigFrame is about 50 kB of a source of the bench file.
func bigFrame(source string, n uint64) *frame.Frame {
	f := &frame.Frame{Source: source, Boot: "big", Number: n}
	rows, step := int64(2000), int64(1e6)
	if source == "logger" {
		rows, step = 200, 1e7
	}
	for row := range rows {
		f.Time = append(f.Time, firstTime+(int64(n)*rows+row)*step)
	}
	value := func(row, column int) float64 {
		return math.Sin(float64(n)+float64(row)/50) + float64(column)/10
	}
	names := []string{"1", "2", "3", "4"}
	switch source {
	case "logger":
		names = []string{"T"}
	case "node":
		names = names[:3]
	}
	for i, name := range names {
		c := frame.Column{Name: name, Unit: map[string]string{"node": "mV/V", "logger": "degC", "far": "count"}[source]}
		for row := range f.Time {
			if source == "far" {
				c.Counts = append(c.Counts, int32(1e6*value(row, i)))
			} else {
				c.Float = append(c.Float, value(row, i))
			}
		}
		f.Columns = append(f.Columns, c)
	}
	return f
}

// refusedForGood is when sendBig gives up, and says how the service stands: many
// times what a slow disk takes.
const refusedForGood = 5 * time.Minute

// sendBig publishes a number of frames of every source and waits until the journals
// have them, or the service ends.
func sendBig(t *testing.T, s *service, url string, plans []*group.Plan, frames uint64) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go func() {
		select {
		case <-s.ended:
		case <-time.After(refusedForGood):
			status, err := s.get("/status")
			t.Errorf("frames are still refused after %s\n%s %v\n%s", refusedForGood, status, err, s.said)
		case <-ctx.Done():
		}
		cancel()
	}()
	conn := must(journal.Connect(url, journal.ConnectOptions{Name: "big"}))(t)
	defer conn.Close()
	var all sync.WaitGroup
	for _, p := range plans {
		j := must(journal.Attach(t.Context(), conn, benchName, p.Name))(t)
		for _, source := range p.Sources() {
			all.Go(func() {
				publisher, err := j.NewPublisher(source, "big", journal.PublisherOptions{MaxBytes: bufferBytes})
				for n := uint64(0); n < frames && err == nil; n++ {
					err = publisher.Send(ctx, bigFrame(source, n))
				}
				if err == nil {
					err = publisher.Close(ctx)
				}
				if err != nil {
					t.Errorf("source %s: %v", source, err)
				}
			})
		}
	}
	all.Wait()
	if !s.alive() {
		t.Fatalf("the service ended\n%s", s.said)
	}
}

// Journals that hold less than a cut of the usual size, by their limit or because
// their disk is small, take more than ten times what they hold: files end while
// there is room for the event that ends them. Every frame is there once.
func TestJournalSmallerThanACut(t *testing.T) {
	for _, c := range []struct {
		name      string
		args      []string
		elsewhere bool // the broker is a server that is there already
		disk      int  // bytes; 0: that of the test
		frames    uint64
		holds     int64 // bytes that a journal may hold
	}{
		{name: "limit", args: []string{"--journal-max", "300kB"}, frames: 40, holds: 300_000},
		{name: "limit on another server", args: []string{"--journal-max", "300kB", "--one-replica"}, elsewhere: true, frames: 40, holds: 300_000},
		{name: "disk", disk: 14 << 20, frames: 1400, holds: 14 << 20},
	} {
		t.Run(c.name, func(t *testing.T) {
			parallel(t)
			testFile := filepath.Join(t.TempDir(), "bench.yaml")
			if err := os.WriteFile(testFile, []byte(strings.Replace(article, "group: far, ", "", 1)), 0o600); err != nil {
				t.Fatal(err)
			}
			plans := must(plansOf(testFile))(t)
			o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: c.args, cutBytes: 64 << 20}
			if c.disk > 0 {
				dir, relieve := smallDisk(t, c.disk, 0)
				relieve()
				o.args = append(o.args, "--journal", filepath.Join(dir, "journal"))
			}
			url := ""
			if c.elsewhere {
				url = brokertest.Start(t).URL()
				o.args = append(o.args, "--nats", url)
			} else {
				url = o.listening(t)
			}
			s := start(t, o)
			s.ready()
			sendBig(t, s, url, plans, c.frames)
			for _, g := range must(s.status())(t) {
				if g.Journal.MaxBytes > c.holds || g.Progress.Cuts < 10 {
					t.Errorf("group %s: %d cuts, the journal's limit is %d bytes, want at least 10 and at most %d", g.Group, g.Progress.Cuts, g.Journal.MaxBytes, c.holds)
				}
			}
			s.cut()
			s.stop()
			raw := filepath.Join(o.data, "raw")
			there, _ := archived(t, raw, plans)
			var bytes int64
			for _, p := range plans {
				for _, cut := range must(archive.Cuts(raw, p.Name))(t) {
					for _, f := range must(archive.Read(raw, p.Name, cut))(t).Files {
						bytes += f.Bytes
					}
				}
			}
			if want := 3 * int(c.frames); len(there) != want || bytes < 10*c.holds {
				t.Errorf("%d frames of %d bytes in the archive, want %d of more than %d", len(there), bytes, want, 10*c.holds)
			}
			checkRecomputed(t, o.data, plans)
		})
	}
}

// Where the journals' limits are more than their disk has, but that has room, files
// end by their size alone: the limits that follow the disk ask for no cut.
func TestCutsOfALimitThatFollowsTheDisk(t *testing.T) {
	parallel(t)
	testFile, plans := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--journal-max", "1000TB", "--idle-cut", "1h"}, cutBytes: 1 << 20}
	url := o.listening(t)
	s := start(t, o)
	s.ready()
	sendBig(t, s, url, plans, 200)
	s.stop()
	raw := filepath.Join(o.data, "raw")
	for _, p := range plans {
		cuts := must(archive.Cuts(raw, p.Name))(t)
		for _, cut := range cuts {
			for _, e := range must(archive.Read(raw, p.Name, cut))(t).Events {
				if e.Event.Event == event.Cut {
					t.Errorf("group %s, cut %d of %d: ended by an event: %s", p.Name, cut, len(cuts), e.Event.Why)
				}
			}
		}
		if len(cuts) < 5 {
			t.Errorf("group %s: %d cuts, want some by their size", p.Name, len(cuts))
		}
	}
}
