package reduce

import (
	"math"
	"math/cmplx"
	"testing"
)

func gain(b, a []float64, wn float64) float64 {
	z := cmplx.Exp(complex(0, -math.Pi*wn))
	var num, den complex128
	for k := len(b) - 1; k >= 0; k-- {
		num, den = num*z+complex(b[k], 0), den*z+complex(a[k], 0)
	}
	return cmplx.Abs(num / den)
}

// The magnitude of a Butterworth low-pass under the bilinear transform,
// 1/sqrt(1 + (tan(pi w/2)/tan(pi wn/2))^(2 order)): its definition.
func TestButterworthGain(t *testing.T) {
	for order := 1; order <= MaxFilterOrder; order++ {
		for _, wn := range []float64{0.05, 0.2, 0.5, 0.9} {
			b, a := Butterworth(order, wn)
			near(t, "cut-off", gain(b, a, wn), 1/math.Sqrt2, 1e-5)
			near(t, "Nyquist", gain(b, a, 1), 0, 1e-9)
			for _, w := range []float64{0, 0.02, 0.1, 0.3, 0.6, 0.8} {
				x := math.Tan(math.Pi*w/2) / math.Tan(math.Pi*wn/2)
				near(t, "gain", gain(b, a, w), 1/math.Sqrt(1+math.Pow(x, float64(2*order))), 2e-4)
			}
		}
	}
	for _, c := range []struct {
		order int
		wn    float64
	}{{0, 0.1}, {-1, 0.1}, {MaxFilterOrder + 1, 0.1}, {2, 0}, {2, 1}, {2, nan}, {2, -0.1}} {
		if b, a := Butterworth(c.order, c.wn); b != nil || a != nil {
			t.Errorf("order %d, wn %g: %v %v", c.order, c.wn, b, a)
		}
	}
}

func sine(n int, wn float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Sin(math.Pi * wn * float64(i-n/2))
	}
	return x
}

func TestFilterOfAConstant(t *testing.T) {
	b, a := Butterworth(3, 0.1)
	x := []float64{5, 5, 5, 5, 5, 5}
	for i, y := range FilterForward(make([]float64, 6), x, b, a) {
		near(t, "forward", y, x[i], 1e-13)
	}
	for i, y := range FilterBoth(make([]float64, 6), x, b, a) {
		near(t, "both", y, x[i], 1e-12)
	}
}

func TestFilterBothHasNoPhaseAndSquaresTheGain(t *testing.T) {
	const n = 4001
	b, a := Butterworth(2, 0.2)
	for _, w := range []float64{0.05, 0.2, 0.3} {
		x := sine(n, w)
		y := FilterBoth(make([]float64, n), x, b, a)
		g := gain(b, a, w)
		for i := n/2 - 50; i < n/2+50; i++ {
			near(t, "middle", y[i], g*g*x[i], 1e-9)
		}
	}
}

// The recursion of the definition, written out, with the state of a constant
// history before the first sample.
func TestFilterForwardIsTheRecursion(t *testing.T) {
	for _, order := range []int{1, 2, 5} {
		b, a := Butterworth(order, 0.3)
		x := append([]float64{2, 2, 2, 2, 2, 2}, sine(200, 0.13)...)
		y := FilterForward(make([]float64, len(x)), x, b, a)
		for i := range x {
			var want float64
			for k := range b {
				past, out := 2.0, 2.0
				if i-k >= 0 {
					past = x[i-k]
				}
				want += b[k] * past
				if k > 0 {
					if i-k >= 0 {
						out = y[i-k]
					}
					want -= a[k] * out
				}
			}
			near(t, "sample", y[i], want, 1e-12)
		}
	}
}

func TestFilterOfOddInput(t *testing.T) {
	b, a := Butterworth(2, 0.2)
	for _, n := range []int{0, 1, 2, 3} {
		x := sine(n, 0.1)
		if got := FilterBoth(make([]float64, n), x, b, a); len(got) != n {
			t.Errorf("%d values from %d", len(got), n)
		}
		FilterForward(x, x, b, a)
	}
	y := FilterForward(make([]float64, 4), []float64{1, 1, nan, 1}, b, a)
	if math.IsNaN(y[1]) || !math.IsNaN(y[2]) || !math.IsNaN(y[3]) {
		t.Errorf("NaN in the middle gives %v", y)
	}
	for _, y := range FilterForward(make([]float64, 2), []float64{1, 2}, nil, nil) {
		if !math.IsNaN(y) {
			t.Error("a filter without coefficients lets values through")
		}
	}
	// Longer than Butterworth makes them: a mean over twelve samples.
	mean, one := make([]float64, 12), make([]float64, 12)
	one[0] = 1
	fill(mean, 1.0/12)
	x := sine(400, 0.06)
	got := FilterForward(make([]float64, len(x)), x, mean, one)
	near(t, "long filter", PeakToPeak(got[100:])/2, MovingAverageGain(12, 0.03), 1e-3)
}
