//go:build !amd64

package reduce

import "math"

// dividerPairs writes the strain of 2*pairs readings to dst and reports whether
// all are small.
func dividerPairs(dst, readings []float64, pairs int, k *dividerConstants) bool {
	c, small := *k, true
	dst = dst[:2*pairs]
	for i, r := range readings[:2*pairs] {
		s := c.span*(r-c.zero) + c.model + c.half
		t := 1 - s
		u := (c.p2*s - c.p1*t) / (c.q1*t - c.q2*s)
		small = small && math.Abs(u) < c.small
		dst[i] = u
	}
	return small
}

// quadraticPairs is dividerPairs for any bridge.
func quadraticPairs(dst, readings []float64, pairs int, k *quadraticConstants) bool {
	c, small := *k, true
	dst = dst[:2*pairs]
	for i, r := range readings[:2*pairs] {
		r = c.span*(r-c.zero) + c.model
		u := smallRoot(c.c0-r*c.d0, c.c1-r*c.d1, c.c2-r*c.d2)
		small = small && math.Abs(u) < c.small
		dst[i] = u
	}
	return small
}

// equalFours counts the fours at the beginning of x that are all first, bit for
// bit.
func equalFours(x []float64, first float64) int {
	bits := math.Float64bits(first)
	for i, v := range x {
		if math.Float64bits(v) != bits {
			return i / 4
		}
	}
	return len(x) / 4
}
