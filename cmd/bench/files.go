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

// csvToCSV times the program against a pandas script, processor time of both.
func csvToCSV(s *settings) error {
	r := recording{rateHz: 1000, rows: 100_000, unit: "mV/V"}
	folder := filepath.Join(s.memory, "csv")
	defer os.RemoveAll(folder)
	f, err := r.write(folder)
	if err != nil {
		return err
	}
	constants, out, table := filepath.Join(folder, "constants.json"), filepath.Join(folder, "out"), filepath.Join(folder, "pandas.csv")
	text, err := r.constants()
	if err != nil {
		return err
	}
	if err := os.WriteFile(constants, text, 0o644); err != nil {
		return err
	}
	fmt.Printf("CSV to CSV, %d rows of %d channels (%.0f MB), one core each: times as fast as pandas\n", r.rows, inputs, float64(f.bytes)/1e6)
	line := result{what: "glueline reduce --format csv", bar: 4}
	var rates []float64
	for round := range s.rounds + 1 {
		ours, err := s.reduceTo(out, f, "csv", 1)
		if err != nil {
			return err
		}
		theirs, err := s.pandas(constants, f, table)
		if err != nil {
			return err
		}
		if round > 0 {
			line.ratios = append(line.ratios, theirs.processor/ours.processor)
			rates = append(rates, float64(r.rows*inputs)/ours.processor/1e6)
		}
	}
	difference, compared, err := compareTables(filepath.Join(out, "main-node.csv"), table)
	if err != nil {
		return err
	}
	line.note = fmt.Sprintf("%.1f M samples/s; %d fields compared, at most %.2g apart", median(rates), compared, difference)
	line.print()
	if !(difference <= 0.0011) || compared < r.rows*inputs*2*9/10 {
		return fmt.Errorf("results differ: %d fields compared, at most %g apart", compared, difference)
	}
	return nil
}

func (s *settings) pandas(constants string, f files, out string) (used, error) {
	return start([]string{"OMP_NUM_THREADS=1", "OPENBLAS_NUM_THREADS=1"},
		s.python, filepath.Join(s.scripts, "pandas_reduce.py"), constants, f.node, f.climate, out)
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
// reads and writes, halved: wall time, in memory where the system has such a
// file system, so that neither side waits for a disk (cp does not sync; the
// program does).
func arrowToArrow(s *settings) error {
	fmt.Println("Arrow to Arrow, 32 channels, 10 kHz, two cores: time as a multiple of cp's for the same bytes")
	for _, r := range []recording{
		{rateHz: 10_000, rows: 2_000_000, unit: "mV/V", arrow: true},
		{rateHz: 10_000, rows: 3_750_000, unit: "count", arrow: true},
	} {
		if err := arrowAgainstCopy(s, r); err != nil {
			return err
		}
	}
	return nil
}

func arrowAgainstCopy(s *settings, r recording) error {
	folder := filepath.Join(s.memory, "arrow")
	defer os.RemoveAll(folder)
	f, err := r.write(folder)
	if err != nil {
		return err
	}
	out, copied := filepath.Join(folder, "out"), filepath.Join(folder, "copy")
	line := result{what: map[string]string{"mV/V": "float64", "count": "int32"}[r.unit], bar: 2.5, most: true}
	var rates []float64
	var written int64
	for round := range s.rounds + 1 {
		ours, err := s.reduceTo(out, f, "arrow", 2)
		if err != nil {
			return err
		}
		if written, err = size(out); err != nil {
			return err
		}
		theirs, err := copyTime(f.node, out, copied)
		if err != nil {
			return err
		}
		if round > 0 {
			line.ratios = append(line.ratios, ours.wall/theirs)
			rates = append(rates, float64(r.rows*inputs)/ours.wall/1e6)
		}
	}
	line.note = fmt.Sprintf("%.0f M samples/s; %.0f MB in, %.0f MB out", median(rates), float64(f.bytes)/1e6, float64(written)/1e6)
	line.print()
	return nil
}

// copyTime returns the time that cp takes for half the bytes of what is read
// and written: a copy reads and writes each byte.
func copyTime(in, out, copied string) (float64, error) {
	if err := os.RemoveAll(copied); err != nil {
		return 0, err
	}
	u, err := start(nil, "cp", "-r", in, copied)
	if err != nil {
		return 0, err
	}
	if err := os.RemoveAll(copied); err != nil {
		return 0, err
	}
	v, err := start(nil, "cp", "-r", out, copied)
	if err != nil {
		return 0, err
	}
	return (u.wall + v.wall) / 2, os.RemoveAll(copied)
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
// ten times as much.
func memory(s *settings) error {
	rows, parent := 400_000, s.memory
	if s.long {
		rows, parent = 4_000_000, s.scratch
	}
	var peak [2]float64
	for i, times := range []int{1, 10} {
		r := recording{rateHz: 10_000, rows: rows * times, unit: "mV/V", arrow: true}
		folder := filepath.Join(parent, "memory")
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
