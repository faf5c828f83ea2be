package reduce

import (
	"math"
	"testing"
)

func TestSteadyEndsAtTheFirstOtherValue(t *testing.T) {
	for _, value := range []float64{0, 21.5, nan, inf} {
		for n := range 40 {
			for other := 0; other <= n; other++ {
				x := make([]float64, n)
				for i := range x {
					x[i] = value
				}
				end := n
				if 0 < other && other < n {
					x[other] = math.Nextafter(1, 2)
					end = other
				}
				if got := Steady(x); got != end {
					t.Fatalf("%d of %d equal values: %d", end, n, got)
				}
			}
		}
	}
	if got := Steady([]float64{0, 0, 0, math.Copysign(0, -1)}); got != 3 {
		t.Errorf("minus zero counts as zero: %d", got)
	}
}
