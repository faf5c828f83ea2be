package simulate

import "math"

// lot is what every gauge of a package has in common.
type lot struct {
	ohm        float64
	factor     float64 // at 24 degC
	slope      float64 // relative, per kelvin
	transverse float64 // Kt
	// thermal output in strain by ascending powers of degC, at a gauge factor
	// of reference, bonded to a material of the given expansion
	thermal   []float64
	reference float64
	expansion float64
}

// metal is what the gauges are bonded to.
type metal struct {
	poisson   float64
	expansion float64 // 1/K
}

const (
	beamPoisson = 0.285 // of the beam on which gauge factors are found
	atRoom      = 24.0  // degC, where the lots' constants hold
)

// resistance returns the ohms of a bonded grid of the given resistance at
// room temperature, at t degC, under mechanical strain along and across it.
//
// Two things change it. The package's thermal output, which was measured on a
// material of its own, as a resistance change. And strain, along and across the
// grid: the mechanical one, and what this article expands more than that
// material did, equally in both directions.
func (l *lot) resistance(ohm float64, m metal, t, axial, transverse, kt float64) float64 {
	free := (m.expansion - l.expansion) * (t - atRoom)
	factor := l.factor * (1 + l.slope*(t-atRoom))
	seen := ((axial + free) + kt*(transverse+free)) / (1 - beamPoisson*kt)
	thermal := l.reference * (polynomial(l.thermal, t) - polynomial(l.thermal, atRoom))
	return ohm * (1 + thermal + factor*seen)
}

// copperLead returns the resistance of a copper wire from that at 20 degC.
func copperLead(ohm20, t float64) float64 { return ohm20 * (1 + 0.00393*(t-20)) }

// wireOhm returns the resistance at 20 degC of a copper wire, from its
// cross-section in mm2 and its length in m (1/58 ohm mm2/m).
func wireOhm(mm2, length float64) float64 { return length / (58 * mm2) }

// perFahrenheit turns coefficients of powers of degF into those of degC.
func perFahrenheit(c []float64) []float64 {
	out := make([]float64, len(c))
	for n, a := range c {
		for k := 0; k <= n; k++ {
			out[k] += a * binomial(n, k) * math.Pow(1.8, float64(k)) * math.Pow(32, float64(n-k))
		}
	}
	return out
}

func binomial(n, k int) float64 {
	b := 1.0
	for i := 1; i <= k; i++ {
		b = b * float64(n-k+i) / float64(i)
	}
	return b
}
