package group

import (
	"math"

	"glueline/pipeline/flag"
)

// SpikeWatch looks for one reading far from those before it. Its reading to
// compare with is the newest that was no spike.
type SpikeWatch struct {
	Neighbours
	Hit bool // the newest reading was a spike
}

// A spike stands out from those before it, and by at least jumpFloor. The
// reading behind a spike is believed, whatever it is: a step that stays costs
// one reading. A source
// that reads less often than spikeRate is not judged: between two of its readings
// a load may come and go. Common practice, no source.
const spikeRate = 10 // Hz

// notCompared are the flags of readings that say nothing of their neighbours.
const notCompared = flag.Missing | flag.ShuntOn | flag.Handled | flag.ExcitationOff | flag.Open | flag.Shorted | flag.Saturated |
	flag.ClockStepped | flag.Late | flag.OutOfOrder

// markSpikes sets the flag on readings that stand alone.
func (run *sourceRun) markSpikes(w *wireRun, rows *stretch) {
	if run.plan.period <= 0 || run.plan.period > 1e9/spikeRate {
		return
	}
	s := &w.state.Spikes
	for i := 0; i < len(rows.raw); i++ {
		if s.On && !s.Hit {
			if i = s.pass(rows, i, notCompared, w.floor); i == len(rows.raw) {
				return
			}
		}
		x, at := rows.raw[i], rows.times[i]
		switch {
		case flag.Mask(rows.mask[i])&notCompared != 0 || math.IsInf(x, 0):
			s.On, s.Hit = false, false
			continue
		case s.On && !s.Hit && at-s.At <= rows.gap:
			rows.mask[i] |= uint32(flag.Spike) // else pass had gone over it
			s.Hit = true
		default: // the first, or what follows a spike
			s.On, s.Hit, s.Last = true, false, x
		}
		s.At = at
	}
}
