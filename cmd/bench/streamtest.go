//go:build unix

package main

import (
	"fmt"
	"strings"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
)

// streamTest is a test of counts that come by the journal.
type streamTest struct {
	Sources  int     // each a node
	Channels int     // of each source
	RateHz   float64 // of every channel
	Groups   int     // over which the sources are spread
	Lots     bool    // each source has gauges of a lot of its own
}

const streamTestName = "speed"

func (t streamTest) source(i int) string { return fmt.Sprintf("n%d", i) }
func (t streamTest) group(i int) string  { return fmt.Sprintf("g%d", i%t.Groups) }
func (t streamTest) channels() int       { return t.Sources * t.Channels }
func (t streamTest) rowsPerFrame() int   { return frame.RowsPerFrame(t.RateHz, 8+4*t.Channels) }

// members are the sources of a group.
func (t streamTest) members(group int) (sources []int) {
	for i := range t.Sources {
		if i%t.Groups == group {
			sources = append(sources, i)
		}
	}
	return sources
}

// each writes a line for every channel: name, then source and column, and LOT for
// its lot.
func (t streamTest) each(b *strings.Builder, section, line string) {
	fmt.Fprintln(b, section+":")
	for s := range t.Sources {
		for c := range t.Channels {
			lot := "L0"
			if t.Lots {
				lot = fmt.Sprint("L", s)
			}
			fmt.Fprintf(b, strings.ReplaceAll(line, "LOT", lot), fmt.Sprintf("%d_%d", s, c+1), t.source(s), c+1)
		}
	}
}

func (t streamTest) testFile() string {
	var b strings.Builder
	fmt.Fprintf(&b, `# Invented for measuring speed.
test: {name: %s, zone: UTC, zero: {first: 1 s}, limits: {strain: 1500 um/m}}
materials: {plate: {young: 205 GPa, poisson: 0.29, expansion: 11.9e-6 /K, source: invented}}
sources:
`, streamTestName)
	for i := range t.Sources {
		fmt.Fprintf(&b, "  %s: {group: %s, rate: %g Hz, unit: count, scale: %g nV/V per count, range: 10000000 count}\n", t.source(i), t.group(i), t.RateHz, nanovolts)
	}
	fmt.Fprintln(&b, "lots:")
	for i := range t.Sources {
		if i == 0 || t.Lots {
			fmt.Fprintf(&b, "  L%d: {resistance: 350 ohm, gauge-factor: 2.08, transverse-sensitivity: 0.7 %%, calibration-poisson: 0.285}\n", i)
		}
	}
	t.each(&b, "gauges", "  G%[1]s: {lot: LOT}\n")
	t.each(&b, "positions", "  C%[1]s: {material: plate}\n")
	t.each(&b, "wiring", "  - {position: C%[1]s, gauge: G%[1]s, input: %[2]s/C%[3]d}\n")
	t.each(&b, "channels", "  C%[1]s: {bridge: quarter_3wire, transverse: none, leads: {resistance: 1.3 ohm}}\n")
	return b.String()
}

// signal fills the counts that every frame of a source has: a little noise on
// a steady load.
func (t streamTest) signal(source int) []frame.Column {
	noise := uint64(88172645463325252) + uint64(source)
	columns := make([]frame.Column, t.Channels)
	for i := range columns {
		counts := make([]int32, t.rowsPerFrame())
		for row := range counts {
			noise ^= noise << 13
			noise ^= noise >> 7
			noise ^= noise << 17
			counts[row] = int32(100_000*(i%7)) + int32(noise>>52)
		}
		columns[i] = frame.Column{Name: fmt.Sprint("C", i+1), Counts: counts}
	}
	return columns
}

// node makes the frames of one source.
type node struct {
	test    streamTest
	began   time.Time // of its first row
	next    frame.Frame
	encoder frame.WireEncoder
}

func (t streamTest) node(source int, boot string, began time.Time) *node {
	return &node{test: t, began: began, next: frame.Frame{
		Source: t.source(source), Boot: boot, Counted: true, Time: make([]int64, t.rowsPerFrame()), Columns: t.signal(source),
	}}
}

// frame appends the payload of the frame of a number to dst.
func (n *node) frame(dst []byte, number uint64) (frame.Header, []byte, error) {
	f := &n.next
	f.Number, f.Counter = number, number*uint64(f.Rows())
	for row := range f.Time {
		f.Time[row] = n.began.UnixNano() + int64((float64(f.Counter)+float64(row))/n.test.RateHz*1e9)
	}
	dst, err := n.encoder.Append(dst, f)
	return frame.HeaderOf(f), dst, err
}

// plan is that of the test's only group.
func (t streamTest) plan() (*group.Plan, error) {
	test, err := testfile.Parse("test.yaml", []byte(t.testFile()), nil)
	if err != nil {
		return nil, err
	}
	plans, err := group.Plans(test)
	if err == nil && len(plans) != 1 {
		err = fmt.Errorf("%d groups where one is wanted", len(plans))
	}
	if err != nil {
		return nil, err
	}
	return plans[0], nil
}
