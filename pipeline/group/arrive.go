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
	if e.Paired() && e.State == "end" {
		run.leave(p)
	}
	for _, c := range run.channels {
		for _, w := range c.wires {
			if !e.Reaches(c.plan.name, w.plan.at()) {
				continue
			}
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
			s.InProgress[windowOf(p)] = z
		case "void":
			run.tell(c, w, s.InProgress[windowOf(p)], nil, Void)
			delete(s.InProgress, windowOf(p))
		default:
			run.endZero(c, w, p)
		}
	case "shunt":
		s.ShuntOn = true
		if e.State == "off" {
			run.state.wait(Pending{At: p.At + w.plan.settling, Settled: w.plan.key})
		}
	case "handling":
		s.Handled = e.State == "begin"
	case "check":
		s.Coldest, s.Hottest = Real(math.Inf(1)), Real(math.Inf(-1))
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
				w.state.ShuntOn = run.shuntedAgain(c.plan.name, w.plan.at())
			}
		}
	}
}

// shuntedAgain reports whether the newest shunt event yet to come is an "off":
// then the resistor went on again while the last time was settling.
func (run *sourceRun) shuntedAgain(name, input string) bool {
	for _, p := range run.state.Waiting {
		if p.Event.Event == "shunt" && p.Event.Reaches(name, input) {
			return p.Event.State == "off"
		}
	}
	return false
}

// windowOf is the key of a zero in InputState.InProgress. The test file's own
// window does not get in the way of an event's.
func windowOf(p Pending) string {
	if p.Stated {
		return statedKind
	}
	return p.Event.Kind
}

const statedKind = "stated"

// endZero ends a zero in progress and tells what has become of it, and of the
// one that was in force before.
func (run *sourceRun) endZero(c *channelRun, w *wireRun, p Pending) {
	s := w.state
	z := s.InProgress[windowOf(p)]
	delete(s.InProgress, windowOf(p))
	if z == nil {
		return
	}
	w.prepare(c.plan)
	before, beforeReady := w.zero, w.ready
	z.To = run.moment(p)
	if standing := s.take(z, p.Stated && c.plan.zero.Ratio.Given); standing != "" {
		run.tell(c, w, z, nil, standing)
	}
	w.prepare(c.plan)
	switch {
	case w.zero != before && before != nil:
		run.tell(c, w, before, beforeReady, Replaced)
		run.told[len(run.told)-1].Until = z.To
	case s.Taken[z.Kind] == z && w.zero != z && z.Kind == "tare":
		run.tell(c, w, z, nil, Tare)
	case s.Taken[z.Kind] == z && w.zero != z:
		run.tell(c, w, z, nil, Kept)
	}
}

// take makes a zero that has ended the newest of its kind, or returns why not.
// Without a single good reading, and without a value stated in the test file,
// there is no zero: the one before stays.
func (s *InputState) take(z *ZeroRecord, stated bool) Standing {
	if z.Raw.N == 0 && !stated {
		return Nothing
	}
	if before := s.Taken[z.Kind]; z.Stated && before != nil && !before.Stated {
		return GaveWay // somebody took a zero meanwhile: theirs holds
	}
	s.Taken[z.Kind] = z
	if z.Kind != "tare" && !z.Stated {
		s.Restarted = false
		s.Jumps.Size = 0
	}
	return ""
}

// prepare makes the channel ready for the zero in force.
func (w *wireRun) prepare(c *channelPlan) {
	z := w.state.inForce()
	if z == nil || z == w.zero && len(w.state.Carried) == w.carried {
		return
	}
	ready, err := w.countFrom(c, z, w.state.Carried)
	if err != nil {
		return // constants were tried when the plan was made; the zero is not a number
	}
	w.zero, w.ready, w.carried = z, ready, len(w.state.Carried)
	gauge, leads := c.zeroTemperatures(z)
	w.blindGauge = c.temperature >= 0 && gauge == nil
	w.blindLeads = w.plan.leads >= 0 && leads == nil
}

// zeroTemperatures returns the temperatures of a zero in degC, nil for one that
// is not known. A zero of the test file may state its own.
func (c *channelPlan) zeroTemperatures(z *ZeroRecord) (gauge, leads *float64) {
	if z.Temperature.N > 0 {
		gauge = &z.Temperature.Mean
	}
	if z.LeadTemperature.N > 0 {
		leads = &z.LeadTemperature.Mean
	}
	if z.Stated && c.zero.Temperature.Given {
		gauge = &c.zero.Temperature.Value
		if c.zero.Ratio.Given || leads == nil {
			leads = gauge
		}
	}
	if z.Stated && c.zero.LeadTemperature.Given {
		leads = &c.zero.LeadTemperature.Value
	}
	return gauge, leads
}

// countFrom makes the channel that counts strain from a zero, carried over work.
func (w *wireRun) countFrom(c *channelPlan, z *ZeroRecord, carried []Carry) (*channel.Channel, error) {
	zero := channel.Zero{
		Ratio:           w.raw.Ratio(z.Raw.Mean, w.excitation(z)),
		Temperature:     noTemperature,
		LeadTemperature: noTemperature,
	}
	if z.Stated && c.zero.Ratio.Given {
		zero.Ratio = c.zero.Ratio.Value
	}
	gauge, leads := c.zeroTemperatures(z)
	if gauge != nil {
		zero.Temperature = *gauge
	}
	if leads != nil {
		zero.LeadTemperature = *leads
	}
	ready, err := channel.New(w.plan.constants, zero)
	if err != nil {
		return nil, err
	}
	return w.carry(c, ready, z, carried)
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
