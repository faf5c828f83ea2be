package reduce

import (
	"math"
	"slices"
)

// Mean returns the arithmetic mean, in two passes: the mean of the deviations
// from a first mean corrects it. NaN for no values or if one is NaN.
func Mean(x []float64) float64 {
	n := float64(len(x))
	var sum float64
	for _, v := range x {
		sum += v
	}
	mean := sum / n
	var rest float64
	for _, v := range x {
		rest += v - mean
	}
	return mean + rest/n
}

// SD returns the sample standard deviation, with n - 1, of deviations from
// Mean. NaN for fewer than two values.
func SD(x []float64) float64 {
	n := float64(len(x))
	if n < 2 {
		return math.NaN()
	}
	mean := Mean(x)
	var squares float64
	for _, v := range x {
		squares += (v - mean) * (v - mean)
	}
	return math.Sqrt(squares / (n - 1))
}

// Lag1 returns the autocorrelation of neighbouring values,
// sum (x_i - m)(x_i+1 - m) / sum (x_i - m)^2. NaN for constant data.
func Lag1(x []float64) float64 {
	mean := Mean(x)
	var products, squares, last float64
	for i, v := range x {
		d := v - mean
		if i > 0 {
			products += last * d
		}
		squares += d * d
		last = d
	}
	return products / squares
}

// PeakToPeak returns the largest minus the smallest value; NaN for no values or
// if one is NaN.
func PeakToPeak(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	lo, hi := x[0], x[0]
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	return hi - lo
}

// Line is a straight line fitted by least squares.
type Line struct {
	Intercept  float64 // value at t = 0
	Slope      float64 // per unit of t
	SlopeError float64 // standard error of Slope
	ResidualSD float64 // about the line, with n - 2
}

// Drift fits a straight line y = Intercept + Slope t. t and y have the same
// length; the errors are NaN for fewer than three points, and all is NaN if the
// times are all equal. The errors assume independent residuals.
func Drift(t, y []float64) Line {
	y = y[:len(t)]
	mt, my := Mean(t), Mean(y)
	var tt, ty float64
	for i, v := range t {
		tt += (v - mt) * (v - mt)
		ty += (v - mt) * (y[i] - my)
	}
	slope := ty / tt
	var rr float64
	for i, v := range t {
		r := y[i] - my - slope*(v-mt)
		rr += r * r
	}
	line := Line{Intercept: my - slope*mt, Slope: slope, SlopeError: math.NaN(), ResidualSD: math.NaN()}
	if len(t) > 2 {
		line.ResidualSD = math.Sqrt(rr / float64(len(t)-2))
		line.SlopeError = line.ResidualSD / math.Sqrt(tt)
	}
	return line
}

// Allan returns the Allan deviation of x for averages over m neighbouring
// values without overlap, sqrt(mean (y_k+1 - y_k)^2 / 2) (NIST SP 1065, 5.2.2).
// NaN if there are fewer than two averages or m is not positive.
func Allan(x []float64, m int) float64 { return allan(x, m, m) }

// AllanOverlapping returns the Allan deviation from averages over m values that
// start at every value (NIST SP 1065, 5.2.4). NaN as Allan.
func AllanOverlapping(x []float64, m int) float64 { return allan(x, m, 1) }

func allan(x []float64, m, step int) float64 {
	if m < 1 || len(x) < 2*m {
		return math.NaN()
	}
	// Differences of neighbouring averages are small beside the values: take
	// the mean out first so that the sums keep their digits.
	mean := Mean(x)
	var sum float64
	var n int
	for i := 0; i+2*m <= len(x); i += step {
		var d float64
		for k := range m {
			d += (x[i+m+k] - mean) - (x[i+k] - mean)
		}
		d /= float64(m)
		sum += d * d
		n++
	}
	return math.Sqrt(sum / float64(2*n))
}

// normalMAD is the standard deviation of a normal distribution over its median
// absolute deviation, 1/Phi^-1(3/4).
const normalMAD = 1.482602218505602

// RobustSD returns the standard deviation estimated from the median absolute
// deviation from the median, times 1.4826 (normal data): up to half of the
// values may be outliers. scratch is overwritten and has at least the length of
// x. NaN for no values or if one is NaN.
func RobustSD(x, scratch []float64) float64 {
	s := scratch[:len(x)]
	copy(s, x)
	centre := medianInPlace(s)
	for i, v := range x {
		s[i] = math.Abs(v - centre)
	}
	return normalMAD * medianInPlace(s)
}

// NoiseSD returns the standard deviation of white noise on a slowly changing
// signal, from the median of the absolute differences of neighbours:
// 1.4826 median |x_i+1 - x_i| / sqrt 2. Drift and single spikes hardly matter.
// scratch as for RobustSD. NaN for fewer than two values or if one is NaN.
func NoiseSD(x, scratch []float64) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	s := scratch[:len(x)-1]
	for i := range s {
		s[i] = math.Abs(x[i+1] - x[i])
	}
	return normalMAD * medianInPlace(s) / math.Sqrt2
}

func medianInPlace(s []float64) float64 {
	n := len(s)
	if n == 0 {
		return math.NaN()
	}
	slices.Sort(s) // NaN come first
	if math.IsNaN(s[0]) {
		return math.NaN()
	}
	return s[(n-1)/2] + (s[n/2]-s[(n-1)/2])/2
}
