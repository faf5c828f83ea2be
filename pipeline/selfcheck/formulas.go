package selfcheck

import (
	"fmt"

	"glueline/compensate"
	"glueline/pipeline/channel"
	"glueline/reduce"
)

// Kinds on single formulas, for published values that are about no more.

// ideal is a bridge of equal arms without leads, thermal output or transverse
// sensitivity.
func ideal(layout string, ohm, gaugeFactor, poisson float64, shunt *channel.Shunt) (*channel.Channel, error) {
	l, ok := reduce.LayoutByName(layout)
	if !ok {
		return nil, fmt.Errorf("no bridge is called %q", layout)
	}
	return channel.New(channel.Constants{
		Layout:      l,
		Resistance:  ohm,
		GaugeFactor: compensate.GaugeFactor{Value: gaugeFactor},
		Poisson:     poisson,
		Shunt:       shunt,
	}, channel.Zero{})
}

const percent = 100

// bridgeCase is the ratio of an ideal bridge, its slope at zero over that of
// one active arm, and what a ratio computed with that slope is off by.
func bridgeCase(in *inputs) (results, error) {
	layout, f := in.string("bridge"), in.number("gauge_factor")
	poisson, u := in.number("poisson"), in.number("quantity")
	if err := in.err(); err != nil {
		return nil, err
	}
	ch, err := ideal(layout, 350, f, poisson, nil)
	if err != nil {
		return nil, err
	}
	const small = 1e-6
	slope := (ch.Ratio(small, 0, 0) - ch.Ratio(-small, 0, 0)) / (2 * small)
	ratio := ch.Ratio(u, 0, 0)
	return results{
		"ratio":            scalar{ratio, inRatio},
		"bridge_constant":  scalar{4 * slope / f, pureUnit},
		"linear_error_pct": scalar{(slope*u/ratio - 1) * percent, "%"},
	}, nil
}

// quarterCase is the ratio of an ideal quarter bridge, and what a strain read
// from it with the slope at zero, 4 r/F, is off by.
func quarterCase(in *inputs) (results, error) {
	f, strain := in.number("gauge_factor"), in.number("strain")
	if err := in.err(); err != nil {
		return nil, err
	}
	ch, err := ideal("quarter_3wire", 350, f, 0, nil)
	if err != nil {
		return nil, err
	}
	ratio := ch.Ratio(strain, 0, 0)
	return results{
		"ratio":            scalar{ratio, inRatio},
		"linear_error_pct": scalar{(4*ratio/f/strain - 1) * percent, "%"},
	}, nil
}

// shuntCase is a resistor across the gauge, or the fixed resistor next to it,
// of an ideal quarter bridge.
func shuntCase(in *inputs) (results, error) {
	ohm, f, resistor := in.positive("Rg_ohm"), in.number("gauge_factor"), in.positive("Rs_ohm")
	if err := in.err(); err != nil {
		return nil, err
	}
	step := func(location reduce.ShuntLocation) (ratio, strain float64, err error) {
		ch, err := ideal("quarter_3wire", ohm, f, 0, &channel.Shunt{Location: location, Resistor: resistor})
		if err != nil {
			return 0, 0, err
		}
		ratio = ch.ShuntStep(0, 0, 0)
		return ratio, ch.Strain(ratio, 0, 0), nil
	}
	ratio, strain, err := step(reduce.ShuntGauge)
	if err != nil {
		return nil, err
	}
	adjacent, _, err := step(reduce.ShuntCompletion)
	if err != nil {
		return nil, err
	}
	return results{
		"simulated_strain":    scalar{strain, inStrain},
		"ratio_step":          scalar{ratio, inRatio},
		"adjacent_ratio_step": scalar{adjacent, inRatio},
	}, nil
}

// wireCase is the size and resistance of a solid copper wire.
func wireCase(in *inputs) (results, error) {
	const foot = 0.3048 // m
	got := results{}
	switch {
	case in.has("R20_ohm"):
		r20, t := in.positive("R20_ohm"), in.number("T_degC")
		got["R"] = scalar{compensate.LeadResistance(r20, compensate.CopperTempco, t), inOhm}
	case in.has("length_m"):
		area := compensate.AWGArea(in.whole("awg", -3, 56))
		r20 := compensate.WireResistance(area, in.positive("length_m"))
		got["R"] = scalar{compensate.LeadResistance(r20, compensate.CopperTempco, in.number("T_degC")), inOhm}
	default:
		n := in.whole("awg", -3, 56)
		area := compensate.AWGArea(n)
		got["diameter"] = scalar{compensate.AWGDiameter(n) * 1e3, "mm"}
		got["resistance_tabulated"] = scalar{compensate.WireResistance(area, 1000*foot), "ohm/1000 ft"}
		got["resistance_from_rho"] = scalar{compensate.WireResistance(area, 1), "ohm/m"}
	}
	return got, in.err()
}

