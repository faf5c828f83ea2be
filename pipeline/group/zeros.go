package group

import (
	"math"

	"glueline/pipeline/channel"
)

// ZeroInForce is a zero and how it stands at a cut.
type ZeroInForce struct {
	Channel  string
	Source   string
	Standing Standing
	Until    int64 // ns, when it was replaced
	Record   ZeroRecord
	Zero     channel.Zero // as ratio in V/V and degC; not a number where it is not known
	Noise    float64      // sample standard deviation over its window, m/m; NaN when not taken from readings
	Carried  []string     // the events of work that it was carried over, so that Zero is not the mean of its readings
}

// Counted is the zero as the reduction counts from it: a temperature that is not
// known is still, so that nothing is corrected for it.
func (z ZeroInForce) Counted() channel.Zero {
	zero := z.Zero
	if math.IsNaN(zero.Temperature) {
		zero.Temperature = noTemperature
	}
	if math.IsNaN(zero.LeadTemperature) {
		zero.LeadTemperature = noTemperature
	}
	return zero
}

// Standing says what has become of a zero.
type Standing string

// The standings. Only a zero in force, or one that was until it was replaced,
// has rows that are counted from it.
const (
	InForce  Standing = "in force"
	Replaced Standing = "replaced"
	Kept     Standing = "kept for drift" // an installation zero beside a test zero
	Tare     Standing = "tare"           // for screens and exports: segments are not counted from it
	Nothing  Standing = "took nothing"   // no good reading in its window
	GaveWay  Standing = "gave way"       // of the test file, to one that somebody took
	Void     Standing = "void"           // refused when it was looked at
	Open     Standing = "not ended"
)

// Zeros returns the zeros in force, in the order of sources and channels, and
// behind them those that have ended otherwise since it was last called, or have
// not ended. A channel without a zero in force is not among the first.
func (r *Reducer) Zeros() []ZeroInForce {
	var zeros, others []ZeroInForce
	for _, s := range r.plan.sources {
		run := r.runs[s.name]
		for _, c := range run.channels {
			for i := len(c.wires) - 1; i >= 0; i-- {
				w := c.wires[i]
				if w.ready == nil {
					continue
				}
				zeros = append(zeros, run.zero(c, w, w.zero, w.ready, InForce))
				break
			}
		}
		others = append(others, run.told...)
		run.told = nil
		for _, c := range run.channels {
			for _, w := range c.wires {
				for _, kind := range windowKinds {
					if z := w.state.InProgress[kind]; z != nil && kind != pairKind {
						others = append(others, run.zero(c, w, z, nil, Open))
					}
				}
			}
		}
	}
	return append(zeros, others...)
}

// tell remembers a zero that is not in force, or no more.
func (run *sourceRun) tell(c *channelRun, w *wireRun, z *ZeroRecord, ready *channel.Channel, standing Standing) {
	if z != nil {
		run.told = append(run.told, run.zero(c, w, z, ready, standing))
	}
}

// zero describes a zero; ready is the channel that counts from it, made here
// when it is not given and there are readings.
func (run *sourceRun) zero(c *channelRun, w *wireRun, z *ZeroRecord, ready *channel.Channel, standing Standing) ZeroInForce {
	nan := math.NaN()
	out := ZeroInForce{Channel: c.plan.name, Source: run.plan.name, Standing: standing, Record: *z, Zero: channel.Zero{Ratio: nan, Temperature: nan, LeadTemperature: nan}, Noise: nan}
	if ready == nil && (z.Raw.N > 0 || z.Stated && c.plan.zero.Ratio.Given) {
		ready, _ = w.countFrom(c.plan, z, w.state.Carried) // a zero that cannot be counted from has no numbers
	}
	if ready == nil {
		return out
	}
	out.Zero = ready.Zero
	gauge, leads := c.plan.zeroTemperatures(z)
	if gauge == nil {
		out.Zero.Temperature = nan
	}
	if leads == nil {
		out.Zero.LeadTemperature = nan
	}
	out.Noise = w.noise(ready, z)
	for _, k := range w.state.Carried {
		if k.concerns(z) {
			out.Carried = append(out.Carried, k.Event)
		}
	}
	return out
}

// noise is the zero window's standard deviation as strain: a reading one
// deviation above the mean, reduced, less the mean where that is not the zero.
func (w *wireRun) noise(ready *channel.Channel, z *ZeroRecord) float64 {
	strain := func(raw float64) float64 {
		return ready.Strain(w.raw.Ratio(raw, w.excitation(z)), ready.Zero.Temperature, ready.Zero.LeadTemperature)
	}
	noise := strain(z.Raw.Mean + z.Raw.SD())
	if len(w.state.Carried) > 0 {
		noise -= strain(z.Raw.Mean)
	}
	return math.Abs(noise)
}
