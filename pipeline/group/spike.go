package group

import (
	"math"

	"glueline/pipeline/flag"
)

// SpikeWatch looks for one reading far from those before it. All of it is in the
// unit of the raw readings.
type SpikeWatch struct {
	On    bool    // Last is the newest reading that was no spike
	Last  float64 // reading
	At    int64   // ns, of the newest reading
	Hit   bool    // the newest reading was a spike
	Known bool    // Noise is that of some block of readings
	Noise float64 // mean difference of neighbours over the newest whole block
	Sum   float64 // of the differences of the block in hand
	N     int     // how many
}

// A spike is that many times what neighbouring readings differ by, and at least
// jumpFloor. The reading behind a spike is believed, whatever it is: a step that
// stays costs one reading. A source
// that reads less often than spikeRate is not judged: between two of its readings
// a load may come and go. Common practice, no source.
const (
	spikeNoises = 20
	spikeRate   = 10 // Hz
	spikeBlock  = 256
)

// notCompared are the flags of readings that say nothing of their neighbours.
const notCompared = flag.Missing | flag.ShuntOn | flag.Handled | flag.ExcitationOff | flag.Open | flag.Shorted | flag.Saturated |
	flag.ClockStepped | flag.Late | flag.OutOfOrder

// markSpikes sets the flag on readings that stand alone.
func (run *sourceRun) markSpikes(w *wireRun, times []int64, raw []float64, mask []uint32) {
	if run.plan.period <= 0 || run.plan.period > 1e9/spikeRate {
		return
	}
	s := &w.state.Spikes
	gap := 3 * run.plan.period
	for i := 0; i < len(raw); i++ {
		if s.On && !s.Hit {
			if i = s.pass(times, raw, mask, i, gap, w.floor); i == len(raw) {
				return
			}
		}
		x := raw[i]
		switch {
		case flag.Mask(mask[i])&notCompared != 0 || math.IsInf(x, 0):
			s.On, s.Hit = false, false
			continue
		case s.On && !s.Hit && times[i]-s.At <= gap:
			mask[i] |= uint32(flag.Spike) // else pass had gone over it
			s.Hit = true
		default: // the first, or what follows a spike
			s.On, s.Hit, s.Last = true, false, x
		}
		s.At = times[i]
	}
}

// pass goes over the readings from i on that differ from their neighbours as
// noise does, and returns the first that does not.
func (s *SpikeWatch) pass(times []int64, raw []float64, mask []uint32, i int, gap int64, floor float64) int {
	last, at, sum, n := s.Last, s.At, s.Sum, s.N
	limit := s.limit(floor)
	times, mask = times[:len(raw)], mask[:len(raw)]
	for ; i < len(raw); i++ {
		d := math.Abs(raw[i] - last)
		if !(d <= limit) || times[i]-at > gap || flag.Mask(mask[i])&notCompared != 0 {
			break
		}
		last, at = raw[i], times[i]
		sum += d
		if n++; n == spikeBlock {
			s.Known, s.Noise = true, sum/spikeBlock
			sum, n = 0, 0
			limit = s.limit(floor)
		}
	}
	s.Last, s.At, s.Sum, s.N = last, at, sum, n
	return i
}

// limit is the difference of neighbours beyond which a reading stands alone.
func (s *SpikeWatch) limit(floor float64) float64 {
	if !s.Known {
		return math.MaxFloat64
	}
	return math.Max(spikeNoises*s.Noise, floor)
}
