package reduce

// The loops of FromCounts, Times, Inside and NearFours, four rows at a time, with
// the packed operations that every amd64 processor has. Each returns how many
// fours it went over.

//go:noescape
func countFours(dst []float64, counts []int32) int

//go:noescape
func timesFours(dst, x []float64, k float64) int

//go:noescape
func insideFours(marks []uint32, mark uint32, x, strain []float64, rail, limit float64) int

//go:noescape
func nearFours(x []float64, limit float64, sums *[4]float64) int
