package group

import "glueline/pipeline/channel"

// ZeroInForce is the zero that a channel's strain is counted from.
type ZeroInForce struct {
	Channel string
	Source  string
	Record  ZeroRecord
	Zero    channel.Zero // as ratio in V/V and degC
	Noise   float64      // sample standard deviation over its window, m/m; NaN when not taken from readings
}

// Zeros returns the zeros in force, in the order of sources and channels. A
// channel without one is not among them.
func (r *Reducer) Zeros() []ZeroInForce {
	var zeros []ZeroInForce
	for _, s := range r.plan.sources {
		for _, c := range r.runs[s.name].channels {
			for i := len(c.wires) - 1; i >= 0; i-- {
				w := c.wires[i]
				if w.ready == nil {
					continue
				}
				zeros = append(zeros, ZeroInForce{c.plan.name, s.name, *w.zero, w.ready.Zero, w.noise()})
				break
			}
		}
	}
	return zeros
}

// noise is the zero window's standard deviation as strain: a reading one
// deviation above the mean, reduced.
func (w *wireRun) noise() float64 {
	z := w.zero
	up := w.raw.Ratio(z.Raw.Mean+z.Raw.SD(), w.excitation(z))
	return w.ready.Strain(up, w.ready.Zero.Temperature, w.ready.Zero.LeadTemperature)
}
