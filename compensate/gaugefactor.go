package compensate

// GaugeFactor is the gauge factor of a lot with its change with temperature.
type GaugeFactor struct {
	Value     float64 // at Reference
	Reference float64 // degC
	Slope     float64 // relative change per kelvin: a data sheet's % per 100 degC, over 10 000
}

// At returns the gauge factor at temperature degC,
// Value [1 + Slope (T - Reference)].
func (g GaugeFactor) At(temperature float64) float64 {
	return g.Value * (1 + g.Slope*(temperature-g.Reference))
}

// Column writes At of every temperature in degC to dst and returns dst. dst may
// be the same slice as temperature.
func (g GaugeFactor) Column(dst, temperature []float64) []float64 {
	dst = dst[:len(temperature)]
	for i, t := range temperature {
		dst[i] = g.At(t)
	}
	return dst
}
