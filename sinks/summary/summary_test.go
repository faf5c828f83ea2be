package summary

import (
	"math"
	"math/rand/v2"
	"testing"

	"glueline/pipeline/flag"
)

// A column is taken in batches of any size; what comes out is what the plain
// definitions give over all rows at once.
func TestColumnIsWhatTheDefinitionsSay(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	const n = 20_000
	times, values, mask := make([]int64, n), make([]float64, n), make([]uint32, n)
	for i := range values {
		times[i] = int64(i) * 1e6
		values[i] = 1e-3 + 1e-4*math.Sin(float64(i)/500) + 1e-6*rng.NormFloat64()
		switch rng.IntN(300) {
		case 0:
			values[i] = math.NaN()
		case 1:
			mask[i] = uint32(flag.Saturated)
			values[i] = 1
		case 2:
			mask[i] = uint32(flag.OverLimit | flag.WasOutside)
		}
	}
	c := &column{last: math.NaN(), flags: 0}
	c.row.Min, c.row.Max = math.Inf(1), math.Inf(-1)
	for from := 0; from < n; {
		to := min(n, from+1+rng.IntN(4000))
		c.take(times[from:to], values[from:to], mask[from:to])
		from = to
	}

	used, pairs, saturated, over, firstOver := 0, 0, 0, 0, int64(-1)
	sum, steps, low, high, before := 0.0, 0.0, math.Inf(1), math.Inf(-1), math.NaN()
	for i, v := range values {
		if flag.Mask(mask[i])&flag.OverLimit != 0 {
			over++
			if firstOver < 0 {
				firstOver = times[i]
			}
		}
		if flag.Mask(mask[i])&flag.Saturated != 0 {
			saturated++
			v = math.NaN()
		}
		if !math.IsNaN(v) {
			used++
			sum += v
			low, high = math.Min(low, v), math.Max(high, v)
		}
		if !math.IsNaN(v) && !math.IsNaN(before) {
			steps += (v - before) * (v - before)
			pairs++
		}
		before = v
	}
	if saturated < 20 || over < 20 {
		t.Fatalf("only %d rows saturated and %d over the limit", saturated, over)
	}
	if c.row.Rows != n || c.row.Used != used || c.pairs != pairs || c.row.Min != low || c.row.Max != high {
		t.Errorf("rows %d, used %d, pairs %d, from %g to %g; want %d, %d, %d, %g, %g",
			c.row.Rows, c.row.Used, c.pairs, c.row.Min, c.row.Max, n, used, pairs, low, high)
	}
	if math.Abs(c.sum-sum) > 1e-12*sum || math.Abs(c.steps-steps) > 1e-12*steps {
		t.Errorf("sum %.17g, squares %.17g; want %.17g, %.17g", c.sum, c.steps, sum, steps)
	}
	if c.row.First != 0 || c.row.Last != times[n-1] {
		t.Errorf("from %d to %d ns", c.row.First, c.row.Last)
	}
	for bit, info := range flag.All() {
		seen, want, since := c.seen[bit].Rows, 0, int64(0)
		switch info.Mask {
		case flag.Saturated:
			want, since = saturated, c.seen[bit].Since
		case flag.OverLimit:
			want, since = over, firstOver
		case flag.WasOutside:
			want, since = over, firstOver
		}
		if seen != want || c.seen[bit].Since != since {
			t.Errorf("%s on %d rows since %d ns, want %d since %d ns", info.Name, seen, c.seen[bit].Since, want, since)
		}
	}
}

// A long row of equal values, whose plain sum loses digits.
func TestMeanKeepsItsDigits(t *testing.T) {
	c := &column{last: math.NaN(), flags: -1}
	values, times := make([]float64, 1<<16), make([]int64, 1<<16)
	for i := range values {
		values[i] = 0.1
	}
	const batches = 300
	plain := 0.0
	for range batches {
		c.take(times, values, nil)
		for _, v := range values {
			plain += v
		}
	}
	n := float64(c.row.Used)
	if lost := math.Abs(plain/n - 0.1); lost < 1e-12 {
		t.Fatalf("the plain mean is off by %.2g only: this proves nothing", lost)
	}
	if mean := c.sum / n; math.Abs(mean-0.1) > 1e-14 {
		t.Errorf("mean of 0.1 is off by %.2g", mean-0.1)
	}
}
