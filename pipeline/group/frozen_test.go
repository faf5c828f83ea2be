package group

import (
	"testing"

	"glueline/pipeline/flag"
)

// Readings that come again and again are frozen from the 256th on, wherever the
// frames are cut and whatever runs of equal readings came before.
func TestFrozenIsTheSameHoweverFramesAreCut(t *testing.T) {
	var ratios []float64
	for _, part := range []struct {
		x     float64
		times int
	}{{0.1, 1}, {0.2, 255}, {0.1, 256}, {0.2, 1}, {0.1, 300}, {0.3, 2}, {0.4, 700}, {0.1, 20}} {
		for range part.times {
			ratios = append(ratios, part.x)
		}
	}
	for _, rows := range []int{len(ratios), 1, 7, 255, 256, 257} {
		r := parse(t, article)
		run := 0
		for from := 0; from < len(ratios); from += rows {
			f := strains(0, ratios...).Slice(from, min(from+rows, len(ratios)))
			for i, m := range columnOf(t, r, reduceFrame(t, r, &f), "web flags").Flags {
				at := from + i
				if run++; at > 0 && ratios[at] != ratios[at-1] {
					run = 1
				}
				if frozen := flag.Mask(m)&flag.Frozen != 0; frozen != (run >= frozenRun) {
					t.Fatalf("frames of %d rows: reading %d, the %dth of its run, frozen: %v", rows, at, run, frozen)
				}
			}
		}
	}
}
