package reduce

// Steady returns how many values at the beginning of x are surely the same, bit
// for bit: all of them up to the first other one, or up to three fewer. 0
// without values.
func Steady(x []float64) int {
	if len(x) == 0 {
		return 0
	}
	return 4 * equalFours(x, x[0])
}
