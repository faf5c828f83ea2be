package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sort"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/health"
	"glueline/pipeline/journal"
	"glueline/pipeline/simulate"
	"glueline/sinks/segment"
	"glueline/sinks/summary"
)

type demoCommand struct {
	Out      string        `short:"o" default:"glueline-demo" help:"Folder for the raw files and the results; it must be new or empty."`
	Seed     uint64        `default:"1" help:"Places the faults and the noise: another seed, another test."`
	NoFaults bool          `help:"A test in which nothing goes wrong."`
	Duration time.Duration `default:"48h" help:"Length of the simulated test, at least 1m. Sensors that open or are lost are named from about 2h on, a channel that saturates from 4h; moisture is slow: some seeds show it from 24h, all at the default."`
	Raw      string        `enum:"csv,arrow" default:"csv" help:"Form of the raw files (csv or arrow)."`
	Stay     bool          `help:"Keep the service running at the end, for publishers and commands, until it is told to stop."`
	Quiet    bool          `short:"q" help:"No progress bars."`
}

// Run makes the raw data of an invented test, sends them through the service
// faster than real time and says what is wrong with its channels, from the
// segments alone.
func (c *demoCommand) Run(ctx context.Context, s streams) error {
	folder, err := beginDemo(c.Out, s.out)
	if err != nil {
		return err
	}
	err = c.run(ctx, s, folder)
	switch {
	case folder.finished:
		return err // of the service that stayed
	case errors.Is(err, simulate.ErrOptions):
		return errors.Join(err, folder.clear())
	case ctx.Err() != nil:
		return errors.Join(fmt.Errorf("interrupted; nothing was kept: %w", ctx.Err()), folder.clear())
	}
	folder.unlock()
	return fmt.Errorf("%w\nWhat there is was kept in %s until the next demo there", err, c.Out)
}

// run works in the folder, and finishes it when all is said.
func (c *demoCommand) run(ctx context.Context, s streams, folder *demoFolder) error {
	raw, results := filepath.Join(c.Out, demoRaw), filepath.Join(c.Out, demoResults)
	if err := os.MkdirAll(raw, 0o755); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	fmt.Fprintf(s.out, "Hollin Lock: the lower gate of an invented canal lock is proof-filled for %s.\n", c.Duration)
	options := simulate.Options{Seed: c.Seed, Duration: c.Duration, Format: c.Raw}
	if c.NoFaults {
		options.Faults = simulate.NoFaults
	}
	began := time.Now()
	truth, err := simulateWithBar(ctx, raw, options, s, c.Quiet)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "Raw readings made in %.1f s: %s\n", time.Since(began).Seconds(), raw)

	serve := &serveCommand{
		Test: truth.TestFile, Data: results, JournalMax: 1 << 40, Lazy: true, KeepFree: -1,
		IdleCut: time.Hour, MaxCut: 24 * time.Hour, StopWithin: 10 * time.Second,
	}
	if c.Stay {
		serve.Listen, serve.Console = "127.0.0.1:0", "127.0.0.1:0"
	}
	log := slog.New(slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: slog.LevelWarn}))
	return serve.serve(ctx, s, log, func(ctx context.Context, stop func(), conn *journal.Conn, svc *service) error {
		if err := c.through(ctx, s, conn, svc, truth); err != nil {
			return err
		}
		if err := folder.finish(); err != nil {
			return err
		}
		if !c.Stay {
			stop()
			return nil
		}
		fmt.Fprintf(s.out, "\nLook at it: %s\n", svc.page.link)
		fmt.Fprintln(s.out, "The service stays until it is told to stop (Ctrl-C).")
		return nil
	})
}

