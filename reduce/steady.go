package reduce

import "math"

// Steady returns how many values at the beginning of x are the same, bit for
// bit; 0 without values.
func Steady(x []float64) int {
	if len(x) == 0 {
		return 0
	}
	n, first := 4*equalFours(x, x[0]), math.Float64bits(x[0])
	for n < len(x) && math.Float64bits(x[n]) == first {
		n++
	}
	return n
}
