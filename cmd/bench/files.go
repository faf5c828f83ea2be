//go:build unix

package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// used is what a process took.
type used struct {
	wall      float64 // s
	processor float64 // s, of all its threads
	memory    int64   // bytes, resident at most
}

// start runs a program to its end.
func start(environment []string, name string, arguments ...string) (used, error) {
	c := exec.Command(name, arguments...)
	c.Env = append(os.Environ(), environment...)
	began := time.Now()
	out, err := c.CombinedOutput()
	u := used{wall: time.Since(began).Seconds()}
	if err != nil {
		return u, fmt.Errorf("%s: %w\n%s", filepath.Base(name), err, out)
	}
	u.processor = (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds()
	u.memory = maxResident(c.ProcessState)
	return u, nil
}

// reduceTo runs glueline reduce into a folder that is made anew.
func (s *settings) reduceTo(out string, f files, format string, cores int) (used, error) {
	if err := os.RemoveAll(out); err != nil {
		return used{}, err
	}
	arguments := append([]string{"reduce", "--quiet", "--format", format, "--out", out, f.test}, f.raw()...)
	return start([]string{fmt.Sprintf("GOMAXPROCS=%d", cores)}, s.program, arguments...)
}

// script is the pandas script with a recording to reduce.
type script struct {
	*settings
	recording
	files
	folder    string
	constants string
	out       string
}

func newScript(s *settings, r recording) (*script, error) {
	folder := filepath.Join(s.memory, "csv")
	f, err := r.write(folder)
	if err != nil {
		return nil, err
	}
	text, err := r.constants()
	if err != nil {
		return nil, err
	}
	p := &script{s, r, f, folder, filepath.Join(folder, "constants.json"), filepath.Join(folder, "pandas.csv")}
	return p, os.WriteFile(p.constants, text, 0o644)
}

func (p *script) run() (used, error) {
	return start([]string{"OMP_NUM_THREADS=1", "OPENBLAS_NUM_THREADS=1"},
		p.python, filepath.Join(p.scripts, "pandas_reduce.py"), p.constants, p.node, p.climate, p.out)
}

// csvToCSV times the program against the pandas script: processor time of both,
// from the start of the process to its end, all threads counted.
func csvToCSV(s *settings) error {
	p, err := newScript(s, recording{rateHz: 1000, rows: 100_000, unit: "mV/V"})
	if err != nil {
		return err
	}
	defer os.RemoveAll(p.folder)
	out := filepath.Join(p.folder, "out")
	fmt.Printf("CSV to CSV, %d rows of %d channels (%.0f MB), one core each: times as fast as pandas\n", p.rows, inputs, float64(p.bytes)/1e6)
	line := result{what: "glueline reduce --format csv", bar: 4}
	var rates []float64
	for round := range s.rounds + 1 {
		ours, err := s.reduceTo(out, p.files, "csv", 1)
		if err != nil {
			return err
		}
		theirs, err := p.run()
		if err != nil {
			return err
		}
		if round > 0 {
			line.ratios = append(line.ratios, theirs.processor/ours.processor)
			rates = append(rates, float64(p.rows*inputs)/ours.processor/1e6)
		}
	}
	difference, compared, err := compareTables(filepath.Join(out, "main-node.csv"), p.out)
	if err != nil {
		return err
	}
	line.note = fmt.Sprintf("%.1f M samples/s; %d fields compared, at most %.2g apart", median(rates), compared, difference)
	line.print()
	if !(difference <= 0.0011) || compared < p.rows*inputs*2*9/10 {
		return fmt.Errorf("results differ: %d fields compared, at most %g apart", compared, difference)
	}
	return nil
}

// compareTables returns the largest difference between numbers of two CSV
// files of the same columns in the same order, and how many there were. Both
// are rounded to a thousandth of a microstrain and 100 Pa.
func compareTables(ours, theirs string) (difference float64, compared int, err error) {
	a, err := os.Open(ours)
	if err != nil {
		return 0, 0, err
	}
	defer a.Close()
	b, err := os.Open(theirs)
	if err != nil {
		return 0, 0, err
	}
	defer b.Close()
	x, y := bufio.NewReaderSize(a, 1<<20), bufio.NewReaderSize(b, 1<<20)
	for row := 0; ; row++ {
		mine, errX := x.ReadString('\n')
		other, errY := y.ReadString('\n')
		if errors.Is(errX, io.EOF) && errors.Is(errY, io.EOF) {
			return difference, compared, nil
		}
		if err := errors.Join(errX, errY); err != nil {
			return 0, 0, fmt.Errorf("row %d: %w", row, err)
		}
		p, q := strings.Split(strings.TrimSpace(mine), ","), strings.Split(strings.TrimSpace(other), ",")
		if len(p) != len(q) {
			return 0, 0, fmt.Errorf("row %d has %d and %d fields", row, len(p), len(q))
		}
		if row == 0 {
			continue
		}
		for i := 2; i < len(p); i++ {
			if i%3 == 1 { // flags
				if p[i] != q[i] {
					return 0, 0, fmt.Errorf("row %d, field %d: flags %q and %q", row, i, p[i], q[i])
				}
				continue
			}
			if p[i] == "" && q[i] == "" {
				continue
			}
			u, errU := strconv.ParseFloat(p[i], 64)
			v, errV := strconv.ParseFloat(q[i], 64)
			if err := errors.Join(errU, errV); err != nil {
				return 0, 0, fmt.Errorf("row %d, field %d: %w", row, i, err)
			}
			difference = max(difference, math.Abs(u-v))
			compared++
		}
	}
}

// arrowToArrow times the program on two cores against cp of as many bytes as it
// reads and writes, halved (a copy reads and writes each byte), and against the
// pandas script, whose input and output are CSV. Wall time: the program's
// goroutines run beside each other. The program syncs what it writes, so the copy
// is synced too, and the bar is for the disk. In memory, where syncing is nothing,
// the ratio says what the processors have to do beside copying: SHA-256 of what
// is written takes longer there than cp.
func arrowToArrow(s *settings) error {
	script, err := newScript(s, recording{rateHz: 10_000, rows: 50_000, unit: "mV/V"})
	if err != nil {
		return err
	}
	defer os.RemoveAll(script.folder)
	fmt.Println("Arrow to Arrow, 32 channels, 10 kHz, two cores: time as a multiple of cp's for the same bytes (fewer is better)")
	for _, form := range []struct {
		name string
		recording
	}{
		{"float64", recording{rateHz: 10_000, rows: 2_000_000, unit: "mV/V", arrow: true}},
		{"int32", recording{rateHz: 10_000, rows: 3_750_000, unit: "count", arrow: true}},
	} {
		for _, place := range []struct {
			name, folder string
			sync         bool
		}{{"in memory", s.memory, false}, {"on disk, both synced", s.scratch, true}} {
			r := race{settings: s, what: form.name + " " + place.name, recording: form.recording, folder: filepath.Join(place.folder, "arrow"), sync: place.sync}
			if err := r.run(script); err != nil {
				return err
			}
		}
	}
	return nil
}

// race is one recording reduced in turns with its copy.
type race struct {
	*settings
	recording
	what   string
	folder string
	sync   bool
}

func (r *race) run(script *script) error {
	defer os.RemoveAll(r.folder)
	f, err := r.write(r.folder)
	if err != nil {
		return err
	}
	out := filepath.Join(r.folder, "out")
	toCopy := result{what: r.what, most: true}
	if r.sync {
		toCopy.bar = 2.5
	}
	toPandas := result{what: "  samples/s as times those of pandas, CSV to CSV", bar: 50}
	var rates []float64
	var written int64
	for round := range r.rounds + 1 {
		if err := settle(r.folder, r.sync); err != nil {
			return err
		}
		ours, err := r.reduceTo(out, f, "arrow", 2)
		if err != nil {
			return err
		}
		if written, err = size(out); err != nil {
			return err
		}
		copied, err := r.copyTime(f.node, out)
		if err != nil {
			return err
		}
		var theirs used
		if !r.sync { // its files are in memory too
			if theirs, err = script.run(); err != nil {
				return err
			}
		}
		if round > 0 {
			rate := float64(r.rows*inputs) / ours.wall
			rates = append(rates, rate/1e6)
			toCopy.ratios = append(toCopy.ratios, ours.wall/copied)
			toPandas.ratios = append(toPandas.ratios, rate/(float64(script.rows*inputs)/theirs.wall))
		}
	}
	toCopy.note = fmt.Sprintf("%.0f M samples/s; %.0f MB in, %.0f MB out", median(rates), float64(f.bytes)/1e6, float64(written)/1e6)
	toCopy.print()
	if !r.sync {
		toPandas.print()
	}
	return nil
}

// settle lets the disk finish what was written before, so that nobody pays for
// another's bytes.
func settle(folder string, sync bool) error {
	if !sync {
		return nil
	}
	_, err := start(nil, "sync", "-f", folder)
	return err
}

// copyTime returns the time that cp takes for half of what is read and written.
func (r *race) copyTime(in, out string) (float64, error) {
	total := 0.0
	copied := filepath.Join(r.folder, "copy")
	for _, path := range []string{in, out} {
		if err := errors.Join(os.RemoveAll(copied), settle(r.folder, r.sync)); err != nil {
			return 0, err
		}
		began := time.Now()
		if _, err := start(nil, "cp", "-r", path, copied); err != nil {
			return 0, err
		}
		if err := settle(copied, r.sync); err != nil {
			return 0, err
		}
		total += time.Since(began).Seconds()
	}
	return total / 2, os.RemoveAll(copied)
}

func size(folder string) (int64, error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return 0, err
	}
	var n int64
	for _, e := range entries {
		info, err := e.Info()
		if err != nil {
			return 0, err
		}
		n += info.Size()
	}
	return n, nil
}

// memory compares what the program needs for an input with what it needs for
// ten times as much. Pages of mapped files count.
func memory(s *settings) error {
	rows := 1_000_000
	if s.long {
		rows = 4_000_000
	}
	var peak [2]float64
	for i, times := range []int{1, 10} {
		r := recording{rateHz: 10_000, rows: rows * times, unit: "mV/V", arrow: true}
		folder := filepath.Join(s.scratch, "memory")
		f, err := r.write(folder)
		if err != nil {
			return err
		}
		u, err := s.reduceTo(filepath.Join(folder, "out"), f, "arrow", 2)
		if err != nil {
			return err
		}
		peak[i] = float64(u.memory) / 1e6
		if i == 0 {
			fmt.Printf("Memory for %.1f GB and for ten times as much\n", float64(f.bytes)/1e9)
		}
		if err := os.RemoveAll(folder); err != nil {
			return err
		}
	}
	result{
		what: "glueline reduce", ratios: []float64{peak[1] / peak[0]}, bar: 1.1, most: true,
		note: fmt.Sprintf("%.0f MB and %.0f MB resident at most", peak[0], peak[1]),
	}.print()
	return nil
}