// through sends the raw files through the running service, waits until all of
// it is committed, and tells what came out.
func (c *demoCommand) through(ctx context.Context, s streams, conn *journal.Conn, svc *service, truth simulate.Truth) error {
	began := time.Now()
	events, err := readEvents(truth.Events, svc.test)
	if err != nil {
		return err
	}
	bar := newProgress(s.err, "replaying", c.Quiet)
	defer bar.Close()
	frames, err := frame.Open(svc.test, truth.Files, bar.Set)
	if err != nil {
		return err
	}
	defer frames.Close()
	bar.Begin(frames.TotalBytes())
	var plans []*group.Plan
	for _, g := range svc.groups {
		plans = append(plans, g.plan)
	}
	line, err := newReplay(ctx, conn, svc.test, plans, frames, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(line.run(ctx, frames, events), line.close()); err != nil {
		return err
	}
	for _, g := range svc.groups {
		if err := g.waitCommitted(ctx, !c.Stay); err != nil {
			return err
		}
	}
	bar.Close()
	r := &reduction{
		test: svc.test, zone: zoneOf(svc.test), out: filepath.Join(svc.data, reducedFolder),
		rawBytes: frames.TotalBytes(), took: time.Since(began),
	}
	var finder health.Finder
	for _, g := range svc.groups {
		table, err := readBack(r.out, g.plan, svc.test.About.Load.Text, &finder)
		if err != nil {
			return err
		}
		r.summaries = append(r.summaries, table)
	}
	fmt.Fprintf(s.out, "%d frames and %d events went through the journal.\n", line.frames, line.events)
	r.print(s.out)
	printFindings(s.out, finder.Findings(), r.zone)
	fmt.Fprintf(s.out, "\nThe same without a service: glueline reduce %s --events %s --out NEW-FOLDER RAW-FILES\n"+
		"What each channel should show: glueline check %s\n", truth.TestFile, truth.Events, truth.TestFile)
	return nil
}

// waitCommitted waits until all that is in the group's journal is committed,
// and then, if it is to be trimmed, leaves the last message in it alone.
func (g *liveGroup) waitCommitted(ctx context.Context, trim bool) error {
	state, err := g.journal.State(ctx)
	if err != nil {
		return err
	}
	for g.progress.Look().Committed < state.Last {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
	}
	if trim {
		return g.journal.Trim(ctx, state.Last)
	}
	return nil
}

func simulateWithBar(ctx context.Context, dir string, o simulate.Options, s streams, quiet bool) (simulate.Truth, error) {
	const steps = 1000
	bar := newProgress(s.err, "simulating", quiet)
	defer bar.Close()
	bar.BeginSteps(steps)
	truth, err := simulate.Write(dir, o, func(done float64) {
		bar.Set(int64(done * steps))
	})
	if err != nil {
		return truth, err
	}
	return truth, ctx.Err()
}

// readBack reads the committed segments of a group, in the order of their cuts,
// for the table and the finder of faults.
func readBack(dir string, p *group.Plan, load string, finder *health.Finder) (*summary.Summary, error) {
	table := summary.New(p)
	paths, err := filepath.Glob(filepath.Join(dir, p.Name+".*.commit.json"))
	if err != nil {
		return nil, err
	}
	if len(paths) == 0 {
		return nil, fmt.Errorf("%s: %w: no commit record of group %s", dir, fs.ErrNotExist, p.Name)
	}
	sort.Strings(paths)
	for _, path := range paths {
		record, err := segment.ReadCommit(path)
		if err != nil {
			return nil, err
		}
		for _, file := range record.Files {
			if err := readSegment(dir, file, load, table, finder); err != nil {
				return nil, err
			}
		}
		var zeros []group.ZeroInForce
		for _, z := range append(record.Zeros, record.OtherZeros...) {
			zeros = append(zeros, z.OfGroup())
		}
		if err := table.Cut(zeros); err != nil {
			return nil, err
		}
	}
	return table, nil
}

// judged are the quantities that the finder knows.
var judged = map[group.Quantity]health.Quantity{
	group.Strain: health.Strain, group.Shear: health.Strain, group.Indicated: health.Strain,
	group.Temperature: health.Temperature, group.Auxiliary: health.Load,
}

// readSegment shows one segment to the table and the finder, each series with
// its flags.
func readSegment(dir string, file segment.File, load string, table *summary.Summary, finder *health.Finder) error {
	seg, err := segment.ReadCommitted(dir, file)
	if err != nil {
		return err
	}
	defer seg.Close()
	var batch group.Batch
	for _, m := range seg.Metadata {
		if m[0] == "source" {
			batch.Source = m[1]
		}
	}
	flags := map[string]int{}
	for i, f := range seg.Fields[2:] {
		if f.Kind == segment.Flags {
			flags[metadata(f, "of")] = i
		}
	}
	for {
		b, err := seg.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		batch.Rows, batch.Time, batch.Columns = b.Rows, b.Time, batch.Columns[:0]
		for _, column := range b.Columns {
			batch.Columns = append(batch.Columns, group.Column{Float: column.Float, Flags: column.Flags})
		}
		if err := table.Append(&batch); err != nil {
			return err
		}
		for i, f := range seg.Fields[2:] {
			quantity, ok := judged[group.Quantity(metadata(f, "quantity"))]
			of := metadata(f, "of")
			if !ok || quantity == health.Load && of != load {
				continue
			}
			series := health.Series{Name: of, Quantity: quantity, Time: b.Time, Value: b.Columns[i].Float}
			if at, ok := flags[of]; ok {
				series.Flags = b.Columns[at].Flags
			}
			finder.Add(series)
		}
	}
}

func metadata(f segment.Field, key string) string {
	for _, m := range f.Metadata {
		if m[0] == key {
			return m[1]
		}
	}
	return ""
}

func printFindings(w io.Writer, findings []health.Finding, zone *time.Location) {
	if len(findings) == 0 {
		fmt.Fprintln(w, "\nFaults found in the segments: none.")
		return
	}
	fmt.Fprintf(w, "\nFaults found in the segments: %d\n", len(findings))
	t := table{head: []string{"channel", "fault", "since", "evidence"}, right: make([]bool, 4)}
	for _, f := range findings {
		t.rows = append(t.rows, []string{f.Channel, string(f.Kind), f.Since.In(zone).Format("2006-01-02 15:04:05 MST"), f.Evidence})
	}
	t.write(w)
}
