package expect

import (
	"math"
	"slices"

	"glueline/pipeline/testfile"
)

// Figures beyond these are rare enough that a slip of the pen, a wrong unit or a
// shifted decimal point is likelier; all of them common practice, no source.
// They are no limits: unusual gauges and materials exist.
const (
	leastGaugeFactor, mostGaugeFactor = 1.5, 6.0   // metal grids
	leastResistance, mostResistance   = 50.0, 10e3 // ohm
	mostTransverse                    = 0.10       // sensitivity, either sign
	mostThermalOutput                 = 5e-3       // m/m over the temperatures to expect
	leastShuntRatio                   = 10.0       // shunt over gauge resistance
	leastYoung, mostYoung             = 1e9, 1e12  // Pa
	leastExpansion, mostExpansion     = 0.0, 1e-4  // 1/K
)

// plausible looks for figures of the gauge that are probably not meant. Every
// comparison is written so that a figure that is not known passes.
func (j *judge) plausible() {
	if gf := j.lot.GaugeFactor.Value; gf < leastGaugeFactor || gf > mostGaugeFactor {
		j.subject.add(Caution, practice, "a gauge factor of %.4g: %.4g to %.4g is usual on metal grids; look at the package again", gf, leastGaugeFactor, mostGaugeFactor)
	}
	r := j.lot.Resistance.Value
	if own := j.gauge.Resistance; own.Given {
		r = own.Value
	}
	if r < leastResistance || r > mostResistance {
		j.subject.add(Caution, practice, "a gauge of %.6g ohm: %.0f to %.0f ohm is usual; look at the unit", r, leastResistance, mostResistance)
	}
	if s := j.c.Shunt; s != nil && s.Resistor < leastShuntRatio*r {
		j.subject.add(Caution, practice, "a shunt of %.6g ohm across a gauge of %.6g ohm: look at the unit, usual is many times the gauge", s.Resistor, r)
	}
	j.plausibleThermal()
	j.transverse()
}

func (j *judge) plausibleThermal() {
	const look = "look at the coefficients, their order and their units (microstrain or strain, degC or degF)"
	t := j.c.Thermal
	seen := math.Max(math.Abs(t.Low), math.Abs(t.High))
	switch {
	case seen > mostThermalOutput:
		j.subject.add(Caution, practice, "thermal output of up to %s over the temperatures to expect: "+look, micro(seen))
	case math.IsNaN(seen) && j.lot.ThermalOutput.Given && t.From <= t.To:
		j.subject.add(Caution, practice, "thermal output beyond any strain over the temperatures to expect: "+look)
	}
}

func (j *judge) transverse() {
	kt := j.lot.TransverseSensitivity
	if j.gauge.Kt.Given {
		kt = j.gauge.Kt
	}
	switch {
	case kt.Given && math.Abs(kt.Value) > mostTransverse:
		j.subject.add(Caution, practice, "a transverse sensitivity of %.4g %%: a few per cent at most are usual; a plain number is a part of 1", kt.Value*100)
	case !kt.Given && (j.channel.Transverse.Text != "none" || j.inRosette()):
		j.subject.add(Missing, "", "the lot states no transverse sensitivity: it is taken to be 0")
	}
}

func (j *judge) inRosette() bool {
	return slices.ContainsFunc(j.t.Rosettes.Entries, func(e testfile.Entry[testfile.Rosette]) bool {
		return slices.ContainsFunc(e.Value.Grids, func(grid testfile.Word) bool { return grid.Text == j.name })
	})
}

// plausibleMaterial looks for figures of a material that are probably not meant.
func plausibleMaterial(s *Subject, m testfile.Material) {
	if young := m.Young; young.Given && (young.Value < leastYoung || young.Value > mostYoung) {
		s.add(Caution, practice, "a modulus of %.4g GPa: %.4g to %.4g GPa is usual; look at the unit", young.Value*1e-9, leastYoung*1e-9, mostYoung*1e-9)
	}
	if a := m.Expansion; a.Given && !(a.Value >= leastExpansion && a.Value <= mostExpansion) {
		s.add(Caution, practice, "an expansion of %.4g um/m/K: %.4g to %.4g um/m/K is usual; look at the unit", a.Value*1e6, leastExpansion*1e6, mostExpansion*1e6)
	}
}
