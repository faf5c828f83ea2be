package compensate

import "math"

// Constants of the Callendar and Van Dusen equation for industrial platinum
// resistors (IEC 60751).
const (
	platinumA = 3.9083e-3
	platinumB = -5.775e-7
	platinumC = -4.183e-12 // below 0 degC only
	platinumL = -200.0     // degC, ends of the range
	platinumH = 850.0
)

// Pt100Resistance returns the resistance in ohm of a platinum resistor at t
// degC, r0 being its resistance in ohm at 0 degC (100 for a Pt100),
//
//	R = r0 [1 + A t + B t^2 + C (t - 100) t^3]
//
// with C = 0 from 0 degC on (IEC 60751). NaN outside -200 to 850 degC.
func Pt100Resistance(t, r0 float64) float64 {
	if !(t >= platinumL && t <= platinumH) {
		return math.NaN()
	}
	return r0 * platinum(t)
}

func platinum(t float64) float64 {
	q := 1 + t*(platinumA+t*platinumB)
	if t < 0 {
		q += platinumC * (t - 100) * t * t * t
	}
	return q
}

// Pt100Temperature returns the temperature in degC at which a platinum resistor
// of r0 ohm at 0 degC has the given resistance in ohm: the root of the
// quadratic from 0 degC on, by iteration below. NaN outside -200 to 850 degC, to
// within the rounding of a table's last digit (0.02 K).
func Pt100Temperature(ohm, r0 float64) float64 {
	q := ohm / r0
	// The root in the form that does not cancel near 0 degC.
	d := q - 1
	t := 2 * d / (platinumA + math.Sqrt(platinumA*platinumA+4*platinumB*d))
	if d < 0 {
		// The quadratic is within 2 K of the whole function down to -200 degC,
		// and the function is nearly straight: few of Newton's steps are enough.
		for range 8 {
			slope := platinumA + t*(2*platinumB+platinumC*t*(4*t-300))
			next := t - (platinum(t)-q)/slope
			if math.Abs(next-t) <= 1e-13*(1+math.Abs(t)) {
				t = next
				break
			}
			t = next
		}
	}
	// Tables print 0.01 ohm, so that their end values are off by up to 0.017 K:
	// half of a last digit beyond the range is rounding, not extrapolation.
	const slack = 0.02
	if !(t >= platinumL-slack && t <= platinumH+slack) {
		return math.NaN()
	}
	return t
}

// Pt100Column writes Pt100Temperature of every resistance in ohm to dst and
// returns dst, which may be the same slice.
func Pt100Column(dst, ohm []float64, r0 float64) []float64 {
	dst = dst[:len(ohm)]
	for i, r := range ohm {
		dst[i] = Pt100Temperature(r, r0)
	}
	return dst
}
