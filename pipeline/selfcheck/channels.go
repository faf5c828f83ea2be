package selfcheck

import (
	"errors"
	"fmt"
	"math"

	"glueline/compensate"
	"glueline/pipeline/channel"
	"glueline/reduce"
)

// setup is what the kinds on whole channels have in common.
type setup struct {
	constants            channel.Constants
	zeroT, readT         float64 // degC at the gauge
	zeroLeadT, readLeadT float64 // degC of the leads
}

// channelCase is one reading of one channel with all its corrections.
func channelCase(in *inputs) (results, error) {
	zero, reading := in.object("zero"), in.object("reading")
	s := newSetup(in, zero, reading)
	s.constants.Transverse = in.object("gauge").number("transverse_sensitivity")
	s.transverse(in)
	zeroRatio, ratio := zero.number("ratio_V_per_V"), reading.number("ratio_V_per_V")
	s.shunt(in, zeroRatio)
	if err := in.err(); err != nil {
		return nil, err
	}
	ch, err := s.channel(zeroRatio)
	if err != nil {
		return nil, err
	}
	strain := ch.Strain(ratio, s.readT, s.readLeadT)
	stress := ch.Stiffness() * strain
	got := results{
		"span_factor":                     scalar{ch.Span(), pureUnit},
		"delta_ratio_corrected":           scalar{ch.Change(ratio), inRatio},
		"gauge_factor_at_reading":         scalar{ch.GaugeFactor.At(s.readT), pureUnit},
		"thermal_output_at_instrument_gf": scalar{ch.ThermalOutput(s.readT), inStrain},
	}
	if ch.Layout.Shear() {
		got["shear_strain_gamma"] = scalar{strain, inStrain}
	} else {
		got["strain"] = scalar{strain, inStrain}
	}
	switch {
	case ch.StressKind() == channel.ShearStress:
		got["shear_stress"] = scalar{stress, inPascal}
	case ch.StressKind() == channel.NoStress:
	case ch.Mode == channel.Ratio:
		across := reduce.PlaneStrain{X: strain, Y: ch.StrainRatio * strain}
		got["stress_axial"] = scalar{stress, inPascal}
		got["stress_transverse"] = scalar{s.elastic().Plane(across).Y, inPascal}
	default:
		got["stress_uniaxial"] = scalar{stress, inPascal}
	}
	return got, nil
}

// rosetteChannelsCase is a rosette from the raw ratios of its grids.
func rosetteChannelsCase(in *inputs) (results, error) {
	zero, reading := in.object("zero"), in.object("reading")
	s := newSetup(in, zero, reading)
	s.constants.Mode = channel.Indicated
	if !s.constants.Layout.Quarter() {
		in.fault.add("inputs.bridge: the grids of a rosette are quarter bridges")
	}
	var angles, kt, zeros, ratios []float64
	for _, grid := range in.objects("grids") {
		angles = append(angles, grid.number("angle_deg"))
		kt = append(kt, grid.number("transverse_sensitivity"))
		zeros = append(zeros, grid.number("zero_ratio_V_per_V"))
		ratios = append(ratios, grid.number("reading_ratio_V_per_V"))
	}
	tooManyGrids(in, len(angles))
	if err := in.err(); err != nil {
		return nil, err
	}
	indicated := make([]float64, len(ratios))
	for i := range indicated {
		s.constants.Transverse = kt[i]
		ch, err := s.channel(zeros[i])
		if err != nil {
			return nil, fmt.Errorf("grid %d: %w", i+1, err)
		}
		indicated[i] = ch.Strain(ratios[i], s.readT, s.readLeadT)
	}
	rosette, err := newRosette(angles, kt, s.constants.CalibrationPoisson)
	if err != nil {
		return nil, err
	}
	strain, _ := rosette.Strain(indicated)
	got := planeResults(strain)
	got.addStress(strain, s.elastic())
	got["indicated"] = list{indicated, inStrain}
	return got, nil
}

// seriesCase is a series of ratios to stress, cycles and damage.
func seriesCase(in *inputs) (results, error) {
	zero, reading := in.object("zero"), in.object("reading")
	s := newSetup(in, zero, reading)
	s.constants.Transverse = in.object("gauge").number("transverse_sensitivity")
	s.transverse(in)
	zeroRatio := zero.number("ratio_V_per_V")
	ratios := in.numbers("ratios_V_per_V")
	sn := in.object("sn")
	curve := reduce.Basquin{Coefficient: sn.positive("sf_MPa"), Exponent: sn.number("b")}
	if form := sn.string("form"); form != "sa = sf (2N)^b" {
		in.fault.add("%s.form %q is not known; it is \"sa = sf (2N)^b\"", sn.path, form)
	}
	if curve.Exponent >= 0 {
		in.fault.add("%s.b has to be below zero", sn.path)
	}
	if err := in.err(); err != nil {
		return nil, err
	}
	ch, err := s.channel(zeroRatio)
	if err != nil {
		return nil, err
	}
	if ch.StressKind() == channel.NoStress {
		return nil, errors.New("the channel has no stress")
	}
	temperatures, leads := filled(len(ratios), s.readT), filled(len(ratios), s.readLeadT)
	stress := ch.StrainColumn(make([]float64, len(ratios)), ratios, temperatures, leads, new(channel.Scratch))
	for i := range stress {
		stress[i] *= ch.Stiffness() * 1e-6
	}
	cycles := reduce.Rainflow(stress)
	ranges, means, counts := cycleColumns(cycles)
	return results{
		"stress_MPa": list{stress, inMPa},
		"cycles": table{columns: []column{
			{key: "range_MPa", unit: inMPa, x: ranges, beside: "range_tol_MPa"},
			{key: "mean_MPa", unit: inMPa, x: means, beside: "range_tol_MPa"},
			{key: "count", unit: pureUnit, x: counts, tol: countTol},
		}},
		"damage": scalar{reduce.Miner(cycles, curve), pureUnit},
	}, nil
}

