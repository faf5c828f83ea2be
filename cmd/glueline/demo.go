package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/health"
	"glueline/pipeline/simulate"
	"glueline/sinks/segment"
)

type demoCommand struct {
	Out      string        `short:"o" default:"glueline-demo" help:"Folder for the raw files and the results; it must be new or empty."`
	Seed     uint64        `default:"1" help:"Places the faults and the noise: another seed, another test."`
	NoFaults bool          `help:"A test in which nothing goes wrong."`
	Duration time.Duration `default:"48h" help:"Length of the simulated test."`
	Raw      string        `enum:"csv,arrow" default:"csv" help:"Form of the raw files (csv or arrow)."`
	Quiet    bool          `short:"q" help:"No progress bars."`
}

// Run makes the raw data of an invented test, does the main job on it and says
// what is wrong with its channels, from the segments alone.
func (c *demoCommand) Run(ctx context.Context, s streams) error {
	if err := outIsFree(c.Out); err != nil {
		return err
	}
	raw, results := filepath.Join(c.Out, "raw"), filepath.Join(c.Out, "results")
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

	r, err := reduceFiles(ctx, &reduceCommand{
		Test: truth.TestFile, Raw: truth.Files, Events: truth.Events, Out: results, Format: "arrow", Quiet: c.Quiet,
	}, s)
	if err != nil {
		return err
	}
	r.print(s.out)
	findings, err := findFaults(results, r.test.About.Load.Text)
	if err != nil {
		return err
	}
	printFindings(s.out, findings, r.zone)
	fmt.Fprintf(s.out, "\nThe same again: glueline reduce %s --events %s --out NEW-FOLDER RAW-FILES\n"+
		"What each channel should show: glueline check %s\n", truth.TestFile, truth.Events, truth.TestFile)
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

// findFaults reads the committed segments of a folder, in the order of their
// cuts, and judges their channels.
func findFaults(dir, load string) ([]health.Finding, error) {
	records, err := filepath.Glob(filepath.Join(dir, "*.commit.json"))
	if err != nil {
		return nil, err
	}
	if len(records) == 0 {
		return nil, fmt.Errorf("%s: %w: no commit record", dir, fs.ErrNotExist)
	}
	sort.Strings(records)
	var finder health.Finder
	for _, path := range records {
		record, err := segment.ReadCommit(path)
		if err != nil {
			return nil, err
		}
		for _, file := range record.Files {
			if err := judge(&finder, dir, file, load); err != nil {
				return nil, err
			}
		}
	}
	return finder.Findings(), nil
}

// judged are the quantities that the finder knows.
var judged = map[group.Quantity]health.Quantity{
	group.Strain: health.Strain, group.Shear: health.Strain, group.Indicated: health.Strain,
	group.Temperature: health.Temperature, group.Auxiliary: health.Load,
}

// judge shows one segment to the finder, each series with its flags.
func judge(finder *health.Finder, dir string, file segment.File, load string) error {
	seg, err := segment.ReadCommitted(dir, file)
	if err != nil {
		return err
	}
	defer seg.Close()
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
