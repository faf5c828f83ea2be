package main

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"sort"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
)

// rawFiles are what a results folder was made from, as far as it was told.
type rawFiles struct {
	paths  []string // SOURCE=FILE
	named  string   // the file of the events
	events []event.Event
}

// findInResults finds the row in a results folder of reduce, which keeps neither
// readings nor test file: it is told them.
func (c *explainCommand) findInResults(ctx context.Context, at int64) (*explainedRow, error) {
	paths, err := filepath.Glob(filepath.Join(c.Dir, "*.commit.json"))
	if err != nil {
		return nil, err
	}
	if len(paths) == 0 {
		return nil, nothingIn(c.Dir)
	}
	if c.Test == "" || len(c.Raw) == 0 {
		return nil, fmt.Errorf("%s has no %s folder: a value is explained from its reading, which only the data folder of serve keeps; "+
			"of a results folder of reduce say what it was made from: --test FILE --raw SOURCE=FILE --events FILE, --raw once for each raw file", c.Dir, rawFolder)
	}
	sort.Strings(paths)
	p, err := findRow(ctx, c.Dir, paths, c.Channel, at)
	if err != nil {
		return nil, err
	}
	e := &explainedRow{data: c.Dir, dir: c.Dir, asked: at, place: p, files: &rawFiles{paths: c.Raw, named: c.Events},
		record: &archive.Record{Group: p.record.Group, Cut: p.record.Cut}}
	if e.test, e.plan, err = c.madeBy(c.Dir, p); err != nil {
		return nil, err
	}
	e.files.events, err = readEvents(c.Events, e.test)
	return e, err
}

// open gives what a group was made from in its order: the frames of its sources, and
// each event before the first frame that has a row of its time or later.
func (f *rawFiles) open(test *testfile.Test, plan *group.Plan) (next func() (worker.Item, error), end func(), err error) {
	frames, err := frame.Open(test, f.paths, func(int64) {})
	if err != nil {
		return nil, nil, err
	}
	events, place := f.events, uint64(0)
	var waiting, given *frame.Frame
	next = func() (worker.Item, error) {
		if given != nil {
			given.Release()
			given = nil
		}
		for waiting == nil {
			read, err := frames.Next()
			if err != nil {
				return worker.Item{}, err
			}
			if waiting = read; !slices.Contains(plan.Sources(), read.Source) {
				read.Release()
				waiting = nil
			}
		}
		place++
		if len(events) > 0 && events[0].Time.UnixNano() <= waiting.Time[waiting.Rows()-1] {
			e := events[0]
			events = events[1:]
			return worker.Item{Place: place, Event: &worker.PlacedEvent{Place: place, Event: e}}, nil
		}
		given, waiting = waiting, nil
		return worker.Item{Place: place, Frame: given}, nil
	}
	return next, func() { _ = frames.Close() }, nil // they were only read
}

// zeroFrom says which event a zero came from.
func (f *rawFiles) zeroFrom(z *group.ZeroRecord) string {
	for i := range f.events {
		if x := &f.events[i]; endsZero(x, z) {
			return fmt.Sprintf("the event that ended it, in %s, by %s", filepath.Base(f.named), x.Who)
		}
	}
	return ""
}
