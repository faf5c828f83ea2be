package reduce

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Whatever the first row is that says something, and what it says, Inside ends
// there and writes nothing behind it.
func TestInsideEndsAtTheFirstRowOutside(t *testing.T) {
	outside := []struct{ x, strain float64 }{{8, 0}, {-8, 0}, {nan, 0}, {inf, 0}, {1, 2.5}, {1, -2.5}, {1, nan}, {1, -inf}}
	for n := range 20 {
		for first := 0; first <= n; first++ {
			for _, o := range outside {
				x, strain, marks := make([]float64, n), make([]float64, n), make([]uint32, n)
				for i := range x {
					x[i], strain[i] = 7.99*float64(1-i%2*2), 2*float64(i%2*2-1) // at the limit is inside it
				}
				if first < n {
					x[first], strain[first] = o.x, o.strain
				}
				if got := Inside(marks, 5, x, strain, 8, 2); got != first {
					t.Fatalf("%v at %d of %d: %d rows", o, first, n, got)
				}
				for i, m := range marks {
					if m == 5 != (i < first) {
						t.Fatalf("%v at %d of %d: marks %v", o, first, n, marks)
					}
				}
			}
		}
	}
}

func TestNearFoursEndsBeforeAFourWithALargeDifference(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 5))
	for range 2000 {
		x := make([]float64, r.IntN(40))
		for i := range x {
			if x[i] = r.NormFloat64(); r.IntN(30) == 0 {
				x[i] = []float64{nan, inf, 40, -40}[r.IntN(4)]
			}
		}
		want, sums := 0, [4]float64{}
	fours:
		for ; 4*want+4 < len(x); want++ {
			next := sums
			for place := range 4 {
				i := 4*want + place
				d := math.Abs(x[i+1] - x[i])
				if !(d <= 10) {
					break fours
				}
				next[place] += d
			}
			sums = next
		}
		// In one call, and in two.
		for range 5 {
			split := 4 * r.IntN(len(x)/4+1)
			var got [4]float64
			n := NearFours(x[:min(len(x), split+1)], 10, &got)
			if 4*n == split && split < len(x) {
				n += NearFours(x[split:], 10, &got)
			}
			if n != want || got != sums {
				t.Fatalf("%v, cut at %d: %d fours, sums %v; want %d, %v", x, split, n, got, want, sums)
			}
		}
	}
}
