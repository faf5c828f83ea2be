package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf16"

	"glueline/pipeline/frame"
)

// bad is a folder of sound files, of which a test spoils one.
type bad struct {
	t                      *testing.T
	dir, test, raw, events string
	results, out           string
	rawText, testText      string
}

func soundFiles(t *testing.T) *bad {
	b := &bad{t: t, dir: t.TempDir()}
	b.testText = strings.Replace(benchTest("unit: V/V", 1, oneChannel), "test: {", "# bench\ntest: {", 1)
	b.rawText = rawText("time,A", benchRows, func(i int) []float64 { r, _ := benchRatio(i); return []float64{r} })
	b.test = write(t, b.dir, "test.yaml", b.testText)
	b.raw = write(t, b.dir, "node.csv", b.rawText)
	b.events = write(t, b.dir, "events.jsonl", `{"event":"note","text":"calm","time":"2026-02-03T04:05:07Z"}`+"\n")
	b.results = filepath.Join(b.dir, "results")
	if err := os.Mkdir(b.results, 0o755); err != nil {
		t.Fatal(err)
	}
	b.out = filepath.Join(b.results, "out")
	return b
}

func (b *bad) args(more ...string) []string {
	return append(append([]string{"reduce", b.test, b.raw}, more...), "--events", b.events, "--out", b.out, "--quiet")
}

// rawIs writes the raw file anew.
func (b *bad) rawIs(text string) { write(b.t, b.dir, "node.csv", text) }

// row replaces a row of the raw file, counted from 1 behind the header.
func (b *bad) row(n int, text string) {
	lines := strings.SplitAfter(b.rawText, "\n")
	lines[n] = text + "\n"
	b.rawIs(strings.Join(lines, ""))
}

// nothingIsLeft fails when there is anything where results would be.
func (b *bad) nothingIsLeft(name string) {
	b.t.Helper()
	entries, err := os.ReadDir(b.results)
	if err != nil {
		b.t.Fatal(err)
	}
	for _, e := range entries {
		b.t.Errorf("%s: %s is left over", name, e.Name())
	}
}

func wide(text string, order binary.ByteOrder) string {
	var b []byte
	for _, u := range utf16.Encode([]rune("\ufeff" + text)) {
		b = append(b, 0, 0)
		order.PutUint16(b[len(b)-2:], u)
	}
	return string(b)
}

