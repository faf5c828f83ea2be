package reduce

// The loops of SolveColumn two samples at a time, with the packed operations
// that every amd64 processor has: the same operations in the same order, so the
// same bits. Division and square root are what takes the time, and two of them
// take no longer than one. The results say whether all strains are small.

//go:noescape
func dividerPairs(dst, readings []float64, pairs int, k *dividerConstants) bool

//go:noescape
func quadraticPairs(dst, readings []float64, pairs int, k *quadraticConstants) bool

// equalFours counts the fours at the beginning of x that are all first, bit for
// bit.
//
//go:noescape
func equalFours(x []float64, first float64) int
