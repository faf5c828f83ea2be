package channel

import "glueline/reduce"

// blockRows keeps the working columns of one block inside the first-level cache.
const blockRows = 512

// Scratch holds the working columns of StrainColumn, so that a caller that
// reduces many channels in turn allocates nothing.
type Scratch struct {
	thermal, gaugeFactor, lead, excitation [blockRows]float64
}

// StrainColumn writes Strain of every row to dst and returns it. The inputs
// have the same length: ratio in V/V, temperatures in degC. dst may be the same
// slice as ratio. The results are those of Strain, bit for bit.
func (ch *Channel) StrainColumn(dst, ratio, temperature, leadTemperature []float64, s *Scratch) []float64 {
	dst = dst[:len(ratio)]
	for from := 0; from < len(ratio); from += blockRows {
		to := min(from+blockRows, len(ratio))
		ch.strainBlock(dst[from:to], ratio[from:to], temperature[from:to], leadTemperature[from:to], s)
	}
	return dst
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
