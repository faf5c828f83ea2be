package reduce

import "math"

// Inside writes mark to marks for the rows at the beginning whose reading x is
// smaller in magnitude than rail and whose strain is at most limit in magnitude,
// and returns how many they are. A row with NaN is not among them. The three
// slices are of one length; nothing behind these rows is written.
func Inside(marks []uint32, mark uint32, x, strain []float64, rail, limit float64) int {
	marks, strain = marks[:len(x)], strain[:len(x)]
	i := 4 * insideFours(marks, mark, x, strain, rail, limit)
	for ; i < len(x); i++ {
		if !(math.Abs(x[i]) < rail) || !(math.Abs(strain[i]) <= limit) {
			break
		}
		marks[i] = mark
	}
	return i
}

// NearFours goes over x behind its first value by fours, as far as all four
// differ by at most limit from the value before, and returns how many fours they
// are. The magnitudes of their differences are added to sums, by place in the
// four: what the sums are does not depend on how many calls it takes. A four
// with NaN is not among them; fours that x does not hold are not looked at.
func NearFours(x []float64, limit float64, sums *[4]float64) int {
	if len(x) < 5 {
		return 0
	}
	return nearFours(x, limit, sums)
}
