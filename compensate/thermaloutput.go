package compensate

// ThermalOutput is the thermal output of a gauge lot as its package states it:
// a polynomial in temperature, measured on a material of known expansion and
// expressed as strain at a reference gauge factor.
type ThermalOutput struct {
	Coefficients         []float64 // strain, ascending powers of degC
	ReferenceGaugeFactor float64
	MaterialExpansion    float64 // 1/K, of the material the curve was measured on
}

// FromFahrenheit converts the coefficients of a polynomial in degF to those of
// the same polynomial in degC, by substituting t_F = 1.8 t + 32 in every power.
// Ascending powers, and the unit of the values is kept.
func FromFahrenheit(coefficients []float64) []float64 {
	out := make([]float64, len(coefficients))
	// Horner's scheme with a polynomial as its variable: out*(1.8 t + 32) + c.
	for i := len(coefficients) - 1; i >= 0; i-- {
		for k := len(out) - 1; k > 0; k-- {
			out[k] = 32*out[k] + 1.8*out[k-1]
		}
		out[0] = 32*out[0] + coefficients[i]
	}
	return out
}

// At returns the polynomial's value in strain at temperature degC. It need not
// be zero at any particular temperature: only differences are used. Outside the
// range for which the curve was fitted the value means nothing; that range is
// the caller's to know.
func (t ThermalOutput) At(temperature float64) float64 {
	return horner(t.Coefficients, temperature)
}

// Thermal is everything that makes a bonded gauge's resistance change with
// temperature without load.
type Thermal struct {
	Output             ThermalOutput
	GaugeFactor        GaugeFactor
	Transverse         float64 // Kt, a fraction
	CalibrationPoisson float64 // Poisson's ratio of the beam on which the gauge factor was found
	SpecimenExpansion  float64 // 1/K
	Zero               float64 // degC, temperature of the zero reading
}

// Resistance returns the relative resistance change of an unloaded gauge
// between the zero temperature T0 and temperature T in degC,
//
//	a = F_ref [p(T) - p(T0)] + F(T) (1 + Kt)/(1 - nu0 Kt) (alpha_s - alpha_c)(T - T0):
//
// the package's curve turned back into resistance, and the additional free
// expansion of a specimen of another material, which the gauge sees in all
// directions. Zero at T0. It is a resistance change and does not scale with
// the gauge factor. Divided by F it is the usual reported thermal output.
func (t Thermal) Resistance(temperature float64) float64 {
	k := t.constants()
	p := horner(t.Output.Coefficients, temperature)
	f := t.GaugeFactor.At(temperature)
	return k.reference*(p-k.zero) + f*k.expansion*(temperature-t.Zero)
}

type thermalConstants struct {
	reference float64 // F_ref
	zero      float64 // p(T0)
	expansion float64 // (1 + Kt)/(1 - nu0 Kt)(alpha_s - alpha_c)
}

func (t Thermal) constants() thermalConstants {
	return thermalConstants{
		reference: t.Output.ReferenceGaugeFactor,
		zero:      horner(t.Output.Coefficients, t.Zero),
		expansion: (1 + t.Transverse) / (1 - t.CalibrationPoisson*t.Transverse) *
			(t.SpecimenExpansion - t.Output.MaterialExpansion),
	}
}

// ResistanceColumn writes Resistance of every temperature to dst and returns
// dst, bit for bit as Resistance. dst may be the same slice as temperature.
func (t Thermal) ResistanceColumn(dst, temperature []float64) []float64 {
	dst = dst[:len(temperature)]
	k, factor, zero := t.constants(), t.GaugeFactor, t.Zero
	c := t.Output.Coefficients
	if len(c) > quartic {
		for i, x := range temperature {
			dst[i] = k.reference*(horner(c, x)-k.zero) + factor.At(x)*k.expansion*(x-zero)
		}
		return dst
	}
	// Packages state curves up to the fourth power: without a loop over the
	// coefficients these take less than half the time. Missing ones are 0.
	var p [quartic]float64
	copy(p[:], c)
	c0, c1, c2, c3, c4 := p[0], p[1], p[2], p[3], p[4]
	for i, x := range temperature {
		y := ((((0*x+c4)*x+c3)*x+c2)*x+c1)*x + c0
		dst[i] = k.reference*(y-k.zero) + factor.At(x)*k.expansion*(x-zero)
	}
	return dst
}

// quartic is the number of coefficients of a polynomial of fourth degree.
const quartic = 5
