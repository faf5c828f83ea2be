package group

import (
	"fmt"
	"slices"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/event"
	"glueline/pipeline/testfile"
)

// pairKind is the key of InputState.InProgress for a reading of a pair.
const pairKind = "pair"

// Carry is work that a reading may jump through (a balance in the instrument, a
// cable, a gauge), with the readings on both sides of it.
type Carry struct {
	Event, Who, Why string
	Before, After   *ZeroRecord `json:",omitempty"`

	// When the wiring map changes between the readings, the one before was taken
	// of another gauge or input of the same source: which, and what strain was
	// counted from there.
	From    string      `json:",omitempty"` // "source/input|gauge"
	Zero    *ZeroRecord `json:",omitempty"`
	Earlier []Carry     `json:",omitempty"`
}

// Holds reports whether the zero can be carried over the work: there are
// readings before and after, and the article was idle for both.
func (k *Carry) Holds() bool {
	return k.Before != nil && k.After != nil && k.Before.Raw.N > 0 && k.After.Raw.N > 0 && !k.Before.NotIdle && !k.After.NotIdle &&
		(k.From == "" || k.Zero != nil)
}

// concerns reports whether a zero on the wire was, or is, carried over the work.
func (k *Carry) concerns(z *ZeroRecord) bool {
	if k.From != "" {
		return k.After == z
	}
	return k.After.To > z.To
}

// pair applies an event about such work.
func (run *sourceRun) pair(c *channelRun, w *wireRun, p Pending) {
	e, s := &p.Event, w.state
	switch e.State {
	case "before":
		s.Pairing = nil
		s.InProgress[pairKind] = run.begin(p)
	case "void":
		for _, one := range c.wires {
			delete(one.state.InProgress, pairKind)
		}
	case "begin":
		s.Pairing = &Carry{Event: e.Event, Who: e.Who, Why: e.Why, Before: s.endReading(run.moment(p))}
		for _, other := range c.wires {
			if s.Pairing.Before == nil && other != w {
				s.Pairing.Before = other.state.endReading(run.moment(p))
				s.Pairing.begunAt(other)
			}
		}
		s.Handled = true
	case "after":
		s.Handled = false
		s.InProgress[pairKind] = run.begin(p)
	case "end":
		s.Handled = false
		k := s.Pairing
		s.Pairing = nil
		for _, other := range c.wires {
			if k == nil && other.state.Pairing != nil && other.state.Pairing.Event == e.Event {
				k = other.state.Pairing
				k.begunAt(other)
				other.state.Pairing, other.state.Handled = nil, false
			}
		}
		if k == nil {
			k = new(Carry)
		}
		k.After = s.endReading(run.moment(p))
		s.Jumps.Size = 0
		if !k.Holds() {
			s.Restarted = true
			return
		}
		if k.From != "" {
			k.After.Kind, k.After.Name = k.Zero.Kind, k.Zero.Name // it stands for that zero from here on
			s.Restarted = false
		}
		s.Carried = append(s.Carried, *k)
		w.prepare(c.plan)
	}
}

// Work may end with the channel on an input of another source, or on one that the
// test file states without the one before: no zero is carried there, and what was
// begun on the old wire is over all the same.

// noteWire keeps the wire on which work begins.
func (r *Reducer) noteWire(e *event.Event) {
	for i := range r.state.Begun {
		if k := &r.state.Begun[i]; k.is(e) && k.Wire == "" {
			k.Wire, _ = WiresOf(r.plan.test, e.Channel, e.Time)
		}
	}
}

// leave ends work on a wire that the plan does not have any more.
func (r *Reducer) leave(e *event.Event) {
	for _, k := range r.state.Begun {
		if s := r.state.Inputs[k.Wire]; k.is(e) && s != nil && !r.plan.has(e.Channel, k.Wire) {
			s.leave(e)
		}
	}
}

// has reports whether a channel is on a wire at any time.
func (p *Plan) has(channel, key string) bool {
	for _, s := range p.sources {
		for _, c := range s.channels {
			if c.name == channel && slices.ContainsFunc(c.wires, func(w *wirePlan) bool { return w.key == key }) {
				return true
			}
		}
	}
	return false
}

