package drift

import (
	"math"
)

// A rest is what a zero did while nothing was loaded: over one long stretch, or
// in the pauses of one epoch. Cure and what follows the weather go on at rest, an
// article settles only under a load.
type rest struct {
	from, to int     // zeros: it lies after from and not after to
	seen     float64 // m/m, beside temperature
	long     bool    // one stretch
}

// rests goes through the record, long stretches joined.
func (f *findings) rests() (all []rest) {
	for i := 1; i < len(f.at); i++ {
		seen := f.still[i]
		if f.with[Temperature] != nil {
			seen -= f.perKelvin * f.warming[i]
		}
		if n := len(all); n > 0 && f.rested[i] && all[n-1].long {
			all[n-1].to = i
			all[n-1].seen += seen
			continue
		}
		all = append(all, rest{i - 1, i, seen, f.rested[i]})
	}
	return all
}

// Bounds of how a zero wanders over a rest and of how well a law foretells what
// it does there; common practice, no source.
const (
	leastRest = 1e-6 // m/m
	lawAtRest = 0.2  // of what it foretells
)

// atRest compares what a cause would have done at rest with what was seen there:
// the logarithm of the likelihood over that of nothing having moved, each rest
// counted with 4.5 at most. What every pause shows alike, as after each unloading,
// is left out of both. The second result is the change foretold by the law over
// all rests, in m/m.
func (f *findings) atRest(e *explanation) (score, foretold float64) {
	if e.effect == nil {
		return 0, 0
	}
	rests := f.rests()
	would := make([]float64, len(rests))
	var seen, law [2][]float64 // in pauses, over long stretches
	for k, r := range rests {
		for i := r.from + 1; i <= r.to; i++ {
			would[k] += f.idle[i] * (e.effect[i] - e.effect[i-1])
		}
		foretold += math.Abs(would[k])
		kind := r.kind()
		seen[kind], law[kind] = append(seen[kind], r.seen), append(law[kind], would[k])
	}
	alike, foreseen := median(seen[0]), median(law[0])
	for i := range seen[0] {
		seen[0][i] -= alike
	}
	var spreads [2]float64
	for kind := range spreads {
		spreads[kind] = max(leastRest, typical(seen[kind])/0.6745)
		if len(seen[kind]) < 4 {
			spreads[kind] = max(spreads[kind], 1.5*leastRest)
		}
	}
	for k, r := range rests {
		is, would, sd := r.seen, would[k], spreads[r.kind()]
		if !r.long {
			is, would = is-alike, would-foreseen
		}
		wide := math.Hypot(sd, lawAtRest*would)
		score += min(4.5, is*is/(2*sd*sd)) - min(4.5, (is-would)*(is-would)/(2*wide*wide)) - math.Log(wide/sd)
	}
	return score, foretold
}

func (r rest) kind() int {
	if r.long {
		return 1
	}
	return 0
}
