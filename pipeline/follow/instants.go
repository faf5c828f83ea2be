package follow

import (
	"math"
	"sort"

	"glueline/pipeline/channel"
	"glueline/pipeline/drift"
	"glueline/pipeline/event"
	"glueline/pipeline/steps"
	"glueline/reduce"
)

// happening is what an instant is.
type happening uint8

const (
	rezero    happening = iota // strain is counted from another zero
	interrupt                  // somebody worked at cable or instrument
	replace                    // or put another gauge there
	insulate                   // insulation was read
	shunt                      // a shunt check was over
	ruleOut                    // a cause was taken off the list
)

// instant is something that happens to a channel at a time.
type instant struct {
	at    int64
	what  happening
	value float64 // moved in m/m, insulation in ohm, span factor less one
	out   drift.RuledOut
}

// instantsOf finds what happens to a channel: zeros that it is counted from, work
// at gauge or cable, insulation readings and shunt checks.
func instantsOf(f *follower, in *Input) []instant {
	c := f.constants
	all := f.rezeroed(in.Zeros)
	for i := range in.Events {
		e := &in.Events[i]
		if len(e.Names()) == 0 || !e.Touches(c.Name) {
			continue
		}
		at := e.Time.UnixNano()
		switch {
		case e.Paired() && e.State == "end":
			what := interrupt
			if e.Event == "replace" {
				what = replace
			}
			all = append(all, instant{at: at, what: what})
		case e.Event == "insulation":
			if ohm, _, err := event.ParseInsulation(e.Value); err == nil { // else it was refused, and stands in no record
				all = append(all, instant{at: at, what: insulate, value: ohm})
			}
		case e.Event == event.RuledOut:
			all = append(all, instant{at: at, what: ruleOut, out: drift.RuledOut{Cause: drift.Cause(e.Name), Who: e.Who, Why: e.Why}})
		}
	}
	for i := range in.Checks {
		k := &in.Checks[i]
		factor := reduce.SpanFactor(k.Predicted, k.Step)
		if k.Channel == c.Name && k.Void == "" && !math.IsNaN(factor) {
			all = append(all, instant{at: k.Off, what: shunt, value: factor - 1})
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].at < all[j].at })
	return all
}

// rezeroed finds where the strain of a channel is counted from another zero than
// before. A zero that was carried over work is still the same: its ratio changed
// so that the strain does not.
func (f *follower) rezeroed(zeros []steps.ZeroAt) (all []instant) {
	var own []steps.ZeroAt
	for _, z := range zeros {
		if z.Channel == f.name {
			own = append(own, z)
		}
	}
	sort.SliceStable(own, func(i, j int) bool { return own[i].To < own[j].To })
	for i := range own {
		z, before := &own[i], f.zero
		f.zero = z
		if before == nil || z.From == before.From && z.To == before.To {
			continue
		}
		moved := math.NaN()
		if w := f.constants.At(z.To); w != nil {
			if ready, err := channel.New(w.Constants, before.Zero); err == nil {
				moved = ready.Strain(z.Zero.Ratio, z.Zero.Temperature, z.Zero.LeadTemperature)
			}
		}
		all = append(all, instant{at: z.To, what: rezero, value: moved})
	}
	return all
}
