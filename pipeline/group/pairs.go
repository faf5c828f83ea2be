package group

import (
	"fmt"
	"slices"

	"glueline/pipeline/channel"
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
