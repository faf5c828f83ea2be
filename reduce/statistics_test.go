package reduce

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestStatisticsOfFewValues(t *testing.T) {
	for name, v := range map[string]float64{
		"mean of none":       Mean(nil),
		"mean with NaN":      Mean([]float64{1, nan}),
		"sd of one":          SD([]float64{1}),
		"lag1 of constant":   Lag1([]float64{2, 2, 2}),
		"span of none":       PeakToPeak(nil),
		"span with NaN":      PeakToPeak([]float64{1, nan, 2}),
		"Allan of too few":   Allan([]float64{1, 2, 3}, 2),
		"Allan of m 0":       Allan([]float64{1, 2, 3}, 0),
		"noise of one":       NoiseSD([]float64{1}, make([]float64, 1)),
		"noise with NaN":     NoiseSD([]float64{1, 2, nan, 3, 4, 5}, make([]float64, 6)),
		"robust of none":     RobustSD(nil, nil),
		"robust with NaN":    RobustSD([]float64{1, nan, 3}, make([]float64, 3)),
		"slope at one time":  Drift([]float64{1, 1, 1}, []float64{1, 2, 3}).Slope,
		"error of two":       Drift([]float64{0, 1}, []float64{0, 1}).SlopeError,
		"residual of two":    Drift([]float64{0, 1}, []float64{0, 1}).ResidualSD,
		"slope with NaN":     Drift([]float64{0, 1, 2}, []float64{0, nan, 2}).Slope,
		"gain of no samples": MovingAverageGain(0, 0.1),
	} {
		if !math.IsNaN(v) {
			t.Errorf("%s is %g, want NaN", name, v)
		}
	}
	near(t, "slope of two", Drift([]float64{0, 2}, []float64{1, 5}).Slope, 2, 1e-15)
	near(t, "intercept", Drift([]float64{1, 2, 3}, []float64{3, 5, 7}).Intercept, 1, 1e-14)
}

func TestNoiseEstimators(t *testing.T) {
	// Normal noise on a ramp with one outlier in five hundred. The estimators' own
	// scatter at 20000 values is about 1 %.
	r := rand.New(rand.NewPCG(11, 11))
	const n, sd = 20000, 2.5
	x, scratch, noise := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range x {
		noise[i] = sd * r.NormFloat64()
		if i%500 == 0 {
			noise[i] += 1000
		}
		x[i] = noise[i] + 1e-3*float64(i)
	}
	near(t, "noise on a ramp", NoiseSD(x, scratch), sd, 0.1)
	near(t, "robust", RobustSD(noise, scratch), sd, 0.1)
	if SD(noise) < 10*sd {
		t.Error("the outliers do not show in the ordinary deviation, and prove nothing")
	}
	// By hand: median 3, deviations 2 1 0 1 97, their median 1.
	near(t, "MAD", RobustSD([]float64{1, 2, 3, 4, 100}, scratch), 1.4826022185056, 1e-12)
	// 3 and 1: median difference is their mean, 2.
	near(t, "even number", NoiseSD([]float64{0, 3, 2}, scratch), 1.4826022185056*2/math.Sqrt2, 1e-12)
}

func TestAllanOfWhiteNoiseAndDrift(t *testing.T) {
	// A drift of d a sample gives d m / sqrt 2 exactly (NIST SP 1065, 5.2.2
	// applied to a straight line), overlapping or not.
	x := make([]float64, 100)
	for i := range x {
		x[i] = 1e6 + 0.25*float64(i)
	}
	for _, m := range []int{1, 3, 10, 50} {
		near(t, "drift", Allan(x, m), 0.25*float64(m)/math.Sqrt2, 1e-9)
		near(t, "drift", AllanOverlapping(x, m), 0.25*float64(m)/math.Sqrt2, 1e-9)
	}
	r := rand.New(rand.NewPCG(12, 12))
	white := make([]float64, 100000)
	for i := range white {
		white[i] = r.NormFloat64()
	}
	for _, m := range []int{1, 4, 16} { // falls as 1/sqrt m
		near(t, "white noise", AllanOverlapping(white, m)*math.Sqrt(float64(m)), 1, 0.05)
	}
}

// A sum of a million equal decimals has lost six digits; the second pass brings
// them back, and the deviation is nothing instead of what the sum lost.
func TestMeanOfMany(t *testing.T) {
	x := make([]float64, 1000003)
	fill(x, 0.1)
	near(t, "mean", Mean(x), 0.1, 1.4e-17)
	near(t, "sd", SD(x), 0, 1.4e-17)
}
