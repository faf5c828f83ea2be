package compare

import "math"

// Bin is one part of a column's course over Options.Span, as a plot needs it: the
// least and the largest value of each side, and of their difference. The least is
// +Inf, and the largest -Inf, where there is none.
type Bin struct{ A, B, Difference Extremes }

// Extremes are the least and the largest of some numbers.
type Extremes struct{ Min, Max float64 }

// Empty reports whether there was no number.
func (e Extremes) Empty() bool { return e.Min > e.Max }

func (e *Extremes) take(x float64) { e.Min, e.Max = min(e.Min, x), max(e.Max, x) }

func newTrace(bins int) []Bin {
	if bins <= 0 {
		return nil
	}
	none := Extremes{math.Inf(1), math.Inf(-1)}
	t := make([]Bin, bins)
	for i := range t {
		t[i] = Bin{none, none, none}
	}
	return t
}

// trace puts rows into the bins of a column; either side may be nil.
func (s *source) trace(c *Column, times []int64, x, y []float64, flagsX, flagsY []uint32) {
	if len(c.Trace) == 0 || s.Span.To <= s.Span.From {
		return
	}
	scale := float64(len(c.Trace)) / float64(s.Span.To-s.Span.From)
	for i, t := range times {
		if t < s.Span.From || t >= s.Span.To {
			continue
		}
		b := &c.Trace[min(int(float64(t-s.Span.From)*scale), len(c.Trace)-1)]
		useX, useY := x != nil && x[i] == x[i] && !leftOut(flagsX, i), y != nil && y[i] == y[i] && !leftOut(flagsY, i)
		if useX {
			b.A.take(x[i])
		}
		if useY {
			b.B.take(y[i])
		}
		if useX && useY {
			b.Difference.take(less(x[i], y[i], c.Axis()))
		}
	}
}
