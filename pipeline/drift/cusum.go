package drift

import "math"

// Cusum is a two-sided cumulative sum of standardised deviations,
//
//	S+ = max(0, S+ + z - k),  S- = max(0, S- - z - k),
//
// with an alarm when either exceeds h (Page 1954). The change is dated at the
// last zero of the sum that alarmed (Hawkins and Olwell 1998). Deviations are cut
// at +-4 first, so that one wild value cannot alarm alone.
type Cusum struct {
	Up    float64  `json:"up"`
	Down  float64  `json:"down"`
	Since [2]int64 `json:"since"` // ns, when each was last zero
	Alarm int64    `json:"alarm"` // ns, of the first alarm, 0 for none
	Onset int64    `json:"onset"` // ns, of the change that alarmed
	Sign  int      `json:"sign"`  // of it
}

// allowance k is half the shift, in standard deviations, that is found fastest;
// decision is h. In control the run between two false alarms is about
// RunLength(allowance, decision, 0)/2 epochs for two sides: over two years of
// hours, if deviations are independent and normal. Coloured noise is allowed for
// in the standard deviation.
const (
	allowance = 0.5
	decision  = 9
)

// Add takes the deviation z at a time. NaN changes nothing.
func (c *Cusum) Add(at int64, z float64) {
	if math.IsNaN(z) {
		return
	}
	z = max(-4, min(4, z))
	c.Up = max(0, c.Up+z-allowance)
	c.Down = max(0, c.Down-z-allowance)
	for side, s := range [2]float64{c.Up, c.Down} {
		if s == 0 || c.Since[side] == 0 {
			c.Since[side] = at
		}
		if s > decision && c.Alarm == 0 {
			c.Alarm, c.Onset, c.Sign = at, c.Since[side], 1-2*side
		}
	}
}

// RunLength returns the average number of independent normal deviations, of unit
// variance and mean shift, until a one-sided cumulative sum from zero exceeds h:
// Siegmund's approximation
//
//	(exp(-2 d b) + 2 d b - 1) / (2 d^2),  d = shift - k, b = h + 1.166
//
// (D. Siegmund, Sequential Analysis, 1985), b^2 at d = 0. Two sides together
// have 1/(1/up + 1/down).
func RunLength(k, h, shift float64) float64 {
	d, b := shift-k, h+1.166
	if d == 0 {
		return b * b
	}
	return (math.Expm1(-2*d*b) + 2*d*b) / (2 * d * d)
}
