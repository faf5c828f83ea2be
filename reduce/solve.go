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

// SolveColumn writes Solve of every reading, corrected, to dst and returns dst:
// for samples through which the arms stay as they are, which most do, since
// temperatures are read less often than strain. Readings are in V/V; dst may be
// the same slice. The results are those of Solve bit for bit, and nothing is
// allocated.
func (a Arms) SolveColumn(dst, readings []float64, c Correction, excitationLead float64) []float64 {
	whole := dst[:len(readings)]
	// Below this magnitude Solve gives a number, without asking every arm.
	small := min(a[0].half(), a[1].half(), a[2].half(), a[3].half())
	p1, q1, p2, q2 := a[0].Rest, a[0].Slope, a[1].Rest, a[1].Slope
	p3, q3, p4, q4 := a[2].Rest, a[2].Slope, a[3].Rest, a[3].Slope
	pl, ql := p1+p2, q1+q2
	pr, qr := p3+p4, q3+q4
	rx := 2 * excitationLead
	divider := dividerConstants{c.Zero, c.Span, c.Model, p4 / (p3 + p4), p1, p2, q1, q2, small}
	quadratic := quadraticConstants{
		c.Zero, c.Span, c.Model,
		p1*p3 - p2*p4, p1*q3 + q1*p3 - p2*q4 - q2*p4, q1*q3 - q2*q4,
		pl*pr + rx*(pl+pr), pl*qr + ql*pr + rx*(ql+qr), ql * qr,
		small,
	}
	linear := q3 == 0 && q4 == 0 && excitationLead == 0
	// Where there is something to look at more closely, the readings are needed again.
	var kept *[solveBlock]float64
	if len(readings) > 0 && &dst[0] == &readings[0] {
		kept = new([solveBlock]float64)
	}
	for rest := whole; len(rest) > 0; {
		n := min(len(rest), solveBlock)
		block := readings[:n]
		if kept != nil {
			block = kept[:copy(kept[:], block)]
		}
		small := false
		if linear {
			small = divider.column(rest[:n], block)
		} else {
			small = quadratic.column(rest[:n], block)
		}
		if !small { // somewhere it is not: each by itself
			for i, r := range block {
				rest[i] = a.Solve(c.Of(r), excitationLead)
			}
		}
		rest, readings = rest[n:], readings[n:]
	}
	return whole
}

// solveBlock is how many rows are looked at more closely when one of them needs it.
const solveBlock = 256

// dividerConstants are what solve needs, and what comes before it, when all
// strain is in arms 1 and 2. The order is known to the assembler.
type dividerConstants struct {
	zero, span, model float64
	half              float64
	p1, p2, q1, q2    float64
	small             float64
}

// column writes the strain of every reading to dst and reports whether all are
// small; else they need a closer look.
func (k *dividerConstants) column(dst, readings []float64) bool {
	readings = readings[:len(dst)]
	pairs := len(dst) / 2
	small := dividerPairs(dst, readings, pairs, k)
	for i := 2 * pairs; i < len(dst); i++ {
		s := k.span*(readings[i]-k.zero) + k.model + k.half
		t := 1 - s
		u := (k.p2*s - k.p1*t) / (k.q1*t - k.q2*s)
		small = small && math.Abs(u) < k.small
		dst[i] = u
	}
	return small
}

// quadraticConstants are the coefficients c - ratio*d of the quadratic, and what
// comes before it. The order is known to the assembler.
type quadraticConstants struct {
	zero, span, model float64
	c0, c1, c2        float64
	d0, d1, d2        float64
	small             float64
}

// column is that of dividerConstants for any bridge.
func (k *quadraticConstants) column(dst, readings []float64) bool {
	readings = readings[:len(dst)]
	pairs := len(dst) / 2
	small := quadraticPairs(dst, readings, pairs, k)
	for i := 2 * pairs; i < len(dst); i++ {
		r := k.span*(readings[i]-k.zero) + k.model
		u := smallRoot(k.c0-r*k.d0, k.c1-r*k.d1, k.c2-r*k.d2)
		small = small && math.Abs(u) < k.small
		dst[i] = u
	}
	return small
}

// half is the magnitude of strain that halves an arm: negative for an arm that
// is not positive to begin with, or not a number.
func (a Arm) half() float64 { return a.Rest / math.Abs(2*a.Slope) }

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
