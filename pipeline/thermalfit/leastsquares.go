package thermalfit

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// point is a mean as it goes into the fit.
type point struct {
	series      int // counts them from 0
	index       int64
	x           float64 // temperature, moved and scaled to [-1, 1]
	y           float64
	temperature float64 // degC
}

// solution is a polynomial of one degree in x without its constant term: every
// series has an offset of its own.
type solution struct {
	slopes    []float64   // of x, x^2, …
	inverse   [][]float64 // (A'A)^-1 of the centred powers
	residuals []float64   // of the points, in their order
	squares   float64     // sum of the residuals' squares
}

// solve fits a polynomial to points that are in the order of their series. An
// offset a series is the same as taking every series from its own means (Frisch
// and Waugh, Econometrica 1, 1933; Lovell, J. Am. Stat. Assoc. 58, 1963). It is
// not ok where the temperatures do not determine the degree.
func solve(points []point, degree int) (*solution, bool) {
	n := len(points)
	if n <= degree {
		return nil, false
	}
	a, y := mat.NewDense(n, degree, nil), mat.NewVecDense(n, nil)
	powers := make([]float64, degree)
	for from := 0; from < n; {
		to, mean := from, 0.0
		for to < n && points[to].series == points[from].series {
			mean += points[to].y
			to++
		}
		count := float64(to - from)
		clear(powers)
		for i := from; i < to; i++ {
			y.SetVec(i, points[i].y-mean/count)
			p := 1.0
			for k := range powers {
				p *= points[i].x
				powers[k] += p
				a.Set(i, k, p)
			}
		}
		for i := from; i < to; i++ {
			for k := range powers {
				a.Set(i, k, a.At(i, k)-powers[k]/count)
			}
		}
		from = to
	}
	var qr mat.QR
	qr.Factorize(a)
	const hopeless = 1e11 // of the powers of scaled temperature to the tenth it is far below
	if c := qr.Cond(); !(c < hopeless) {
		return nil, false
	}
	var b mat.VecDense
	if err := qr.SolveVecTo(&b, false, y); err != nil {
		return nil, false
	}
	var r, inverse mat.Dense
	qr.RTo(&r)
	s := &solution{slopes: make([]float64, degree), inverse: make([][]float64, degree), residuals: make([]float64, n)}
	if err := inverse.Inverse(r.Slice(0, degree, 0, degree)); err != nil {
		return nil, false
	}
	for i := range degree {
		s.slopes[i] = b.AtVec(i)
		s.inverse[i] = make([]float64, degree)
		for j := range degree {
			for k := max(i, j); k < degree; k++ {
				s.inverse[i][j] += inverse.At(i, k) * inverse.At(j, k)
			}
		}
	}
	for i := range n {
		e := y.AtVec(i)
		for k := range degree {
			e -= a.At(i, k) * s.slopes[k]
		}
		s.residuals[i] = e
		s.squares += e * e
	}
	return s, !math.IsNaN(s.squares)
}

// variance is that of the difference of the polynomial between two places, per
// variance of one independent reading.
func (s *solution) variance(x, from float64) (v float64) {
	d := make([]float64, len(s.slopes))
	p, q := 1.0, 1.0
	for k := range d {
		p, q = p*x, q*from
		d[k] = p - q
	}
	for i := range d {
		for j := range d {
			v += d[i] * s.inverse[i][j] * d[j]
		}
	}
	return v
}

// difference is that of the polynomial between two places.
func (s *solution) difference(x, from float64) (d float64) {
	p, q := 1.0, 1.0
	for _, slope := range s.slopes {
		p, q = p*x, q*from
		d += slope * (p - q)
	}
	return d
}

// expanded turns a polynomial in x = (t - centre)/half, without constant term,
// into one in t, ascending, of which the constant term belongs to the first.
func expanded(slopes []float64, centre, half float64) []float64 {
	out := make([]float64, len(slopes)+1)
	for k := len(slopes); k >= 0; k-- { // Horner's scheme with a polynomial as its variable
		for i := len(out) - 1; i > 0; i-- {
			out[i] = (out[i-1] - centre*out[i]) / half
		}
		out[0] *= -centre / half
		if k > 0 {
			out[0] += slopes[k-1]
		}
	}
	return out
}
