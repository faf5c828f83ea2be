package frame

import "slices"

// Timing is how the rows of a source followed each other in time, over all its
// files.
type Timing struct {
	Rows    int64
	First   int64 // time of the first row, in ns since 1970-01-01 UTC
	Last    int64 // and of the last one
	Median  int64 // interval between rows in ns; 0 with fewer than two rows
	Gaps    int64 // intervals longer than gapPeriods declared sample periods
	Longest int64 // gap, in ns
	After   int64 // time of the last row before the longest gap; the first of equals
}

// gapPeriods is from how many sample periods on an interval is a gap: one lost
// row is jitter or a late logger.
const gapPeriods = 3

// timing gathers a Timing as rows come. Its memory does not grow with them: the
// median is that of intervals taken at even distances through the whole record.
type timing struct {
	gap     int64 // longest interval that is none, in ns
	rows    int64
	first   int64
	last    int64
	gaps    int64
	longest int64
	after   int64

	sample []int64 // every stride-th interval
	stride int64
	wait   int64 // intervals until the next one is taken
}

const timingSample = 1024

func newTiming(rate float64) timing {
	return timing{gap: int64(gapPeriods * 1e9 / rate), stride: 1}
}

// add takes the times of the rows that come next.
func (t *timing) add(times []int64) {
	if len(times) == 0 {
		return
	}
	if t.rows == 0 {
		t.first, t.last = times[0], times[0]
		t.rows = 1
		times = times[1:]
	}
	t.rows += int64(len(times))
	for _, at := range times {
		d := at - t.last
		if d > t.gap {
			t.gaps++
			if d > t.longest {
				t.longest, t.after = d, t.last
			}
		}
		if t.wait--; t.wait < 0 {
			t.take(d)
		}
		t.last = at
	}
}

// take keeps an interval; where there are too many, every other one goes.
func (t *timing) take(d int64) {
	if len(t.sample) == timingSample {
		for i := range timingSample / 2 {
			t.sample[i] = t.sample[2*i]
		}
		t.sample = t.sample[:timingSample/2]
		t.stride *= 2
	}
	t.sample = append(t.sample, d)
	t.wait = t.stride - 1
}

func (t *timing) timing() Timing {
	out := Timing{Rows: t.rows, First: t.first, Last: t.last, Gaps: t.gaps, Longest: t.longest, After: t.after}
	if len(t.sample) > 0 {
		sorted := slices.Sorted(slices.Values(t.sample))
		out.Median = sorted[len(sorted)/2]
	}
	return out
}

// Timing returns how the rows of a source that were read so far followed each
// other; ok is false when no file of that source was given.
func (r *Reader) Timing(source string) (t Timing, ok bool) {
	for _, s := range r.streams {
		if s.source == source {
			return s.timing.timing(), true
		}
	}
	return Timing{}, false
}
