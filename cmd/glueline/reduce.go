package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/expect"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
	"glueline/sinks/csvfile"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
	"glueline/sinks/summary"
)

type reduceCommand struct {
	Test   string   `arg:"" name:"testfile" help:"The test file (YAML)."`
	Raw    []string `arg:"" name:"raw" help:"Raw files, CSV or Arrow IPC; SOURCE=FILE when a file does not say which source it comes from."`
	Out    string   `required:"" short:"o" help:"Folder for the results; it must be new or empty."`
	Events string   `short:"e" help:"Zeros, shunts, steps and other events, one JSON object a line."`
	Then   []string `placeholder:"TIME=FILE" help:"From this time of the readings on, this test file holds: for constants that changed during the test. May be given more than once."`
	Format string   `enum:"arrow,csv" default:"arrow" help:"arrow: segments with every bit; csv: microstrain and MPa to fixed decimals."`
	Quiet  bool     `short:"q" help:"No progress bar and no table."`
}

// Run reduces raw files into a folder that appears whole or not at all.
func (c *reduceCommand) Run(ctx context.Context, s streams) error {
	r, err := reduceFiles(ctx, c, s)
	if err != nil {
		return err
	}
	if c.Quiet {
		return nil
	}
	printNotes(s.out, r.notes)
	r.print(s.out)
	findings, err := expect.Of(r.test, r.until)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Test, err)
	}
	printGravest(s.out, c.Test, findings.Subjects)
	return nil
}

// reduction is what a finished reduction can tell.
type reduction struct {
	test      *testfile.Test
	zone      *time.Location
	summaries []*summary.Summary
	out       string
	took      time.Duration
	rawBytes  int64
	notes     []string  // what is odd about the raw files
	until     time.Time // of the last row
}

func reduceFiles(ctx context.Context, c *reduceCommand, s streams) (*reduction, error) {
	began := time.Now()
	test, err := testfile.Load(c.Test)
	if err != nil {
		return nil, err
	}
	plans, err := plansToReduce(test)
	if err != nil {
		return nil, err
	}
	events, err := readEvents(c.Events, test)
	if err != nil {
		return nil, err
	}
	then, err := c.then(test, plans)
	if err != nil {
		return nil, err
	}
	if err := outIsFree(c.Out); err != nil {
		return nil, err
	}
	if _, err := os.Stat(parentOf(c.Out)); err != nil {
		return nil, fmt.Errorf("results folder %s: its parent must be there: %w", c.Out, err)
	}
	bar := newProgress(s.err, "reducing", c.Quiet)
	defer bar.Close()
	frames, err := frame.Open(test, c.Raw, bar.Set)
	if err != nil {
		return nil, err
	}
	defer frames.Close()
	bar.Begin(frames.TotalBytes())

	leftBehind(c.Out, s.err)
	partial, err := os.MkdirTemp(parentOf(c.Out), "."+filepath.Base(c.Out)+".partial-*")
	if err != nil {
		return nil, fmt.Errorf("results folder %s: its parent must be a folder that can be written: %w", c.Out, err)
	}
	done := false
	defer func() {
		if !done {
			if err := os.RemoveAll(partial); err != nil {
				fmt.Fprintf(s.err, "glueline: half-written results are still in %s: %v\n", partial, err)
			}
		}
	}()

	r := &reduction{test: test, zone: zoneOf(test), out: c.Out, rawBytes: frames.TotalBytes()}
	var works []*worker.Work
	var closers []func() error
	for _, p := range plans {
		if !given(p, frames) {
			continue
		}
		table := summary.New(p)
		r.summaries = append(r.summaries, table)
		w := &worker.Work{Plan: p, Sinks: []worker.Sink{table}, Then: then[p.Name]}
		switch c.Format {
		case "csv":
			sink := csvfile.New(partial, p)
			w.Sinks = append(w.Sinks, sink)
			closers = append(closers, sink.Close)
		default:
			w.Sinks = append(w.Sinks, segment.NewSink(disk.At(partial), test.About.Name.Text, p, program()))
		}
		works = append(works, w)
	}
	if err := worker.Offline(ctx, frames, events, works); err != nil {
		if ctx.Err() != nil {
			return nil, fmt.Errorf("interrupted; nothing was written: %w", err)
		}
		return nil, placed(err, frames)
	}
	r.notes, r.until = notesOf(test, plans, frames), lastRow(test, frames)
	if err := c.thenIsReached(r.until); err != nil {
		return nil, err
	}
	for _, closeFiles := range closers {
		if err := closeFiles(); err != nil {
			return nil, err
		}
	}
	if err := publish(partial, c.Out); err != nil {
		return nil, err
	}
	done = true
	r.took = time.Since(began)
	return r, nil
}

