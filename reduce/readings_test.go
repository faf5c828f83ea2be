package reduce

import (
	"math"
	"slices"
	"testing"
)

func TestCountsAreTheSameNumbers(t *testing.T) {
	counts := []int32{0, 1, -1, math.MaxInt32, math.MinInt32, 123_456_789, -8_388_608, 7, 16_777_217}
	for n := range len(counts) + 1 {
		dst := slices.Repeat([]float64{nan}, len(counts))
		if got := FromCounts(dst, counts[:n]); len(got) != n {
			t.Fatalf("%d values of %d counts", len(got), n)
		}
		for i := range dst {
			if i < n && dst[i] != float64(counts[i]) || i >= n && dst[i] == dst[i] {
				t.Errorf("%d counts: value %d is %v", n, i, dst[i])
			}
		}
	}
}

func TestTimesIsTheProductOfEach(t *testing.T) {
	x := []float64{0, math.Copysign(0, -1), 1, -1, nan, inf, -inf, 0x1p-1074, 1.7e308, 3, 1e-3}
	for n := range len(x) + 1 {
		for _, k := range []float64{0.5e-9, -3, 0x1p-1022} {
			dst := slices.Clone(x)
			if got := Times(dst, dst[:n], k); len(got) != n { // in place
				t.Fatalf("%d products of %d values", len(got), n)
			}
			for i := range dst {
				want := x[i]
				if i < n {
					want = k * x[i]
				}
				if dst[i] != want && !(math.IsNaN(dst[i]) && math.IsNaN(want)) {
					t.Errorf("%d values times %v: value %d is %v, want %v", n, k, i, dst[i], want)
				}
			}
		}
	}
}