// thermalOutputCase is a package's curve between two temperatures at another
// gauge factor, or a curve in degF turned into degC.
func thermalOutputCase(in *inputs) (results, error) {
	if in.has("coefficients_microstrain_ascending_degF") {
		c := in.numbers("coefficients_microstrain_ascending_degF")
		if len(c) > maxCoefficients {
			in.fault.add("inputs: more than %d coefficients", maxCoefficients)
		}
		if err := in.err(); err != nil {
			return nil, err
		}
		for i := range c {
			c[i] *= 1e-6
		}
		curve := compensate.ThermalOutput{Coefficients: compensate.FromFahrenheit(c)}
		return results{
			"coefficients_strain_ascending_degC": list{curve.Coefficients, inStrain},
			"p_at_100C":                          scalar{curve.At(100), inStrain},
		}, nil
	}
	f := in.number("instrument_gauge_factor")
	thermal := compensate.Thermal{
		Output: compensate.ThermalOutput{
			Coefficients:         in.numbers("coefficients_strain_ascending_degC"),
			ReferenceGaugeFactor: in.number("reference_gauge_factor"),
		},
		GaugeFactor: compensate.GaugeFactor{Value: f},
		Zero:        in.number("T0_degC"),
	}
	return results{
		"thermal_strain": scalar{thermal.Resistance(in.number("T_degC")) / f, inStrain},
	}, in.err()
}

// maxCoefficients bounds the work of the conversion, which is quadratic.
const maxCoefficients = 100

// gaugeFactorCase is a gauge factor at another temperature.
func gaugeFactorCase(in *inputs) (results, error) {
	f := compensate.GaugeFactor{
		Value:     in.number("gauge_factor"),
		Reference: in.number("T_ref"),
		Slope:     in.number("tempco_pct_per_100degC") / 1e4,
	}
	return results{"F": scalar{f.At(in.number("T")), pureUnit}}, in.err()
}

// transverseCase is the strain along a grid where that across it is known as a
// ratio, and what the indicated strain is off by.
func transverseCase(in *inputs) (results, error) {
	kt, nu0 := in.number("Kt"), in.number("nu0")
	response := compensate.RatioResponse(in.number("ratio"), kt, nu0)
	axial := in.number("indicated") / response
	return results{
		"axial":     scalar{axial, inStrain},
		"error_pct": scalar{(response - 1) * percent, "%"},
	}, in.err()
}

// transformCase is the strain in one direction of a state of strain.
func transformCase(in *inputs) (results, error) {
	strain := reduce.PlaneStrain{X: in.number("ex"), Y: in.number("ey"), Shear: in.number("gxy")}
	angles := in.numbers("angles_deg")
	if len(angles) != 1 {
		in.fault.add("inputs.angles_deg has to be one angle")
	}
	if err := in.err(); err != nil {
		return nil, err
	}
	return results{"e": scalar{strain.At(angles[0] * degree), inStrain}}, nil
}

// damageCase is the Palmgren-Miner sum of blocks, or of the cycles of a
// history, on a curve in amplitudes (Basquin) or in ranges.
func damageCase(in *inputs) (results, error) {
	got := results{}
	var cycles []reduce.Cycle
	var curve reduce.Curve
	if in.has("C") {
		power := reduce.PowerRange{Coefficient: in.positive("C"), Exponent: in.positive("m")}
		cycles = reduce.Rainflow(scaledHistory(in))
		got["equivalent_range"] = scalar{reduce.EquivalentRange(cycles, power.Exponent), inMPa}
		curve = power
	} else {
		basquin := reduce.Basquin{Coefficient: in.positive("sf_MPa"), Exponent: in.number("b")}
		if basquin.Exponent >= 0 {
			in.fault.add("inputs.b has to be below zero")
		}
		if in.has("blocks") {
			for i, block := range in.objects("blocks") {
				c := reduce.Cycle{Range: 2 * block.positive("amplitude_MPa"), Count: block.notNegative("n")}
				cycles = append(cycles, c)
				got[fmt.Sprintf("N%d", i+1)] = scalar{basquin.Cycles(c.Range), "cycles"}
			}
		} else {
			cycles = reduce.Rainflow(scaledHistory(in))
			ultimate := in.positive("su_MPa")
			for i, c := range cycles {
				cycles[i] = c.Goodman(ultimate)
			}
		}
		curve = basquin
	}
	got["damage"] = scalar{reduce.Miner(cycles, curve), pureUnit}
	return got, in.err()
}

func scaledHistory(in *inputs) []float64 {
	history, scale := in.numbers("history"), in.number("scale_MPa")
	for i := range history {
		history[i] *= scale
	}
	return history
}