func filled(n int, x float64) []float64 {
	s := make([]float64, n)
	for i := range s {
		s[i] = x
	}
	return s
}

// newSetup reads the inputs that all channel kinds share.
func newSetup(in, zero, reading *inputs) *setup {
	s := &setup{zeroT: temperature(zero), readT: temperature(reading)}
	c := &s.constants
	var ok bool
	if name := in.string("bridge"); name != "" {
		if c.Layout, ok = reduce.LayoutByName(name); !ok {
			in.fault.add("inputs.bridge: no bridge is called %q", name)
		}
	}
	gauge := in.object("gauge")
	c.Resistance = gauge.positive("resistance_ohm")
	c.GaugeFactor = compensate.GaugeFactor{
		Value:     gauge.number("gauge_factor"),
		Reference: gauge.number("gauge_factor_reference_temp_degC"),
		Slope:     gauge.number("gauge_factor_tempco_pct_per_100degC") / 1e4,
	}
	c.CalibrationPoisson = gauge.number("poisson_of_calibration")
	output := gauge.object("thermal_output")
	c.Output = compensate.ThermalOutput{
		Coefficients:         output.numbers("coefficients_strain_ascending_degC"),
		ReferenceGaugeFactor: output.number("reference_gauge_factor"),
		MaterialExpansion:    output.number("calibration_material_expansion_per_degC"),
	}
	specimen := in.object("specimen")
	if specimen.has("material") {
		specimen.string("material")
	}
	c.Young = specimen.positive("E_Pa")
	c.Poisson = specimen.number("poisson")
	c.Expansion = specimen.number("expansion_per_degC")
	leads := in.object("leads")
	c.Leads = channel.Leads{Ohm20: leads.notNegative("ohm_per_wire_at_20degC"), Tempco: leads.number("tempco_per_degC")}
	s.zeroLeadT, s.readLeadT = leads.number("temp_at_zero_degC"), leads.number("temp_at_reading_degC")
	s.excitation(in)
	return s
}

// excitation reads the leads of a full bridge's excitation. They are copper at
// the temperatures of the other leads, and with remote sense they do not count.
func (s *setup) excitation(in *inputs) {
	full := s.constants.Layout.Full()
	if !in.has("excitation") {
		if full {
			in.fault.add("inputs.excitation is missing: a full bridge needs it")
		}
		return
	}
	e := in.object("excitation")
	ohm, remote := e.notNegative("ohm_per_wire_at_20degC"), e.bool("remote_sense")
	switch {
	case remote || ohm == 0:
	case !full:
		in.fault.add("inputs.excitation: only a full bridge loses excitation in its leads")
	default:
		s.constants.Excitation = channel.Leads{Ohm20: ohm, Tempco: s.constants.Leads.Tempco}
	}
}

func (s *setup) transverse(in *inputs) {
	t := in.object("transverse")
	mode := t.string("mode")
	switch mode {
	case "uniaxial":
		s.constants.Mode = channel.Uniaxial
	case "none":
		s.constants.Mode = channel.Indicated
	case "ratio":
		s.constants.Mode = channel.Ratio
		s.constants.StrainRatio = t.number("ratio")
	default:
		in.fault.add("inputs.transverse.mode %q is not known; it is none, uniaxial or ratio", mode)
	}
	if mode != "uniaxial" && !s.constants.Layout.Quarter() {
		in.fault.add("inputs.transverse.mode %q is for quarter bridges", mode)
	}
}

func (s *setup) shunt(in *inputs, zeroRatio float64) {
	if !in.has("shunt") {
		return
	}
	shunt := in.object("shunt")
	location, ok := reduce.ParseShuntLocation(shunt.string("location"))
	if !ok {
		in.fault.add("inputs.shunt.location is not known; it is gauge, completion or instrument")
	}
	if state := shunt.string("state"); state != "zero" {
		in.fault.add("inputs.shunt.state %q is not known; it is zero", state)
	}
	s.constants.Shunt = &channel.Shunt{
		Location:   location,
		Resistor:   shunt.positive("resistor_ohm"),
		Calibrates: true,
		Before:     zeroRatio,
		With:       shunt.number("ratio_V_per_V"),
	}
}

func (s *setup) channel(zeroRatio float64) (*channel.Channel, error) {
	return channel.New(s.constants, channel.Zero{Ratio: zeroRatio, Temperature: s.zeroT, LeadTemperature: s.zeroLeadT})
}

func (s *setup) elastic() reduce.Elastic {
	return reduce.Elastic{Young: s.constants.Young, Poisson: s.constants.Poisson}
}

// temperature reads the temperature of a zero or a reading, stated in one of
// three ways, in degC.
func temperature(in *inputs) float64 {
	t := in.object("temperature")
	if len(t.members) > 1 {
		in.fault.add("%s is stated in more than one way", t.path)
	}
	switch {
	case t.has("thermocouple"):
		couple := t.object("thermocouple")
		kind := couple.thermocouple()
		return kind.Temperature(couple.number("mV"), couple.number("cold_junction_degC"))
	case t.has("pt100"):
		return compensate.Pt100Temperature(t.object("pt100").positive("ohm"), 100)
	case t.has("degC"):
		return t.number("degC")
	}
	in.fault.add("%s needs degC, thermocouple or pt100", t.path)
	return math.NaN()
}
