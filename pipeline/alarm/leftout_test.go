package alarm

import (
	"slices"
	"testing"

	"glueline/pipeline/flag"
)

// A limit leaves out what the page of flags says, no more and no less.
func TestLeftOutOfLimits(t *testing.T) {
	for _, f := range flag.All() {
		m := uint32(f.Mask)
		decisions := New(bench()).Batch(rows(10, []float64{250, 250, 250}, []uint32{m, m, m}))
		raised := slices.ContainsFunc(decisions, func(d Decision) bool { return d.Alarm == "skin/a" })
		if left := f.Mask&flag.LeavesOutOfAlarms != 0; raised == left {
			t.Errorf("%s: raised %t, left out %t", f.Name, raised, left)
		}
	}
}
