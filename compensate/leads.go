package compensate

import "math"

const (
	// CopperTempco is the temperature coefficient of copper's resistance at
	// 20 degC, 1/K (IEC 60028, annealed copper).
	CopperTempco = 0.00393
	// CopperResistivity is that of annealed copper at 20 degC, ohm m:
	// 1/58 ohm mm2/m (IEC 60028).
	CopperResistivity = 1e-6 / 58
)

// LeadResistance returns a wire's resistance in ohm at temperature degC from its
// resistance at 20 degC and the temperature coefficient of its metal at 20 degC
// in 1/K: ohm20 [1 + tempco (T - 20)].
func LeadResistance(ohm20, tempco, temperature float64) float64 {
	return ohm20 * (1 + tempco*(temperature-20))
}

// LeadColumn writes LeadResistance of every temperature in degC to dst and
// returns dst. dst may be the same slice as temperature.
func LeadColumn(dst []float64, ohm20, tempco float64, temperature []float64) []float64 {
	dst = dst[:len(temperature)]
	for i, t := range temperature {
		dst[i] = LeadResistance(ohm20, tempco, t)
	}
	return dst
}

// AWGDiameter returns the diameter in m of a solid wire of American wire gauge
// n, 0.005 in * 92^((36-n)/39) (ASTM B258). For 00, 000 and 0000 n is -1, -2, -3.
func AWGDiameter(n int) float64 {
	const inch = 0.0254
	return 0.005 * inch * math.Pow(92, float64(36-n)/39)
}

// AWGArea returns the cross-section in m2 of a solid wire of American wire
// gauge n.
func AWGArea(n int) float64 {
	d := AWGDiameter(n)
	return math.Pi / 4 * d * d
}

// WireResistance returns the resistance in ohm at 20 degC of an annealed copper
// wire of the given cross-section in m2 and length in m.
func WireResistance(area, length float64) float64 {
	return CopperResistivity * length / area
}
