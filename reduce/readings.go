package reduce

// FromCounts writes counts to dst as float64, which holds every int32, and
// returns it. dst is at least as long as counts.
func FromCounts(dst []float64, counts []int32) []float64 {
	dst = dst[:len(counts)]
	for i := 4 * countFours(dst, counts); i < len(counts); i++ {
		dst[i] = float64(counts[i])
	}
	return dst
}

// Times writes k times every value of x to dst and returns it. dst is at least as
// long as x, and may be the same slice.
func Times(dst, x []float64, k float64) []float64 {
	dst = dst[:len(x)]
	for i := 4 * timesFours(dst, x, k); i < len(x); i++ {
		dst[i] = k * x[i]
	}
	return dst
}
