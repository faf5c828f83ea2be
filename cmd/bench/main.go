//go:build unix

// Command bench measures how fast the program is as ratios to what else could
// do the work: NumPy for the column kernels, a pandas script for CSV, cp for
// Arrow files, for the stream the disk's synced writes and the broker alone.
// Both sides of a ratio take turns in one run; the first round is dropped, and
// the median of the others' ratios is what is printed. Absolute figures move
// from machine to machine, the ratios much less.
//
// It is a program of its own rather than a set of Go benchmarks because half of
// what it times are other processes. Start it with make bench.
package main

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
)

// settings are what the sections share.
type settings struct {
	rounds  int
	scratch string // on disk
	memory  string // in memory where there is such a file system, else the same
	program string // glueline, built for this run
	python  string
	scripts string
	long    bool

	streamSeconds float64 // of the headline, at least
	streamBytes   float64 // that a part writes: the headline at least, the others at most; 0 is what each needs
	streamFirst   float64 // s of the stream that a ten times longer one is compared with
	streamParts   string  // with commas between
	streamServe   string  // more arguments of serve, with blanks between
	profile       string  // file for the profile of allocations; "" is none
	streamCuts    uint64  // of the shorter test that recovery is timed with

	consoleSeconds float64 // that the console is looked at
}

func main() {
	if text := os.Getenv(loadVariable); text != "" {
		if err := runAsLoad(text); err != nil {
			fmt.Fprintln(os.Stderr, "bench:", err)
			os.Exit(1)
		}
		return
	}
	var s settings
	flag.IntVar(&s.rounds, "rounds", 5, "rounds that count; one more is dropped")
	flag.StringVar(&s.scripts, "scripts", "testdata/bench", "folder of the Python scripts")
	flag.BoolVar(&s.long, "long", false, "compare the memory for 10 GB with that for 1 GB (40 GB of disk)")
	flag.Float64Var(&s.streamSeconds, "stream-seconds", 60, "shortest time of the stream's headline")
	flag.Float64Var(&s.streamBytes, "stream-bytes", 0, "what the headline writes at least and the other parts of the stream at most; 0 is half the free disk or three times the memory for the headline, for the others what each needs")
	flag.StringVar(&s.streamParts, "stream-parts", streamPartNames(), "parts of the stream to run, with commas between")
	flag.StringVar(&s.streamServe, "stream-serve", "", "more arguments of serve for the headline and the steady test, with blanks between, as --no-console")
	flag.Float64Var(&s.streamFirst, "stream-first", 20, "seconds of a stream whose memory is compared with that of one ten times as long")
	flag.Uint64Var(&s.streamCuts, "stream-cuts", 1000, "cuts of the shorter of the two tests after which recovery is timed")
	flag.StringVar(&s.profile, "alloc-profile", "", "file for who allocated in the stream's part allocations, for go tool pprof")
	flag.Float64Var(&s.consoleSeconds, "console-seconds", 300, "seconds that the section console looks at its page")
	only := flag.String("only", "kernels,csv,arrow,memory,stream,again", "sections to run, with commas between; console, which needs Node and Chromium, is run when it is named")
	keep := flag.Bool("keep", false, "keep the files and say where they are")
	flag.Parse()
	if err := run(&s, strings.Split(*only, ","), *keep); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(s *settings, only []string, keep bool) (err error) {
	if s.rounds < 5 {
		return errors.New("fewer than five rounds say little")
	}
	if slices.ContainsFunc(only, func(section string) bool {
		return section != "console" && section != "stream" && section != "memory" && section != "again"
	}) {
		if s.python, err = findPython(); err != nil {
			return err
		}
	}
	if s.scratch, err = os.MkdirTemp("", "glueline-bench-"); err != nil {
		return err
	}
	s.memory = s.scratch
	if dir, err := os.MkdirTemp("/dev/shm", "glueline-bench-"); err == nil {
		s.memory = dir
	}
	// An interrupt ends the process that is being timed, which ends this one: what
	// was made for the measurement is still removed.
	signal.Notify(make(chan os.Signal, 1), os.Interrupt)
	if keep {
		fmt.Println("files are in", s.scratch, "and", s.memory)
	} else {
		defer func() { err = errors.Join(err, os.RemoveAll(s.memory), os.RemoveAll(s.scratch)) }()
	}
	if len(only) > 1 || only[0] != "kernels" {
		if err := s.build(); err != nil {
			return err
		}
	}
	for _, section := range []struct {
		name string
		run  func(*settings) error
	}{
		{"kernels", kernels},
		{"csv", csvToCSV},
		{"arrow", arrowToArrow},
		{"memory", memory},
		{"stream", stream},
		{"again", again},
		{"console", console},
	} {
		if !slices.Contains(only, section.name) {
			continue
		}
		if err := section.run(s); err != nil {
			return fmt.Errorf("%s: %w", section.name, err)
		}
	}
	return nil
}

// build makes the program that the files are reduced with.
func (s *settings) build() error {
	s.program = filepath.Join(s.scratch, "glueline")
	build := exec.Command("go", "build", "-o", s.program, "./cmd/glueline")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("build glueline: %w\n%s", err, out)
	}
	return nil
}

// findPython looks for the one that has NumPy and pandas.
func findPython() (string, error) {
	for _, python := range []string{"/usr/bin/python3", "python3"} {
		if exec.Command(python, "-c", "import numpy, pandas").Run() == nil {
			return python, nil
		}
	}
	return "", errors.New("no python3 with NumPy and pandas; on Debian: apt-get install python3-pandas")
}

// result is one line of what is printed.
type result struct {
	what   string
	ratios []float64 // one a round, the first not among them
	bar    float64   // 0 for none
	most   bool      // the ratio is at most the bar, else at least
	note   string
}

func (r result) print() {
	m, low, high := median(r.ratios), slices.Min(r.ratios), slices.Max(r.ratios)
	sign, met := ">=", m >= r.bar
	if r.most {
		sign, met = "<=", m <= r.bar
	}
	verdict := "met"
	if !met {
		verdict = "MISSED"
	}
	bar := fmt.Sprintf("bar %s %-4g %-6s", sign, r.bar, verdict)
	if r.bar == 0 {
		bar = "no bar"
	}
	fmt.Printf("  %-52s %7.2f  (%.2f to %.2f)  %-18s  %s\n", r.what, m, low, high, bar, r.note)
}

func median(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	n := len(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}
