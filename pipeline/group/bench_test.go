package group

import (
	"fmt"
	"strings"
	"testing"

	"glueline/pipeline/frame"
	"glueline/pipeline/testfile"
)

// BenchmarkReduce reduces frames of counts as a fast node sends them; a byte is
// one of the readings as they come.
func BenchmarkReduce(b *testing.B) {
	const channels, rows = 250, 262
	var text strings.Builder
	text.WriteString(`
test: {name: bench, zone: UTC, zero: {first: 1 s}, limits: {strain: 1500 um/m}}
lots: {A: {resistance: 350 ohm, gauge-factor: 2.08, transverse-sensitivity: 0.7 %, calibration-poisson: 0.285}}
materials: {plate: {young: 205 GPa, poisson: 0.29, expansion: 11.9e-6 /K, source: invented}}
sources: {n: {rate: 10000 Hz, unit: count, scale: 0.5 nV/V per count, range: 10000000 count}}
`)
	each := func(section, line string) {
		text.WriteString(section + ":\n")
		for i := range channels {
			fmt.Fprintf(&text, line, i+1)
		}
	}
	each("gauges", "  G%[1]d: {lot: A}\n")
	each("positions", "  C%[1]d: {material: plate}\n")
	each("wiring", "  - {position: C%[1]d, gauge: G%[1]d, input: n/C%[1]d}\n")
	each("channels", "  C%[1]d: {bridge: quarter_3wire, transverse: none, leads: {resistance: 1.3 ohm}}\n")
	test, err := testfile.Parse("bench.yaml", []byte(text.String()), nil)
	if err != nil {
		b.Fatal(err)
	}
	plans, err := Plans(test)
	if err != nil {
		b.Fatal(err)
	}
	r := NewReducer(plans[0])
	f := &frame.Frame{Source: "n", Boot: "b", Counted: true, Time: make([]int64, rows)}
	noise := uint64(88172645463325252)
	for i := range channels {
		c := frame.Column{Name: fmt.Sprint("C", i+1), Counts: make([]int32, rows)}
		for row := range c.Counts {
			noise ^= noise << 13
			noise ^= noise >> 7
			noise ^= noise << 17
			c.Counts[row] = int32(100_000*(i%7)) + int32(noise>>52)
		}
		f.Columns = append(f.Columns, c)
	}
	batch := new(Batch)
	n := 0
	step := func() {
		f.Number, f.Counter = uint64(n), uint64(n*rows)
		for row := range f.Time {
			f.Time[row] = start.UnixNano() + int64(n*rows+row)*100_000
		}
		n++
		if err := r.Reduce(f, batch); err != nil {
			b.Fatal(err)
		}
	}
	for range 60 { // the zero is taken
		step()
	}
	b.SetBytes(4 * channels * rows)
	b.ReportAllocs()
	for b.Loop() {
		step()
	}
}
