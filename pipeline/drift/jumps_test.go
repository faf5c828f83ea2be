package drift

import (
	"math"
	"testing"
)

// By hand: three heads or more of four fair coins have a chance of 5/16, four of
// four at 0.1 one of 1e-4.
func TestAtLeast(t *testing.T) {
	for _, c := range []struct {
		k, m int
		p    float64
		want float64
	}{{4, 3, 0.5, 5.0 / 16}, {4, 4, 0.1, 1e-4}, {4, 0, 0.3, 1}, {0, 0, 0.5, 1}} {
		if got := math.Exp(atLeast(c.k, c.m, c.p)); !(math.Abs(got-c.want) < 1e-12) {
			t.Errorf("%d of %d at %g: %g, by hand %g", c.m, c.k, c.p, got, c.want)
		}
	}
}

// Jumps that come at first only are none of a contact, jumps over the whole
// record may be.
func TestEarlyJumps(t *testing.T) {
	f := &findings{series: &series{}}
	for h := range 336 {
		f.at = append(f.at, float64(h))
	}
	if got := f.early([]int{20, 21, 23, 26}); !(got < -5) {
		t.Errorf("four jumps in six hours of two weeks: %.1f", got)
	}
	if got := f.early([]int{20, 90, 200, 310}); !(got > -1) {
		t.Errorf("four jumps over two weeks: %.1f", got)
	}
}
