package study

import (
	"math"

	"glueline/pipeline/drift"
	"glueline/pipeline/drift/driftsim"
	"glueline/reduce"
)

// begin is the time of the first sample of a made-up channel, ns since 1970.
const begin = int64(1_772_323_200e9)

const (
	minute = int64(60e9)
	window = 10 * minute
)

// reducer turns ratios into strain as a test file of the channel would.
type reducer struct {
	bridge reduce.Bridge
	state  reduce.State
	zero   float64
}

func newReducer(b driftsim.Bridge, zero float64) *reducer {
	name := "quarter_3wire"
	if b.TwoWire {
		name = "quarter_2wire"
	}
	layout, _ := reduce.LayoutByName(name)
	r := &reducer{
		bridge: reduce.Bridge{Layout: layout, Gauge: b.Gauge, Response: [4]float64{1}},
		state:  reduce.State{GaugeFactor: b.GaugeFactor, Lead: b.Lead},
		zero:   zero,
	}
	return r
}

func (r *reducer) strain(ratio float64) float64 {
	return r.bridge.Strain(ratio-r.zero+r.bridge.Ratio(0, r.state), r.state)
}

// Feed gives a channel to a record as a worker would: reduced, in windows, from
// an installation zero over the first hour. The step is called after every
// window.
func Feed(c *driftsim.Channel, r *drift.Record, g *drift.Gatherer, step func()) {
	g.Length = window
	const hour = 60
	var zero, free, reference float64
	for i := range hour {
		zero += c.Samples[i].Ratio / hour
		free += c.Samples[i].Witness / hour
		reference += c.Samples[i].Reference / hour
	}
	own, witness := newReducer(c.Bridge, zero), newReducer(c.Bridge, free)
	perRatio := 4 / c.Bridge.GaugeFactor
	predicted := own.bridge.ShuntRatio(0, own.state, reduce.ShuntGauge, c.Bridge.Shunt) - own.bridge.Ratio(0, own.state)
	var last [2]float64
	var typical float64
	for m := range c.Samples {
		s := &c.Samples[m]
		at := begin + int64(m)*minute
		reading := drift.Reading{Time: at, Strain: own.strain(s.Ratio), Load: s.Load, Idle: s.Idle, Cycles: s.Cycles}
		reading.With = [...]float64{
			drift.Temperature:     s.Temperature,
			drift.LeadTemperature: s.Lead,
			drift.Humidity:        s.Humidity,
			drift.Excitation:      s.Volt,
			drift.Reference:       (s.Reference - reference) * perRatio,
			drift.Witness:         witness.strain(s.Witness),
			drift.Companions:      s.Companions * perRatio,
			drift.Neighbours:      s.Neighbours,
		}
		// A spike stands out from what was before and is gone after: it can only be told while idle.
		if m > 1 && s.Idle && c.Samples[m-1].Idle && c.Samples[m-2].Idle {
			d := math.Abs(last[1] - (last[0]+reading.Strain)/2)
			if typical > 0 && d > 8*typical && math.Abs(reading.Strain-last[0]) < d/2 {
				reading.Spike = true
			} else {
				typical += (d - typical) / 200
			}
		}
		last[0], last[1] = last[1], reading.Strain
		if done, ok := g.Add(&reading); ok {
			r.Add(done)
			if step != nil {
				step()
			}
		}
		if !math.IsNaN(s.Shunted) {
			r.Shunt(at, reduce.SpanFactor(predicted, s.Shunted-s.Ratio)-1)
		}
		if !math.IsNaN(s.Insulation) {
			r.Insulate(at, s.Insulation)
		}
	}
}

// Facts are what a test file would say of the channel.
func Facts(b driftsim.Bridge) drift.Facts {
	return drift.Facts{TwoWire: b.TwoWire, Gauge: b.Gauge, GaugeFactor: b.GaugeFactor, LeadOhm: b.Lead, CureHour: float64(b.CureEnd) / 60}
}
