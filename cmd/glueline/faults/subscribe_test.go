package faults

import (
	"bufio"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"glueline/pipeline/journal"
	"glueline/sinks/segment"
)

// said is a line of the script that listens.
type said struct {
	What        string
	Calibration string
	Times       []string
	Rows        int
	Columns     []struct {
		Name, Unit, Of string
		Values         []*float64
		Min, Max, Last *float64
		Flags          uint32
	}
}

// A program in another language hears the rows that stand in the segments, and
// envelopes that hold them.
func TestJavaScriptListens(t *testing.T) {
	parallel(t)
	const frames = 12
	s := begin(t, "--publish")
	node := exec.CommandContext(t.Context(), "node", "subscribe.mjs", s.url, benchName, "main", "node", strconv.Itoa(frames*rowsPerFrame))
	node.Dir = scripts
	var complaint strings.Builder
	node.Stderr = &complaint
	out := must(node.StdoutPipe())(t)
	if err := node.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	var all []said
	for lines.Scan() {
		var line said
		if err := json.Unmarshal(lines.Bytes(), &line); err != nil {
			t.Fatalf("%v: %s", err, lines.Text())
		}
		if line.What == "listening" {
			s.frames("logger", 0, 4)
			s.frames("node", 0, frames)
			continue
		}
		all = append(all, line)
	}
	if err := node.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, complaint.String())
	}
	s.service.cut()
	s.service.stop()

	// What the segments hold of channel a.
	var times []string
	var strain []float64
	var flags uint32
	digest := ""
	_, cuts := s.cuts("main")
	for _, c := range cuts {
		for _, file := range c.Files {
			if !strings.Contains(file.Name, ".node.") {
				continue
			}
			seg := must(segment.ReadCommitted(filepath.Join(s.o.data, "r1"), file))(t)
			for range file.Batches {
				b := must(seg.Next())(t)
				for _, at := range b.Time {
					times = append(times, strconv.FormatInt(at, 10))
				}
				for i, f := range seg.Fields[2:] {
					switch {
					case f.Name == "a [m/m]":
						strain = append(strain, b.Columns[i].Float...)
					case f.Kind == segment.Flags && slices.Contains(f.Metadata, [2]string{"of", "a"}):
						for _, m := range b.Columns[i].Flags {
							flags |= m
						}
					}
				}
			}
			for _, m := range seg.Metadata {
				if m[0] == "calibration" {
					digest = m[1]
				}
			}
			if err := seg.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if len(times) != frames*rowsPerFrame {
		t.Fatalf("%d rows in the segments", len(times))
	}

	var heardTimes []string
	var heard []float64
	var envelopeFlags uint32
	low, high, rows := math.Inf(1), math.Inf(-1), 0
	for _, line := range all {
		if line.Calibration != digest {
			t.Errorf("%s of the calibration %q, the segments of %q", line.What, line.Calibration, digest)
		}
		heardTimes = append(heardTimes, line.Times...)
		rows += line.Rows
		for _, c := range line.Columns {
			if c.Name != "a [m/m]" {
				continue
			}
			if c.Unit != "m/m" {
				t.Errorf("unit %q", c.Unit)
			}
			for _, v := range c.Values {
				if v == nil {
					heard = append(heard, math.NaN())
				} else {
					heard = append(heard, *v)
				}
			}
			envelopeFlags |= c.Flags
			if c.Min != nil {
				low, high = min(low, *c.Min), max(high, *c.Max)
			}
		}
	}
	same := func(x, y float64) bool { return math.Float64bits(x) == math.Float64bits(y) || x != x && y != y }
	if !slices.Equal(heardTimes, times) || !slices.EqualFunc(heard, strain, same) {
		t.Errorf("%d times and %d strains were heard, not those %d of the segments", len(heardTimes), len(heard), len(times))
	}
	wantLow, wantHigh := math.Inf(1), math.Inf(-1)
	for _, v := range strain {
		if v == v {
			wantLow, wantHigh = min(wantLow, v), max(wantHigh, v)
		}
	}
	if rows != len(times) || low != wantLow || high != wantHigh || envelopeFlags != flags {
		t.Errorf("envelopes of %d rows from %v to %v with flags %#x; the segments have %d from %v to %v with %#x",
			rows, low, high, envelopeFlags, len(times), wantLow, wantHigh, flags)
	}
}

// The page shows the script that is tested, and the subjects and words in use.
func TestSubscribingPageIsTrue(t *testing.T) {
	page := string(must(os.ReadFile("../../../deploy/SUBSCRIBING.md"))(t))
	script := string(must(os.ReadFile(filepath.Join(scripts, "subscribe.mjs")))(t))
	_, code, found := strings.Cut(script, "\nimport ")
	if !found || !strings.Contains(page, "import "+code) {
		t.Error("the script of the page is not testdata/js/subscribe.mjs")
	}
	for _, word := range []string{
		journal.ReducedSubject("Hollin Lock", "gate", "logger 2"), journal.EnvelopeSubject("Hollin Lock", "gate", "logger 2"),
		"source", "calibration", "first", "last", "rows", "columns", "name", "of", "quantity", "unit", "min", "max", "flags",
	} {
		if !strings.Contains(page, "`"+word+"`") {
			t.Errorf("the page does not explain %s", word)
		}
	}
}
