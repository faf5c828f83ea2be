package reduce

import (
	"errors"
	"fmt"
	"math"
)

// ErrFit occurs when a polynomial cannot be fitted: too few different
// abscissae for the degree, or values that are not finite.
var ErrFit = errors.New("polynomial fit is not determined")

// Fit is a polynomial fitted by least squares.
type Fit struct {
	Coefficients []float64 // ascending powers of x
	Errors       []float64 // their standard errors, NaN without degrees of freedom
	ResidualSD   float64   // with n - degree - 1, NaN without degrees of freedom
}

// At returns the value of the polynomial at x. Outside the abscissae it was
// fitted to, it is an extrapolation.
func (f Fit) At(x float64) float64 {
	var y float64
	for i := len(f.Coefficients) - 1; i >= 0; i-- {
		y = y*x + f.Coefficients[i]
	}
	return y
}

// PolyFit fits a polynomial of the given degree to the points (x_i, y_i) by
// least squares. The abscissae are moved and scaled to [-1, 1] and the
// equations solved by orthogonalisation, never by normal equations, so that
// the certified digits of hard cases are reached (NIST Statistical Reference
// Datasets, linear regression). An error wraps ErrFit.
func PolyFit(x, y []float64, degree int) (Fit, error) {
	n, m := len(x), degree+1
	if degree < 0 || n < m || len(y) != n {
		return Fit{}, fmt.Errorf("%w: degree %d, %d abscissae, %d values", ErrFit, degree, n, len(y))
	}
	lo, hi := x[0], x[0]
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	centre, half := lo+(hi-lo)/2, (hi-lo)/2
	if half == 0 {
		half = 1
	}
	// One column a power, and the values as the last: what orthogonalisation
	// leaves of them is the residual.
	columns := make([][]float64, m+1)
	for k := range columns {
		columns[k] = make([]float64, n)
	}
	for i, v := range x {
		z, power := (v-centre)/half, 1.0
		for k := range m {
			columns[k][i] = power
			power *= z
		}
		columns[m][i] = y[i]
	}
	const negligible = 1e-13
	r, ok := orthonormalise(columns[:m], negligible)
	if !ok {
		return Fit{}, fmt.Errorf("%w: degree %d on %d points", ErrFit, degree, n)
	}
	residual := columns[m]
	projection := make([]float64, m)
	// A second round picks up what rounding left of the large first projection.
	for range 2 {
		for k := range m {
			p := dot(columns[k], residual)
			projection[k] += p
			for i := range residual {
				residual[i] -= p * columns[k][i]
			}
		}
	}
	// Coefficients in x are S a = S R^-1 projection; rows of S R^-1 also give
	// their variances.
	back := substitution(m, centre, half)
	f := Fit{Coefficients: make([]float64, m), Errors: make([]float64, m)}
	f.ResidualSD = math.Sqrt(dot(residual, residual) / float64(n-m))
	for j := range m {
		row := back[j]
		for k := range m { // row R^-1, from the left
			for i := range k {
				row[k] -= row[i] * r[i][k]
			}
			row[k] /= r[k][k]
		}
		f.Coefficients[j] = dot(row, projection)
		f.Errors[j] = f.ResidualSD * math.Sqrt(dot(row, row))
	}
	if n == m {
		f.ResidualSD = math.NaN()
		for j := range f.Errors {
			f.Errors[j] = math.NaN()
		}
	}
	for _, c := range f.Coefficients {
		if math.IsNaN(c) || math.IsInf(c, 0) {
			return Fit{}, fmt.Errorf("%w: values not finite", ErrFit)
		}
	}
	return f, nil
}

// substitution returns the matrix that turns coefficients of powers of
// z = (x - centre)/half into those of powers of x: column k is the expansion of
// z^k.
func substitution(m int, centre, half float64) [][]float64 {
	s := make([][]float64, m)
	for j := range s {
		s[j] = make([]float64, m)
	}
	s[0][0] = 1
	for k := 1; k < m; k++ {
		for j := range k {
			s[j][k] -= centre / half * s[j][k-1]
			s[j+1][k] += s[j][k-1] / half
		}
	}
	return s
}

// orthonormalise makes the columns orthonormal in place and returns the upper
// triangular R with original = orthonormal R, by Gram-Schmidt applied twice.
// It is not ok if what a column adds to those before it is below the given
// share of the largest column, or not finite.
func orthonormalise(q [][]float64, negligible float64) (r [][]float64, ok bool) {
	r = make([][]float64, len(q))
	var largest float64
	for j := range q {
		r[j] = make([]float64, len(q))
		largest = max(largest, math.Sqrt(dot(q[j], q[j])))
		for range 2 {
			for k := range j {
				p := dot(q[k], q[j])
				r[k][j] += p
				for i := range q[j] {
					q[j][i] -= p * q[k][i]
				}
			}
		}
		r[j][j] = math.Sqrt(dot(q[j], q[j]))
		if !(r[j][j] > negligible*largest) || math.IsInf(largest, 0) {
			return r, false
		}
		for i := range q[j] {
			q[j][i] /= r[j][j]
		}
	}
	return r, true
}

func dot(a, b []float64) float64 {
	var sum float64
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}
