package group

import (
	"math"

	"glueline/pipeline/channel"
)

// arrive lets everything take effect whose time has come with a row at the
// given time.
func (run *sourceRun) arrive(at int64) {
	for len(run.state.Waiting) > 0 && run.state.Waiting[0].At <= at {
		p := run.state.Waiting[0]
		run.state.Waiting = run.state.Waiting[1:]
		run.apply(p)
	}
}

func (run *sourceRun) apply(p Pending) {
	e := &p.Event
	switch {
	case p.Settled != "":
		run.settle(p.Settled)
		return
	case e.Event == "excitation":
		run.state.ExcitationOff = e.State == "off"
		if e.State == "on" {
			run.state.WarmUntil = p.At + run.plan.warmUp
		}
		return
	case e.Event == "load-state":
		run.state.LoadState = e.State
		return
	case e.Event == "step":
		run.state.Step = ""
		if e.State == "hold" {
			run.state.Step = e.Name
		}
		return
	}
	for _, c := range run.channels {
		if !e.Touches(c.plan.name) {
			continue
		}
		for _, w := range c.wires {
			if w.plan.from <= p.At && p.At < w.plan.to || p.Stated {
				run.applyTo(c, w, p)
			}
		}
	}
}

func (run *sourceRun) applyTo(c *channelRun, w *wireRun, p Pending) {
	e, s := &p.Event, w.state
	if e.Paired() {
		run.pair(c, w, p)
		return
	}
	switch e.Event {
	case "zero":
		switch e.State {
		case "begin":
			z := run.begin(p)
			z.Kind = e.Kind
			s.InProgress[e.Kind] = z
		case "void":
			delete(s.InProgress, e.Kind)
		default:
			s.finish(e.Kind, run.moment(p), p.Stated && c.plan.zero.Ratio.Given)
			w.prepare(c.plan)
		}
	case "shunt":
		s.ShuntOn = true
		if e.State == "off" {
			run.state.wait(Pending{At: p.At + w.plan.settling, Settled: w.plan.key})
		}
	case "handling":
		s.Handled = e.State == "begin"
	case "check":
		s.Coldest, s.Hottest = math.Inf(1), math.Inf(-1)
		s.Jumps.Size = 0
	}
}

// begin is a window of readings that an event opens.
func (run *sourceRun) begin(p Pending) *ZeroRecord {
	e := &p.Event
	return &ZeroRecord{Name: e.Name, Who: e.Who, Why: e.Why, From: run.moment(p), Stated: p.Stated}
}

// moment is when an event takes effect: its own time, unless rows of that time
// have passed already when it comes.
func (run *sourceRun) moment(p Pending) int64 {
	if p.Stated || run.state.Newest < p.At {
		return p.At
	}
	return run.state.Newest + 1
}

// settle ends the settling after a shunt was taken off.
func (run *sourceRun) settle(key string) {
	for _, c := range run.channels {
		for _, w := range c.wires {
			if w.plan.key == key {
				w.state.ShuntOn = run.shuntedAgain(c.plan.name)
			}
		}
	}
}

// shuntedAgain reports whether the newest shunt event yet to come is an "off":
// then the resistor went on again while the last time was settling.
func (run *sourceRun) shuntedAgain(name string) bool {
	for _, p := range run.state.Waiting {
		if p.Event.Event == "shunt" && p.Event.Touches(name) {
			return p.Event.State == "off"
		}
	}
	return false
}

// finish ends a zero in progress. Without a single good reading, and without a
// value stated in the test file, there is no zero: the one before stays.
func (s *InputState) finish(kind string, at int64, stated bool) {
	z := s.InProgress[kind]
	delete(s.InProgress, kind)
	if z == nil {
		return
	}
	z.To = at
	if z.Raw.N == 0 && !stated {
		return
	}
	if before := s.Taken[kind]; z.Stated && (before != nil && !before.Stated) {
		return // somebody took a zero meanwhile: theirs holds
	}
	s.Taken[kind] = z
	if kind != "tare" && !z.Stated {
		s.Restarted = false
		s.Jumps.Size = 0
	}
}

// prepare makes the channel ready for the zero in force.
func (w *wireRun) prepare(c *channelPlan) {
	z := w.state.inForce()
	if z == nil || z == w.zero && len(w.state.Carried) == w.carried {
		return
	}
	ready, err := w.countFrom(c, z)
	if err != nil {
		return // constants were tried when the plan was made; the zero is not a number
	}
	w.zero, w.ready, w.carried = z, ready, len(w.state.Carried)
}

// countFrom makes the channel that counts strain from a zero.
func (w *wireRun) countFrom(c *channelPlan, z *ZeroRecord) (*channel.Channel, error) {
	zero := channel.Zero{
		Ratio:           w.raw.Ratio(z.Raw.Mean, w.excitation(z)),
		Temperature:     mean(z.Temperature),
		LeadTemperature: mean(z.LeadTemperature),
	}
	if z.Stated && c.zero.Ratio.Given {
		zero.Ratio = c.zero.Ratio.Value
		zero.Temperature = c.zero.Temperature.Or(noTemperature)
		zero.LeadTemperature = c.zero.LeadTemperature.Or(zero.Temperature)
	}
	ready, err := channel.New(w.plan.constants, zero)
	if err != nil {
		return nil, err
	}
	return w.carry(ready, z)
}

func (w *wireRun) excitation(z *ZeroRecord) float64 {
	if z.Excitation.N > 0 {
		return z.Excitation.Mean
	}
	return w.raw.Excitation
}

// noTemperature stands where no temperature is known: corrections are
// differences from the zero, so that the same value on both sides makes none.
const noTemperature = 20 // degC

func mean(m Mean) float64 {
	if m.N == 0 {
		return noTemperature
	}
	return m.Mean
}