// then are the plans that hold from a time on, by group.
func (c *reduceCommand) then(test *testfile.Test, plans []*group.Plan) (map[string][]worker.Then, error) {
	all := map[string][]worker.Then{}
	if len(c.Then) > 0 && c.Format == "csv" {
		return nil, errors.New("--then: a CSV file has the columns of one test file; leave --format csv out")
	}
	before := &keptTest{test: test, plans: plans}
	var last time.Time
	for _, text := range c.Then {
		at, path, ok := strings.Cut(text, "=")
		t, err := time.Parse(time.RFC3339Nano, at)
		if !ok || err != nil {
			return nil, fmt.Errorf("--then %q; write TIME=FILE, for example 2026-05-04T06:00:00Z=right.yaml", text)
		}
		if !last.Before(t) && !last.IsZero() {
			return nil, fmt.Errorf("--then %q: write the times in their order", text)
		}
		last = t
		next, err := readTest(path)
		if err != nil {
			return nil, err
		}
		if err := mayReload(before, next); err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		for _, p := range next.plans {
			all[p.Name] = append(all[p.Name], worker.Then{At: t.UnixNano(), Plan: p})
		}
	}
	return all, nil
}

// thenIsReached refuses a time that no reading is of: a year is soon mistyped, and
// the constants behind it would hold nowhere.
func (c *reduceCommand) thenIsReached(last time.Time) error {
	for _, text := range c.Then {
		at, _, _ := strings.Cut(text, "=")
		if t, err := time.Parse(time.RFC3339Nano, at); err == nil && t.After(last) {
			return fmt.Errorf("--then %q: no reading is of that time or later, the last is of %s: look at the year and at the offset", text, last.UTC().Format(time.RFC3339Nano))
		}
	}
	return nil
}

// plansToReduce are the plans of a test that nothing speaks against reducing.
func plansToReduce(test *testfile.Test) ([]*group.Plan, error) {
	plans, err := group.Plans(test)
	for _, p := range plans {
		err = errors.Join(err, p.CheckSpans())
	}
	return plans, err
}

// given reports whether raw files of a group's sources were given.
func given(p *group.Plan, frames *frame.Reader) bool {
	return slices.ContainsFunc(p.Sources(), func(source string) bool {
		_, ok := frames.Columns(source)
		return ok
	})
}

func zoneOf(t *testfile.Test) *time.Location {
	zone, err := time.LoadLocation(t.About.Zone.Or("UTC"))
	if err != nil {
		return time.UTC // the test file was checked
	}
	return zone
}

// readEvents reads a file of events and checks their names against the test.
func readEvents(path string, t *testfile.Test) ([]event.Event, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("events: %w", err)
	}
	defer f.Close()
	events, err := event.ReadChecked(path, f, func(e *event.Event) error { return namesKnown(e, t) })
	return events, few(err)
}

// few keeps the first problems of many: a file of another kind is wrong in
// every line.
func few(err error) error {
	const most = 20
	var joined interface{ Unwrap() []error }
	if !errors.As(err, &joined) {
		return err
	}
	all := joined.Unwrap()
	if len(all) <= most {
		return err
	}
	return errors.Join(append(slices.Clone(all[:most]), fmt.Errorf("and %d more", len(all)-most))...)
}

// namesKnown checks an event's names against the test, and notes which inputs the
// channels are on.
func namesKnown(e *event.Event, t *testfile.Test) error {
	unknown := func(what, name string, known []string) error {
		return fmt.Errorf("%s of the unknown %s %q; the test file has %s", e.Event, what, name, some(known))
	}
	if e.Event == event.Calibration {
		return errors.New("the calibration changes by another test file: serve reads it again when it is sent SIGHUP")
	}
	for _, name := range e.Names() {
		if _, ok := t.Channels.Get(name); !ok {
			return unknown("channel", name, t.Channels.Names())
		}
	}
	if _, ok := t.Sources.Get(e.Source); e.Source != "" && !ok {
		return unknown("source", e.Source, t.Sources.Names())
	}
	if e.AtWires() && len(e.Inputs) == 0 {
		for _, name := range e.Names() {
			if at, ok := t.WiredAt(name, e.Time); ok && !slices.Contains(e.Inputs, at) {
				e.Inputs = append(e.Inputs, at)
			}
		}
	}
	return nil
}

// outIsFree refuses a folder that holds something: results are never mixed.
func outIsFree(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("results folder %s: %w; give a folder that is new or empty", dir, err)
	case len(entries) > 0:
		return fmt.Errorf("results folder %s is not empty (it holds %s); give a folder that is new or empty", dir, entries[0].Name())
	}
	return nil
}

// leftBehind tells of half-written results of runs to the same folder. They may
// be of one that still goes on, so they are not removed.
func leftBehind(out string, say io.Writer) {
	left, err := filepath.Glob(filepath.Join(parentOf(out), "."+filepath.Base(out)+".partial-*"))
	if err != nil {
		return // a name with signs of a pattern: nothing to look for
	}
	for _, path := range left {
		fmt.Fprintf(say, "glueline: note: %s is of a run that was killed, or still goes on; remove it if none does\n", path)
	}
}

func parentOf(dir string) string { return filepath.Dir(filepath.Clean(dir)) }

// publish gives finished results their name. An empty folder of that name goes
// first: nothing but a rename makes results appear.
func publish(partial, out string) error {
	out = filepath.Clean(out)
	if err := os.Chmod(partial, 0o755); err != nil {
		return fmt.Errorf("publish the results: %w", err)
	}
	if err := os.Remove(out); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("publish the results: %w", err)
	}
	if err := os.Rename(partial, out); err != nil {
		return fmt.Errorf("publish the results: %w", err)
	}
	return disk.At(parentOf(out)).Sync()
}
