package channel

import "glueline/reduce"

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

// lookAhead bounds the rows that are looked at in vain when one of the two
// temperatures goes on for long and the other does not.
const lookAhead = 2048

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
		// Temperatures are read less often than strain: the same ones come many
		// times in a row.
		to := min(from+lookAhead, n)
		to = from + min(reduce.Steady(temperature[from:to]), reduce.Steady(leadTemperature[from:to]))
		if to-from >= steadyRows {
			ch.SteadyColumn(dst[from:to], ratio[from:to], temperature[from], leadTemperature[from])
		} else {
			to = min(from+blockRows, n)
			ch.strainBlock(dst[from:to], ratio[from:to], temperature[from:to], leadTemperature[from:to], s)
		}
		from = to
	}
	return dst
}

// SteadyColumn is StrainColumn for rows of one temperature.
func (ch *Channel) SteadyColumn(dst, ratio []float64, temperature, leadTemperature float64) []float64 {
	state := ch.State(temperature, leadTemperature)
	return ch.bridge.Arms(state).SolveColumn(dst, ratio, ch.correction(), state.Excitation)
}

func (ch *Channel) strainBlock(dst, ratio, temperature, leadTemperature []float64, s *Scratch) {
	n := len(ratio)
	ch.correction().Column(dst, ratio)
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
