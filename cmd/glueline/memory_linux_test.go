package main

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
)

// The memory for a long input is that for a short one: what is mapped of the raw
// file is the kernel's to give and take, the rest does not grow.
func TestMemoryForALongInputIsThatForAShortOne(t *testing.T) {
	const columns = 8
	header, wiring, channels := "time", "wiring:\n", "channels:\n"
	for k := range columns {
		header += fmt.Sprintf(",I%d [mV/V]", k)
		wiring += fmt.Sprintf("  - {position: c%d, gauge: g%d, input: node/I%d}\n", k, k, k)
		channels += fmt.Sprintf("  c%d: {bridge: quarter_3wire, transverse: none}\n", k)
	}
	test := strings.Replace(benchTest("clock-tolerance: 1 ms", columns, wiring+channels), "rate: 10 Hz", "rate: 1000 Hz", 1)
	for _, c := range []struct {
		name        string
		short, long int // rows
		write       func(t *testing.T, path string, rows int)
	}{
		{"arrow", 600_000, 6_000_000, writeLongArrow}, // 43 MB and 430 MB
		{"csv", 100_000, 1_000_000, func(t *testing.T, path string, rows int) { writeLongCSV(t, path, header, rows) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			peak := func(rows int) float64 {
				dir := t.TempDir()
				raw := filepath.Join(dir, "node."+c.name)
				c.write(t, raw, rows)
				return peakMemory(t, "reduce", write(t, dir, "test.yaml", test), "node="+raw, "--out", filepath.Join(dir, "out"), "--quiet")
			}
			short, long := peak(c.short), peak(c.long)
			t.Logf("%.1f MB for %d rows, %.1f MB for %d", short/1e6, c.short, long/1e6, c.long)
			// A short input may end before the collector has had its first round.
			const floor = 32e6
			if !(long <= 1.2*math.Max(short, floor)) {
				t.Errorf("%.1f MB of memory for %d rows, %.1f MB for %d", long/1e6, c.long, short/1e6, c.short)
			}
		})
	}
}

// peakMemory runs the program and returns the most memory in bytes, without
// mapped files, that it was seen to have.
func peakMemory(t *testing.T, args ...string) (peak float64) {
	t.Helper()
	cmd := process(t, args...)
	var text bytes.Buffer
	cmd.Stderr = &text
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	status := fmt.Sprintf("/proc/%d/status", cmd.Process.Pid)
	seen := 0
	for tick := time.NewTicker(time.Millisecond); ; {
		select {
		case err := <-ended:
			tick.Stop()
			if err != nil || seen < 20 {
				t.Fatalf("seen %d times: %v: %s", seen, err, text.String())
			}
			return peak
		case <-tick.C:
			about, err := os.ReadFile(status)
			if err != nil {
				continue // it has just ended
			}
			for line := range strings.Lines(string(about)) {
				if value, ok := strings.CutPrefix(line, "RssAnon:"); ok {
					kilobytes, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(value), " kB"), 64)
					if err != nil {
						t.Fatal(err)
					}
					peak = math.Max(peak, kilobytes*1024)
					seen++
				}
			}
		}
	}
}

func writeLongArrow(t *testing.T, path string, rows int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const block = 16384
	times := make([]int64, block)
	columns := make([]frame.Column, 8)
	for k := range columns {
		columns[k] = frame.Column{Name: fmt.Sprintf("I%d", k), Unit: "mV/V", Float: make([]float64, block)}
		for i := range block {
			columns[k].Float[i] = 0.1 + float64(i*(k+1)%997)/1e4
		}
	}
	w, err := frame.NewArrowWriter(f, "node", columns)
	if err != nil {
		t.Fatal(err)
	}
	for from := 0; from < rows; from += block {
		for i := range times {
			times[i] = benchStart.UnixNano() + int64(from+i)*1e6
		}
		if err := w.Write(times, columns); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

func writeLongCSV(t *testing.T, path, header string, rows int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	text := append([]byte(header), '\n')
	var clock frame.TimeFormatter
	for i := range rows {
		text = clock.Append(text, benchStart.UnixNano()+int64(i)*1e6)
		for k := range 8 {
			text = append(text, ",0.1"...)
			text = strconv.AppendInt(text, int64(1000+i*(k+1)%997), 10)
		}
		text = append(text, '\n')
		if len(text) > 1<<20 || i == rows-1 {
			if _, err := f.Write(text); err != nil {
				t.Fatal(err)
			}
			text = text[:0]
		}
	}
}
