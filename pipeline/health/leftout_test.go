package health

import (
	"testing"

	"glueline/pipeline/flag"
)

// The slow zero leaves out what the page of flags says, no more and no less.
func TestLeftOutOfTheSlowZero(t *testing.T) {
	for _, f := range flag.All() {
		tr := &track{name: "web"}
		tr.add([]int64{0, 1e9}, []float64{1, 3}, []uint32{uint32(f.Mask), 0})
		sum := tr.bins.between(0, 2e9)
		want := 4.0
		if f.Mask&flag.LeavesOutOfSlowZero != 0 {
			want = 3
		}
		if float64(sum.sum) != want {
			t.Errorf("%s: the values add up to %g, want %g", f.Name, sum.sum, want)
		}
	}
}
