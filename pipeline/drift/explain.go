package drift

import (
	"math"
	"slices"
)

// least holds a series from which columns are taken out by least squares, one
// after the other.
type least struct {
	residual []float64
	basis    [][]float64
}

func newLeast(y []float64, columns ...[]float64) *least {
	l := &least{residual: slices.Clone(y)}
	for _, c := range columns {
		l.take(c)
	}
	return l
}

// take projects a column out of the residual. A column that the ones before it
// explain already adds nothing.
func (l *least) take(column []float64) {
	q := l.clean(column)
	if q == nil {
		return
	}
	l.basis = append(l.basis, q)
	p := dot(q, l.residual)
	for i := range l.residual {
		l.residual[i] -= p * q[i]
	}
}

// clean returns the column without what the basis explains, of unit length; nil
// if nothing is left.
func (l *least) clean(column []float64) []float64 {
	q := slices.Clone(column)
	before := math.Sqrt(dot(q, q))
	for range 2 {
		for _, b := range l.basis {
			p := dot(b, q)
			for i := range q {
				q[i] -= p * b[i]
			}
		}
	}
	norm := math.Sqrt(dot(q, q))
	if !(norm > 1e-6*before) {
		return nil
	}
	for i := range q {
		q[i] /= norm
	}
	return q
}

// with returns the sum of squares that would be left with further columns.
func (l *least) with(columns ...[]float64) float64 {
	more := least{residual: l.residual, basis: l.basis}
	left := l.squares()
	for _, c := range columns {
		if q := more.clean(c); q != nil {
			p := dot(q, l.residual)
			left -= p * p
			more.basis = append(more.basis[:len(more.basis):len(more.basis)], q)
		}
	}
	return max(0, left)
}

func (l *least) squares() float64 { return dot(l.residual, l.residual) }

func dot(a, b []float64) float64 {
	var sum float64
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}

// amplitude returns the coefficient of the last column in a fit of y by all of
// them.
func amplitude(y []float64, columns ...[]float64) float64 {
	last := len(columns) - 1
	l := newLeast(y, columns[:last]...)
	q := l.clean(columns[last])
	if q == nil {
		return 0
	}
	// residual = a column + rest, and what is clean of the column has length
	// column.q.
	return dot(q, l.residual) / dot(q, columns[last])
}

// spread is the range of the middle nine tenths.
func spread(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	if len(s) == 0 {
		return 0
	}
	return s[len(s)-1-len(s)/20] - s[len(s)/20]
}

// reach is the range of a series, 0 for none.
func reach(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	return slices.Max(x) - slices.Min(x)
}

// colour is the lag-1 autocorrelation of a residual, between 0 and 0.95.
func colour(r []float64) float64 {
	var products, squares float64
	for i, x := range r {
		squares += x * x
		if i > 0 {
			products += x * r[i-1]
		}
	}
	if !(squares > 0) {
		return 0
	}
	return max(0, min(0.95, products/squares))
}