// leave ends work on a channel's wires of this source when the channel is on none of
// them any more; pair does it where it still is.
func (run *sourceRun) leave(p Pending) {
	for _, c := range run.channels {
		if !p.Event.Touches(c.plan.name) || slices.ContainsFunc(c.wires, func(w *wireRun) bool { return w.plan.from <= p.At && p.At < w.plan.to }) {
			continue
		}
		for _, w := range c.wires {
			w.state.leave(&p.Event)
		}
	}
}

// leave forgets work that was begun and cannot end here.
func (s *InputState) leave(e *event.Event) {
	if s.Pairing != nil && s.Pairing.Event == e.Event {
		s.Pairing, s.Handled = nil, false
		delete(s.InProgress, pairKind)
	}
}

// WiresOf are the wires of a channel by the test file, "source/input|gauge": the one
// at a time, "" for none, and those of all times.
func WiresOf(t *testfile.Test, channel string, at time.Time) (now string, all []string) {
	c, _ := t.Channels.Get(channel)
	for _, w := range t.Wiring {
		if w.Position.Text != c.Position.Or(channel) {
			continue
		}
		key := w.Input.Text + "|" + w.Gauge.Text
		all = append(all, key)
		if (!w.From.Given || !at.Before(w.From.Time)) && (!w.To.Given || at.Before(w.To.Time)) {
			now = key
		}
	}
	return now, all
}

// endReading ends a reading of a pair; nil when none was begun.
func (s *InputState) endReading(at int64) *ZeroRecord {
	z := s.InProgress[pairKind]
	delete(s.InProgress, pairKind)
	if z != nil {
		z.To = at
	}
	return z
}

// begunAt notes that the reading before the work was taken on another wire.
func (k *Carry) begunAt(w *wireRun) {
	if k.Before != nil && k.From == "" {
		k.From, k.Zero, k.Earlier = w.plan.key, w.state.inForce(), slices.Clone(w.state.Carried)
	}
}

// carry moves a channel's zero over the work that was done since it was taken:
// the article did not move, so that strain after the work, at its own
// temperatures, is what it was before.
func (w *wireRun) carry(c *channelPlan, ready *channel.Channel, z *ZeroRecord, carried []Carry) (*channel.Channel, error) {
	for i := range carried {
		k := &carried[i]
		if !k.concerns(z) {
			continue
		}
		strain, err := w.strainBefore(c, ready, k)
		if err != nil {
			return nil, err
		}
		zero := ready.Zero
		ratio, gauge, leads := w.reading(zero, k.After)
		zero.Ratio += ratio - ready.Ratio(strain, gauge, leads)
		if ready, err = channel.New(w.plan.constants, zero); err != nil {
			return nil, err
		}
	}
	return ready, nil
}

// strainBefore is the strain of the reading before the work.
func (w *wireRun) strainBefore(c *channelPlan, ready *channel.Channel, k *Carry) (float64, error) {
	if k.From == "" {
		return ready.Strain(w.reading(ready.Zero, k.Before)), nil
	}
	for _, other := range w.beside {
		if other.plan.key == k.From {
			there, err := other.countFrom(c, k.Zero, k.Earlier)
			if err != nil {
				return 0, err
			}
			return there.Strain(other.reading(there.Zero, k.Before)), nil
		}
	}
	return 0, fmt.Errorf("the wiring map has no %s any more, from which the zero was carried", k.From)
}

// reading is a reading as a ratio with its temperatures; those that are not
// known are those of the zero.
func (w *wireRun) reading(zero channel.Zero, r *ZeroRecord) (ratio, gauge, leads float64) {
	gauge, leads = zero.Temperature, zero.LeadTemperature
	if r.Temperature.N > 0 {
		gauge = r.Temperature.Mean
	}
	if r.LeadTemperature.N > 0 {
		leads = r.LeadTemperature.Mean
	}
	return w.raw.Ratio(r.Raw.Mean, w.excitation(r)), gauge, leads
}
