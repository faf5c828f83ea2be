package reduce

import "math"

// Arm is the resistance of one side of a bridge as a linear function of the
// reported strain u: Rest + Slope*u, leads included.
type Arm struct {
	Rest  float64 // ohm at u = 0
	Slope float64 // ohm per unit of u
}

// At returns the resistance in ohm at strain u.
func (a Arm) At(u float64) float64 { return a.Rest + a.Slope*u }

// Arms are the four sides of a bridge in the order of Layout.
type Arms [4]Arm

// Ratio returns the bridge ratio in V/V at strain u with an unloaded meter,
//
//	r = (A1 A3 - A2 A4) / ((A1 + A2)(A3 + A4) + 2 Rx (A1 + A2 + A3 + A4)),
//
// where Rx is the resistance of one excitation lead in ohm: zero if the
// excitation is sensed at the bridge, else the ratio refers to the source.
func (a Arms) Ratio(u, excitationLead float64) float64 {
	return ratio(a[0].At(u), a[1].At(u), a[2].At(u), a[3].At(u), excitationLead)
}

func ratio(a1, a2, a3, a4, excitationLead float64) float64 {
	left, right := a1+a2, a3+a4
	return (a1*a3 - a2*a4) / (left*right + 2*excitationLead*(left+right))
}

// Solve returns the strain u at which Ratio(u, excitationLead) equals ratio.
// With strain in arms 1 and 2 only, and no excitation lead,
//
//	s = ratio + A4/(A3 + A4),  u = (P2 s - P1 (1 - s)) / (Q1 (1 - s) - Q2 s),
//
// P the rest and Q the slope of an arm. Otherwise u is the root of smaller
// magnitude of the quadratic that clearing the fraction gives: the other root
// lies where an arm has vanished. The result is NaN if an input is NaN or if
// no strain with four positive arms gives the ratio.
func (a Arms) Solve(ratio, excitationLead float64) float64 {
	return solve(a[0].Rest, a[0].Slope, a[1].Rest, a[1].Slope, a[2].Rest, a[2].Slope, a[3].Rest, a[3].Slope, ratio, excitationLead)
}

// solve takes plain numbers, which stay in registers on the way from a loop.
func solve(p1, q1, p2, q2, p3, q3, p4, q4, ratio, excitationLead float64) float64 {
	if q3 == 0 && q4 == 0 && excitationLead == 0 {
		s := ratio + p4/(p3+p4)
		t := 1 - s
		return divide(p2*s-p1*t, q1*t-q2*s, s, t)
	}
	pl, ql := p1+p2, q1+q2
	pr, qr := p3+p4, q3+q4
	rx := 2 * excitationLead
	c0 := (p1*p3 - p2*p4) - ratio*(pl*pr+rx*(pl+pr))
	c1 := (p1*q3 + q1*p3 - p2*q4 - q2*p4) - ratio*(pl*qr+ql*pr+rx*(ql+qr))
	c2 := (q1*q3 - q2*q4) - ratio*(ql*qr)
	u := smallRoot(c0, c1, c2)
	if p1+q1*u > 0 && p2+q2*u > 0 && p3+q3*u > 0 && p4+q4*u > 0 && finite(u) {
		return u
	}
	return math.NaN()
}

// SolveColumn writes Solve of every ratio in V/V to dst and returns dst: for
// samples through which the arms stay as they are, which most do, since
// temperatures are read less often than strain. dst may be the same slice as
// ratio. The results are those of Solve bit for bit, and nothing is allocated.
func (a Arms) SolveColumn(dst, ratio []float64, excitationLead float64) []float64 {
	dst = dst[:len(ratio)]
	p1, q1, p2, q2 := a[0].Rest, a[0].Slope, a[1].Rest, a[1].Slope
	p3, q3, p4, q4 := a[2].Rest, a[2].Slope, a[3].Rest, a[3].Slope
	// Below this magnitude Solve gives a number, without asking every arm.
	small := min(a[0].half(), a[1].half(), a[2].half(), a[3].half())
	if q3 == 0 && q4 == 0 && excitationLead == 0 {
		half := p4 / (p3 + p4)
		for i, r := range ratio {
			s := r + half
			t := 1 - s
			n, d := p2*s-p1*t, q1*t-q2*s
			u := n / d
			if !(math.Abs(u) < small) {
				u = divide(n, d, s, t)
			}
			dst[i] = u
		}
		return dst
	}
	pl, ql := p1+p2, q1+q2
	pr, qr := p3+p4, q3+q4
	rx := 2 * excitationLead
	c0, c1, c2 := p1*p3-p2*p4, p1*q3+q1*p3-p2*q4-q2*p4, q1*q3-q2*q4
	d0, d1, d2 := pl*pr+rx*(pl+pr), pl*qr+ql*pr+rx*(ql+qr), ql*qr
	for i, r := range ratio {
		u := smallRoot(c0-r*d0, c1-r*d1, c2-r*d2)
		if !(math.Abs(u) < small) && !a.positive(u) {
			u = math.NaN()
		}
		dst[i] = u
	}
	return dst
}

// half is the magnitude of strain that halves an arm: negative for an arm that
// is not positive to begin with, or not a number.
func (a Arm) half() float64 { return a.Rest / math.Abs(2*a.Slope) }

// positive reports whether u leaves every arm a resistance.
func (a *Arms) positive(u float64) bool {
	return a[0].At(u) > 0 && a[1].At(u) > 0 && a[2].At(u) > 0 && a[3].At(u) > 0 && finite(u)
}

// divide returns n/d for a divider ratio s and its complement t, NaN unless
// both are positive: outside, an arm would have to be negative or open.
func divide(n, d, s, t float64) float64 {
	u := n / d
	if s > 0 && t > 0 && finite(u+d) {
		return u
	}
	return math.NaN()
}

// finite asks of a sum whether all its terms are: an infinite denominator would
// make the strain 0.
func finite(x float64) bool { return x-x == 0 }

// smallRoot returns the root of smaller magnitude of c0 + c1 u + c2 u^2 in the
// form that does not cancel, not finite where there is none.
func smallRoot(c0, c1, c2 float64) float64 {
	return -2 * c0 / (c1 + math.Copysign(math.Sqrt(c1*c1-4*c2*c0), c1))
}
