package compensate

import "math"

// exp returns e^x with an error of about one unit in the last place. math.Exp
// takes different instructions on different processors, and this one lies on
// the way to every temperature: the same input must give the same bits
// everywhere. The argument is brought to |r| <= ln 2 / 2 and the Taylor series
// summed there.
func exp(x float64) float64 {
	const (
		ln2Hi = 6.93147180369123816490e-01 // upper 33 bits of ln 2, so that k*ln2Hi is exact
		ln2Lo = 1.90821492927058770002e-10
	)
	switch {
	case math.IsNaN(x):
		return x
	case x > 709.782712893384:
		return math.Inf(1)
	case x < -745.14:
		return 0
	}
	k := math.Floor(x/math.Ln2 + 0.5)
	// Explicit conversions keep a compiler from fusing multiply and add.
	r := float64(x-float64(k*ln2Hi)) - float64(k*ln2Lo)
	y := 0.0
	for i := len(taylor) - 1; i >= 0; i-- {
		y = float64(y*r) + taylor[i]
	}
	y = 1 + (r + float64(float64(r*r)*y))
	if k < -1021 || k > 1022 {
		return math.Ldexp(y, int(k))
	}
	return y * math.Float64frombits(uint64(int64(k)+1023)<<52) // y 2^k, exactly
}

// taylor are the coefficients 1/n! of e^x from x^2 on.
var taylor = [...]float64{
	1.0 / 2, 1.0 / 6, 1.0 / 24, 1.0 / 120, 1.0 / 720, 1.0 / 5040, 1.0 / 40320,
	1.0 / 362880, 1.0 / 3628800, 1.0 / 39916800, 1.0 / 479001600, 1.0 / 6227020800,
}
