package simulate

import "math"

// Reference functions of ITS-90 for thermocouples above 0 degC, emf in mV by
// ascending powers of degC (NIST Monograph 175; coefficients from memory,
// tested against its tables).
var (
	emfK = []float64{-0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7,
		0.318409457190e-9, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18,
		0.971511471520e-22, -0.121047212750e-25}
	emfT = []float64{0, 0.387481063640e-1, 0.332922278800e-4, 0.206182434040e-6,
		-0.218822568460e-8, 0.109968809280e-10, -0.308157587720e-13, 0.454791352900e-16,
		-0.275129016730e-19}
)

func polynomial(c []float64, x float64) (y float64) {
	for i := len(c) - 1; i >= 0; i-- {
		y = y*x + c[i]
	}
	return y
}

// thermocouple returns the emf in mV at t degC against 0 degC, for t above 0.
func thermocouple(letter byte, t float64) float64 {
	if letter == 'K' {
		d := t - 126.9686
		return polynomial(emfK, t) + 0.118597600000*math.Exp(-0.118343200000e-3*d*d)
	}
	return polynomial(emfT, t)
}

// platinum returns the resistance in ohm of a Pt100 at t degC, for t above 0
// (IEC 60751).
func platinum(t float64) float64 {
	return 100 * (1 + 3.9083e-3*t - 5.775e-7*t*t)
}
