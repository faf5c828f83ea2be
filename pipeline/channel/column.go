package channel

import (
	"math"

	"glueline/reduce"
)

// blockRows keeps the working columns of one block inside the first-level cache.
const blockRows = 512

// Scratch holds the working columns of StrainColumn, so that a caller that
// reduces many channels in turn allocates nothing.
type Scratch struct {
	thermal, gaugeFactor, lead, excitation [blockRows]float64
}

// steadyRows of one temperature are worth a look at the state of the bridge
// alone, rather than at that of every row.
const steadyRows = 32

// fewRows are quicker done one by one: slow sources that take turns come so.
const fewRows = 4

// StrainColumn writes Strain of every row to dst and returns it. The inputs
// have the same length: ratio in V/V, temperatures in degC. dst may be the same
// slice as ratio. The results are those of Strain, bit for bit.
func (ch *Channel) StrainColumn(dst, ratio, temperature, leadTemperature []float64, s *Scratch) []float64 {
	n := len(ratio)
	dst, temperature, leadTemperature = dst[:n], temperature[:n], leadTemperature[:n]
	if n < fewRows {
		for i, r := range ratio {
			dst[i] = ch.Strain(r, temperature[i], leadTemperature[i])
		}
		return dst
	}
	for from := 0; from < n; {
		to := steadyUntil(temperature, leadTemperature, from)
		if to-from >= steadyRows {
			ch.steadyBlock(dst[from:to], ratio[from:to], temperature[from], leadTemperature[from])
		} else {
			to = min(from+blockRows, n)
			ch.strainBlock(dst[from:to], ratio[from:to], temperature[from:to], leadTemperature[from:to], s)
		}
		from = to
	}
	return dst
}

// steadyUntil returns a row up to which the temperatures are those of row
// 'from': the first that differs, or one of the three before it. Temperatures
// are read less often than strain, so the same ones come many times in a row.
func steadyUntil(temperature, leadTemperature []float64, from int) int {
	gauge, lead := math.Float64bits(temperature[from]), math.Float64bits(leadTemperature[from])
	g, l := temperature[from:], leadTemperature[from:]
	for len(g) >= 4 && len(l) >= 4 {
		// One jump for all of them, and none that is hard to foresee.
		if (math.Float64bits(g[0])^gauge)|(math.Float64bits(g[1])^gauge)|
			(math.Float64bits(g[2])^gauge)|(math.Float64bits(g[3])^gauge)|
			(math.Float64bits(l[0])^lead)|(math.Float64bits(l[1])^lead)|
			(math.Float64bits(l[2])^lead)|(math.Float64bits(l[3])^lead) != 0 {
			break
		}
		g, l = g[4:], l[4:]
	}
	return len(temperature) - len(g)
}

// steadyBlock is strainBlock for rows of one temperature.
func (ch *Channel) steadyBlock(dst, ratio []float64, temperature, leadTemperature float64) {
	state := ch.State(temperature, leadTemperature)
	arms := ch.bridge.Arms(state)
	for from := 0; from < len(ratio); from += blockRows {
		to := min(from+blockRows, len(ratio))
		reduce.CorrectColumn(dst[from:to], ratio[from:to], ch.Zero.Ratio, ch.gain, ch.zeroModel)
		arms.SolveColumn(dst[from:to], dst[from:to], state.Excitation)
	}
}

func (ch *Channel) strainBlock(dst, ratio, temperature, leadTemperature []float64, s *Scratch) {
	n := len(ratio)
	reduce.CorrectColumn(dst, ratio, ch.Zero.Ratio, ch.gain, ch.zeroModel)
	thermal := ch.thermal.ResistanceColumn(s.thermal[:n], temperature)
	gaugeFactor := ch.GaugeFactor.Column(s.gaugeFactor[:n], temperature)
	var lead, excitation []float64
	if ch.Leads.Ohm20 != 0 {
		lead = ch.Leads.column(s.lead[:n], leadTemperature)
	}
	if ch.Excitation.Ohm20 != 0 {
		excitation = ch.Excitation.column(s.excitation[:n], leadTemperature)
	}
	ch.bridge.StrainColumn(dst, dst, thermal, gaugeFactor, lead, excitation)
}
