package selfcheck

import (
	"cmp"
	"math"
	"slices"

	"glueline/reduce"
)

// rainflowCase is the counting of cycles in a history of any unit.
func rainflowCase(in *inputs) (results, error) {
	history := in.numbers("history")
	repeating := in.has("repeating") && in.bool("repeating")
	if err := in.err(); err != nil {
		return nil, err
	}
	count := reduce.Rainflow
	if repeating {
		count = reduce.RainflowRepeating
	}
	cycles := count(history)
	// Ranges are differences of the history: exact but for rounding.
	var largest float64
	for _, v := range history {
		largest = max(largest, math.Abs(v))
	}
	tol := 1e-12 * largest
	ranges, means, counts := cycleColumns(cycles)
	binRanges, binCounts := histogram(cycles, tol)
	var total float64
	for _, n := range counts {
		total += n
	}
	return results{
		"cycles": table{columns: []column{
			{key: "range", unit: pureUnit, x: ranges, tol: tol},
			{key: "mean", unit: pureUnit, x: means, tol: tol},
			{key: "count", unit: pureUnit, x: counts, tol: countTol},
		}},
		"histogram": table{sorted: true, columns: []column{
			{key: "range", unit: pureUnit, x: binRanges, tol: tol},
			{key: "count", unit: pureUnit, x: binCounts, tol: countTol},
		}},
		"total_count": bare{total},
	}, nil
}

func cycleColumns(cycles []reduce.Cycle) (ranges, means, counts []float64) {
	for _, c := range cycles {
		ranges, means, counts = append(ranges, c.Range), append(means, c.Mean), append(counts, c.Count)
	}
	return ranges, means, counts
}

// histogram adds up the counts of equal ranges, in rising order.
func histogram(cycles []reduce.Cycle, tol float64) (ranges, counts []float64) {
	sorted := slices.Clone(cycles)
	slices.SortFunc(sorted, func(a, b reduce.Cycle) int { return cmp.Compare(a.Range, b.Range) })
	for _, c := range sorted {
		n := len(ranges)
		if n == 0 || c.Range-ranges[n-1] > tol {
			ranges, counts = append(ranges, c.Range), append(counts, 0)
			n++
		}
		counts[n-1] += c.Count
	}
	return ranges, counts
}