func zipped(t *testing.T, text string) string {
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	if _, err := io.WriteString(w, text); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Whatever is wrong with what it is given, reduce says where and what would be
// right, ends with status 1 (2 for the command line itself), and leaves nothing.
func TestReduceRefusesBadInput(t *testing.T) {
	arrow := func(*bad) string {
		return read(t, writeArrow(t, t.TempDir(), []int64{1, 2, 3}, frame.Column{Name: "A", Unit: "V/V", Float: []float64{1, 2, 3}}))
	}
	for _, c := range []struct {
		name  string
		spoil func(b *bad) []string // returns the arguments
		says  []string
	}{
		{"reading that is no number", func(b *bad) []string { b.row(7, "2026-02-03T04:05:06.6Z,12x"); return b.args() },
			[]string{"node.csv:8", `column "A"`, `"12x"`, "write a number"}},
		{"time that is none", func(b *bad) []string { b.row(7, "yesterday,1"); return b.args() }, []string{"node.csv:8", "yesterday"}},
		{"field too many", func(b *bad) []string { b.row(7, "2026-02-03T04:05:06.6Z,1,2"); return b.args() }, []string{"node.csv:8", "3 fields", "2 columns"}},
		{"cut off in a row", func(b *bad) []string {
			b.rawIs(b.rawText[:len(b.rawText)-len(lastLine(b.rawText))] + "2026-02-03T04:05:35.9Z")
			return b.args()
		}, []string{"node.csv:301", "1 fields", "cut off"}},
		{"time going backwards", func(b *bad) []string { b.row(100, "2026-02-03T04:05:06Z,1"); return b.args() }, []string{"node.csv:101", "earlier than the row before"}},
		{"time standing still", func(b *bad) []string { b.row(2, "2026-02-03T04:05:06Z,1"); return b.args() }, []string{"node.csv:3", "same time"}},
		{"infinite reading", func(b *bad) []string { b.row(9, "2026-02-03T04:05:06.8Z,inf"); return b.args() }, []string{"node.csv:10", `"inf"`}},
		{"empty raw file", func(b *bad) []string { b.rawIs(""); return b.args() }, []string{"node.csv", "empty file", "header and rows"}},
		{"header alone", func(b *bad) []string { b.rawIs("time,A\n"); return b.args() }, []string{"node.csv", "no rows"}},
		{"huge header", func(b *bad) []string { b.rawIs("time," + strings.Repeat("A", 3<<20) + "\n1,2\n"); return b.args() }, []string{"node.csv", "1048576 bytes"}},
		{"too many columns", func(b *bad) []string {
			var h strings.Builder
			for i := range 300 {
				fmt.Fprintf(&h, ",I%d", i)
			}
			b.rawIs("time,A" + h.String() + "\n")
			return b.args()
		}, []string{"node.csv:1", "302 columns", "at most 256"}},
		{"huge row", func(b *bad) []string {
			b.row(200, "2026-02-03T04:05:25.9Z,"+strings.Repeat("1", 3<<20))
			return b.args()
		}, []string{"node.csv:201", "a line of more than"}},
		{"UTF-16, little endian", func(b *bad) []string { b.rawIs(wide(b.rawText, binary.LittleEndian)); return b.args() }, []string{"node.csv", "UTF-16", "UTF-8"}},
		{"UTF-16, big endian", func(b *bad) []string { b.rawIs(wide(b.rawText, binary.BigEndian)); return b.args() }, []string{"node.csv", "UTF-16", "UTF-8"}},
		{"Latin-1", func(b *bad) []string {
			b.rawIs(strings.Replace(b.rawText, "time,A", "time,A,T [\xb0C]", 1))
			return b.args()
		}, []string{"node.csv:1", "not UTF-8"}},
		{"gzip", func(b *bad) []string { b.rawIs(zipped(t, b.rawText)); return b.args() }, []string{"node.csv", "gzip", "decompress"}},
		{"binary", func(b *bad) []string { b.rawIs("\x7fELF\x00\x00\x01\x02\x03"); return b.args() }, []string{"node.csv", "binary"}},
		{"truncated Arrow", func(b *bad) []string { a := arrow(b); b.rawIs(a[:len(a)*2/3]); return b.args() }, []string{"node.csv", "sound, uncompressed Arrow"}},
		{"Arrow whose end is damaged", func(b *bad) []string {
			a := arrow(b)
			b.rawIs(a[:len(a)-12] + "\xff\xff\xff\x7f" + a[len(a)-8:])
			return b.args()
		}, []string{"node.csv", "Arrow"}},
		{"column that is missing", func(b *bad) []string { b.rawIs(strings.Replace(b.rawText, "time,A", "time,B", 1)); return b.args() }, []string{"node.csv", "needs A"}},
		{"unit that is none of a bridge's", func(b *bad) []string {
			b.rawIs(strings.Replace(b.rawText, "time,A", "time,A [furlong]", 1))
			return b.args()
		}, []string{"furlong", "mV/V"}},
		{"same raw file twice", func(b *bad) []string { return b.args(b.dir + "/./node.csv") }, []string{"node.csv", "same file twice"}},
		{"same stretch of time twice", func(b *bad) []string { return b.args(write(t, b.dir, "copy.csv", b.rawText)) }, []string{"goes on until", "each stretch of time once"}},
		{"raw file that is missing", func(b *bad) []string { b.raw += "x"; return b.args() }, []string{"node.csvx", "no such file", "give the path of a raw file"}},
		{"folder for a raw file", func(b *bad) []string { b.raw = b.dir; return b.args() }, []string{"a directory", "one by one"}},
		{"unknown source", func(b *bad) []string { b.raw = "mast=" + b.raw; return b.args() }, []string{`no source is called "mast"`, "node"}},
		{"test file for a raw file", func(b *bad) []string { b.raw = b.test; return b.args() }, []string{"test.yaml"}},

		{"raw file for the test file", func(b *bad) []string { b.test = b.raw; return b.args() }, []string{"node.csv:1:1"}},
		{"test file that is missing", func(b *bad) []string { b.test += "x"; return b.args() }, []string{"test.yamlx", "no such file"}},
		{"folder for the test file", func(b *bad) []string { b.test = b.dir; return b.args() }, []string{b0, "directory"}},
		{"empty test file", func(b *bad) []string { write(t, b.dir, "test.yaml", ""); return b.args() }, []string{"test.yaml", "empty"}},
		{"test file in UTF-16", func(b *bad) []string {
			write(t, b.dir, "test.yaml", wide(b.testText, binary.LittleEndian))
			return b.args()
		}, []string{"test.yaml", "UTF-8"}},
		{"mistakes in the test file", func(b *bad) []string {
			edit(t, b.test, "gauge-factor: 2.1", "gauge-factor: two")
			edit(t, b.test, "rate: 10 Hz", "rate: 10")
			return b.args()
		}, []string{"test.yaml:4:16", "test.yaml:6:44", "Hz"}},

		{"events file that is missing", func(b *bad) []string { b.events += "x"; return b.args() }, []string{"events", "no such file"}},
		{"folder for the events", func(b *bad) []string { b.events = b.dir; return b.args() }, []string{"directory"}},
		{"unknown channel in an event", func(b *bad) []string {
			write(t, b.dir, "events.jsonl", "\n"+`{"event":"check","channel":"c9","who":"me","time":"2026-02-03T04:05:07Z"}`)
			return b.args()
		}, []string{"events.jsonl:2", `unknown channel "c9"`, "the test file has c0"}},
		{"unknown source in an event", func(b *bad) []string {
			write(t, b.dir, "events.jsonl", `{"event":"excitation","state":"off","source":"mast","time":"2026-02-03T04:05:07Z"}`)
			return b.args()
		}, []string{"events.jsonl:1", `unknown source "mast"`, "the test file has node"}},
		{"two mistakes in events", func(b *bad) []string {
			write(t, b.dir, "events.jsonl", `{"event":"zero","state":"end","kind":"test","time":"2026-02-03T04:05:07Z"}`+"\nzero\n")
			return b.args()
		}, []string{"events.jsonl:1: zero end without its beginning", "events.jsonl:2", "one JSON object a line"}},
		{"mistake and unknown channel in events", func(b *bad) []string {
			write(t, b.dir, "events.jsonl", `{"event":"note","text":"x","channel":"c9","time":"2026-02-03T04:05:07Z"}`+"\n"+`{"event":"note","text":"x","text":"y","time":"2026-02-03T04:05:07Z"}`+"\n")
			return b.args()
		}, []string{`events.jsonl:1: note of the unknown channel "c9"; the test file has c0`, `events.jsonl:2: the key "text" twice`}},
		{"raw file cut off inside a number", func(b *bad) []string { b.rawIs(b.rawText[:len(b.rawText)-3]); return b.args() }, []string{"node.csv:301", "a last line without line end"}},
		{"source other than the file says", func(b *bad) []string {
			b.rawIs("# source: mast\n" + b.rawText)
			b.raw = "node=" + b.raw
			return b.args()
		}, []string{`the source "mast" in its comment`, `given as "node"`}},
		{"raw file for the events", func(b *bad) []string { b.events = b.raw; return b.args() }, []string{"node.csv:1", "one JSON object a line", "and 281 more"}},

		{"results folder that is not empty", func(b *bad) []string { b.out = b.dir; return b.args() }, []string{"is not empty", "new or empty"}},
		{"results folder that is a file", func(b *bad) []string { b.out = b.raw; return b.args() }, []string{"not a directory", "new or empty"}},
		{"no parent of the results folder", func(b *bad) []string { b.out = filepath.Join(b.results, "a", "b"); return b.args() }, []string{"results folder", "must be there"}},
		{"parent of the results folder that nobody can write", func(b *bad) []string { b.out = "/proc/out"; return b.args() }, []string{"results folder /proc/out: its parent must be"}},
		{"parent of the results folder is a file", func(b *bad) []string { b.out = filepath.Join(b.raw, "out"); return b.args() }, []string{"not a directory"}},
	} {
		b := soundFiles(t)
		status, out, errs := glueline(t.Context(), c.spoil(b)...)
		if status != 1 || out != "" {
			t.Errorf("%s: status %d: %s%s", c.name, status, out, errs)
		}
		for _, says := range c.says {
			if says = strings.ReplaceAll(says, b0, b.dir); !strings.Contains(errs, says) {
				t.Errorf("%s: no %q in: %s", c.name, says, errs)
			}
		}
		if strings.Contains(errs, "panic") || strings.Contains(errs, "goroutine") || len(errs) > 8000 {
			t.Errorf("%s: %d bytes: %.500s", c.name, len(errs), errs)
		}
		b.nothingIsLeft(c.name)
	}
	b := soundFiles(t)
	if status, out, errs := glueline(t.Context(), b.args()...); status != 0 {
		t.Errorf("sound files: status %d: %s%s", status, out, errs)
	}
}

// b0 stands for the folder of the files.
const b0 = "<folder>"

func lastLine(text string) string {
	text = strings.TrimSuffix(text, "\n")
	return text[strings.LastIndexByte(text, '\n')+1:] + "\n"
}

// A command line that makes no sense is not begun.
func TestReduceRefusesBadCommandLines(t *testing.T) {
	b := soundFiles(t)
	for _, args := range [][]string{
		{"reduce"},
		{"reduce", b.test},
		{"reduce", b.test, b.raw},
		{"reduce", b.test, "--out", b.out},
		{"reduce", b.test, b.raw, "--out", b.out, "--format", "xls"},
		{"reduce", b.test, b.raw, "--out", b.out, "--frobnicate"},
	} {
		status, out, errs := glueline(t.Context(), args...)
		if status != 2 || !strings.Contains(errs, "glueline: ") {
			t.Errorf("%v: status %d: %s%s", args, status, out, errs)
		}
		b.nothingIsLeft(fmt.Sprint(args))
	}
}

// A missing reading is no mistake: null, flagged, and the next row is sound.
func TestMissingReadingsAreNulls(t *testing.T) {
	b := soundFiles(t)
	b.row(41, benchTime(40).Format(time.RFC3339Nano)+",NaN")
	b.rawText = read(t, b.raw)
	b.row(51, benchTime(50).Format(time.RFC3339Nano)+",")
	if status, out, errs := glueline(t.Context(), b.args()...); status != 0 {
		t.Fatalf("status %d: %s%s", status, out, errs)
	}
	r := readSegments(t, b.out)["node"]
	strain, masks := r.column(t, "c0 [m/m]"), r.flags["c0 flags"]
	for i := 20; i < benchRows; i++ {
		missing := i == 40 || i == 50
		if (strain[i] != strain[i]) != missing || strings.Contains(masks[i].String(), "missing") != missing {
			t.Errorf("row %d is %g (%s)", i, strain[i], masks[i])
		}
	}
}

// Interrupted in the middle, the program ends soon, says so, and leaves nothing.
func TestInterruptedReductionLeavesNothing(t *testing.T) {
	b := soundFiles(t)
	edit(t, b.test, "unit: V/V", "unit: V/V, csv: {start: 2026-02-03T04:05:06Z}")
	long := filepath.Join(b.dir, "long.csv")
	writeLong(t, long, 3_000_000)
	for _, format := range []string{"arrow", "csv"} {
		for _, signal := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
			cmd := process(t, "reduce", b.test, long, "--out", b.out, "--format", format)
			var text bytes.Buffer
			cmd.Stdout, cmd.Stderr = &text, &text
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			// It is in the middle when there is a half-written file.
			begun := func() bool {
				files, _ := filepath.Glob(filepath.Join(b.results, ".out.partial-*", "*"))
				hidden, _ := filepath.Glob(filepath.Join(b.results, ".out.partial-*", ".*"))
				return len(files)+len(hidden) > 0
			}
			for deadline := time.Now().Add(time.Minute); !begun(); time.Sleep(time.Millisecond) {
				if time.Now().After(deadline) {
					t.Fatal("it never began")
				}
			}
			if err := cmd.Process.Signal(signal); err != nil {
				t.Fatal(err)
			}
			err := cmd.Wait()
			if code := cmd.ProcessState.ExitCode(); code != 1 || !strings.Contains(text.String(), "interrupted") {
				t.Errorf("%s, %v: status %d (%v): %s", format, signal, code, err, text.String())
			}
			b.nothingIsLeft(fmt.Sprint(format, " ", signal))
		}
	}
}

// writeLong makes a long raw file of the bench.
func writeLong(t *testing.T, path string, rows int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var line []byte
	line = append(line, "time [ms],A\n"...)
	for i := range rows {
		line = fmt.Appendf(line, "%d,0.00%03d\n", i*100, i%997)
		if len(line) > 1<<20 || i == rows-1 {
			if _, err := f.Write(line); err != nil {
				t.Fatal(err)
			}
			line = line[:0]
		}
	}
}

// In this process: a context that ends stops the work, and no goroutine stays.
func TestCancelledReductionEndsItsGoroutines(t *testing.T) {
	b := soundFiles(t)
	before := runtime.NumGoroutine()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if status, _, errs := glueline(ctx, b.args()...); status != 1 || !strings.Contains(errs, "interrupted") {
		t.Errorf("status %d: %s", status, errs)
	}
	b.nothingIsLeft("cancelled")
	for deadline := time.Now().Add(time.Minute); runtime.NumGoroutine() > before; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%d goroutines, before %d", runtime.NumGoroutine(), before)
		}
	}
}
