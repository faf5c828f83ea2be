//go:build !amd64

package reduce

import "math"

// What the loops for amd64 leave over is done one by one: here, all.
func countFours(dst []float64, counts []int32) int { return 0 }

func timesFours(dst, x []float64, k float64) int { return 0 }

func insideFours(marks []uint32, mark uint32, x, strain []float64, rail, limit float64) int { return 0 }

// nearFours is NearFours for one four at least: sums are by place in the four.
func nearFours(x []float64, limit float64, sums *[4]float64) int {
	n := 0
	for ; 4*n+5 <= len(x); n++ {
		var d [4]float64
		for i := range d {
			if d[i] = math.Abs(x[4*n+i+1] - x[4*n+i]); !(d[i] <= limit) {
				return n
			}
		}
		for i := range d {
			sums[i] += d[i]
		}
	}
	return n
}
