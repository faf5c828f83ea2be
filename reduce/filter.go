package reduce

import "math"

// MaxFilterOrder is the highest order that Butterworth makes: beyond it the
// coefficients of one quotient of polynomials lose too many digits.
const MaxFilterOrder = 8

// Butterworth returns the coefficients of a digital low-pass of the given order,
//
//	a0 y_n = b0 x_n + b1 x_n-1 + ... - a1 y_n-1 - ..., a0 = 1,
//
// by bilinear transform with the cut-off prewarped: gain 1 at zero frequency,
// 1/sqrt 2 at wn, 0 at half the sampling rate. wn is the cut-off relative to
// half the sampling rate, between 0 and 1. Orders outside 1 to MaxFilterOrder
// or another wn give nil slices. Source: Oppenheim and Schafer, Discrete-Time
// Signal Processing, section on the bilinear transformation (from memory).
func Butterworth(order int, wn float64) (b, a []float64) {
	if order < 1 || order > MaxFilterOrder || !(wn > 0 && wn < 1) {
		return nil, nil
	}
	warp := math.Tan(math.Pi * wn / 2)
	b, a = []float64{1}, []float64{1}
	for k := range order / 2 {
		// A pair of analogue poles: s^2 + damping s + 1, s in units of warp.
		damping := 2 * math.Sin(math.Pi*float64(2*k+1)/float64(2*order))
		a0 := 1 + damping*warp + warp*warp
		g := warp * warp / a0
		b = multiply(b, []float64{g, 2 * g, g})
		a = multiply(a, []float64{1, 2 * (warp*warp - 1) / a0, (1 - damping*warp + warp*warp) / a0})
	}
	if order%2 == 1 {
		g := warp / (1 + warp)
		b = multiply(b, []float64{g, g})
		a = multiply(a, []float64{1, (warp - 1) / (1 + warp)})
	}
	return b, a
}

func multiply(p, q []float64) []float64 {
	out := make([]float64, len(p)+len(q)-1)
	for i, x := range p {
		for j, y := range q {
			out[i+j] += x * y
		}
	}
	return out
}

// FilterForward applies the filter b, a (as from Butterworth, of equal length)
// to x from the first to the last value and returns dst, which may be the same
// slice as x. It starts as if the first value had been there for ever, so a
// constant passes unchanged. A NaN makes every later value NaN: cut the column
// at gaps. Without coefficients all is NaN. The output lags the input; a zero
// that is taken from filtered data needs readings filtered alike.
func FilterForward(dst, x, b, a []float64) []float64 {
	dst = dst[:len(x)]
	if len(b) == 0 || len(b) != len(a) {
		return fill(dst, math.NaN())
	}
	if len(x) == 0 {
		return dst
	}
	var buffer [MaxFilterOrder + 1]float64
	var z []float64
	if len(b) <= len(buffer) {
		z = buffer[:len(b)]
	} else {
		z = make([]float64, len(b))
	}
	settle(z, b, a, x[0])
	for i, v := range x {
		dst[i] = step(z, b, a, v)
	}
	return dst
}

// settle puts the state where a constant input has brought it.
func settle(z, b, a []float64, constant float64) {
	var sb, sa float64
	for k := range b {
		sb += b[k]
		sa += a[k]
	}
	y := constant * (sb / sa)
	z[len(z)-1] = 0
	for k := len(b) - 1; k > 0; k-- {
		z[k-1] = z[k] + b[k]*constant - a[k]*y
	}
}

// step is one sample in transposed direct form II; the last element of z is
// always 0.
func step(z, b, a []float64, v float64) float64 {
	y := z[0] + b[0]*v
	for k := 1; k < len(b); k++ {
		z[k-1] = z[k] + b[k]*v - a[k]*y
	}
	return y
}

// FilterBoth applies the filter forwards and then backwards: no phase shift,
// and the gain of the filter squared (1/2 at the cut-off of Butterworth). The
// ends are extended by reflection through the end points, as far as three
// lengths of the filter or as the data go. dst may be the same slice as x. NaN
// anywhere makes all NaN.
func FilterBoth(dst, x, b, a []float64) []float64 {
	dst = dst[:len(x)]
	n := len(x)
	if n == 0 {
		return dst
	}
	pad := min(3*len(b), n-1)
	long := make([]float64, n+2*pad)
	for i := range pad {
		long[i] = 2*x[0] - x[pad-i]
		long[pad+n+i] = 2*x[n-1] - x[n-2-i]
	}
	copy(long[pad:], x)
	FilterForward(long, long, b, a)
	reverse(long)
	FilterForward(long, long, b, a)
	reverse(long)
	copy(dst, long[pad:])
	return dst
}

func reverse(x []float64) {
	for i, j := 0, len(x)-1; i < j; i, j = i+1, j-1 {
		x[i], x[j] = x[j], x[i]
	}
}

func fill(x []float64, v float64) []float64 {
	for i := range x {
		x[i] = v
	}
	return x
}

// MovingAverageGain returns the gain of the mean over n neighbouring samples at
// a frequency in cycles a sample, |sin(pi f n) / (n sin(pi f))|: 1 at zero,
// nulls at k/n. White noise is reduced to 1/sqrt n. NaN if n is not positive.
func MovingAverageGain(n int, frequency float64) float64 {
	if n < 1 {
		return math.NaN()
	}
	s := math.Sin(math.Pi * frequency)
	if s == 0 {
		return 1
	}
	return math.Abs(math.Sin(math.Pi*frequency*float64(n)) / (float64(n) * s))
}
