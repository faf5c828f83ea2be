package compensate

// horner returns c[0] + c[1] x + c[2] x^2 + ..., 0 without coefficients.
func horner(c []float64, x float64) float64 {
	var y float64
	for i := len(c) - 1; i >= 0; i-- {
		y = y*x + c[i]
	}
	return y
}

// hornerExact returns the same sum as if it had been computed with twice the
// digits and rounded once: the rounding error of every step is itself a number,
// and the errors run through Horner's scheme beside the values (Graillat,
// Langlois and Louvet, Compensated Horner Scheme, 2005). The conversions keep a
// compiler from fusing operations.
func hornerExact(c []float64, x float64) float64 {
	xh, xl := split(x)
	var y, errors float64
	for i := len(c) - 1; i >= 0; i-- {
		// product + productError = y x
		product := float64(y * x)
		yh, yl := split(y)
		productError := float64(yl*xl) - (((product - float64(yh*xh)) - float64(yl*xh)) - float64(yh*xl))
		// sum + sumError = product + c[i]
		sum := product + c[i]
		part := sum - product
		sumError := (product - (sum - part)) + (c[i] - part)
		y, errors = sum, float64(errors*x)+(productError+sumError)
	}
	return y + errors
}

// split divides a number into two halves of at most 26 bits each.
func split(a float64) (hi, lo float64) {
	const factor = 1<<27 + 1
	t := float64(factor * a)
	hi = t - (t - a)
	return hi, a - hi
}
