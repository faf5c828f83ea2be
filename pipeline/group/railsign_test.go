package group

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
)

// A gauge opens and then shorts. What is read comes from the resistors of the bridge,
// its signal wires as they are connected, and an instrument that gives a ratio as far
// as its range or a logger that gives strain of either sign: each is named for what it
// is, and not for the end of the range that it is read at.
func TestOpenAndShortedWhateverTheSigns(t *testing.T) {
	// ratio is of two arms beside the gauge and its dummy, all of 350 ohm: V/V.
	ratio := func(gauge float64) float64 {
		if math.IsInf(gauge, 1) {
			return 0.5
		}
		return gauge/(gauge+350) - 0.5
	}
	instruments := map[string]struct {
		unit, source string
		reads        func(ratio float64) float64
	}{
		"ratio": {"mV/V", "unit: mV/V, range: 4 mV/V", func(r float64) float64 { return max(-4, min(4, 1e3*r)) }},
		"logger": {"microstrain", "unit: microstrain, logger: {gauge-factor: 2.1}",
			func(r float64) float64 { return 1e6 * 4 * r / 2.1 }},
		"logger, tension negative": {"microstrain", "unit: microstrain, logger: {gauge-factor: 2.1, sign: tension-negative}",
			func(r float64) float64 { return -1e6 * 4 * r / 2.1 }},
	}
	for name, in := range instruments {
		for polarity, sign := range map[string]float64{"": 1, ", polarity: reversed": -1} {
			text := strings.Replace(article, "unit: mV/V, range: 4 mV/V", in.source, 1)
			r := parse(t, strings.Replace(text, "input: node/A2", "input: node/A2"+polarity, 1))
			f := &frame.Frame{Source: "node", Columns: []frame.Column{{Name: "A1", Unit: in.unit}, {Name: "A2", Unit: in.unit}}}
			for i, gauge := range []float64{350, 350.01, math.Inf(1), math.Inf(1), 350, 0, 0, 350.02} {
				f.Time = append(f.Time, start.Add(time.Duration(i)*100*time.Millisecond).UnixNano())
				for k := range f.Columns {
					f.Columns[k].Float = append(f.Columns[k].Float, in.reads(sign*ratio(gauge)))
				}
			}
			c := columnOf(t, r, reduceFrame(t, r, f), "web flags")
			var got []string
			for _, m := range c.Flags {
				got = append(got, (flag.Mask(m) & (flag.Open | flag.Shorted)).String())
			}
			if want := "[ok ok open open ok shorted shorted ok]"; fmt.Sprint(got) != want {
				t.Errorf("%s%s: %v, want %s", name, polarity, got, want)
			}
		}
	}
}
