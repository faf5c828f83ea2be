package group

import "glueline/pipeline/channel"

// pairKind is the key of InputState.InProgress for a reading of a pair.
const pairKind = "pair"

// Carry is work that a reading may jump through (a balance in the instrument, a
// cable, a gauge), with the readings on both sides of it.
type Carry struct {
	Event, Who, Why string
	Before, After   *ZeroRecord `json:",omitempty"`
}

// Holds reports whether the zero can be carried over the work: there are
// readings before and after, and the article was idle for both.
func (k *Carry) Holds() bool {
	return k.Before != nil && k.After != nil && k.Before.Raw.N > 0 && k.After.Raw.N > 0 && !k.Before.NotIdle && !k.After.NotIdle
}

// pair applies an event about such work.
func (run *sourceRun) pair(c *channelRun, w *wireRun, p Pending) {
	e, s := &p.Event, w.state
	switch e.State {
	case "before":
		s.Pairing = nil
		s.InProgress[pairKind] = run.begin(p)
	case "void":
		delete(s.InProgress, pairKind)
	case "begin":
		s.Pairing = &Carry{Event: e.Event, Who: e.Who, Why: e.Why, Before: s.endReading(run.moment(p))}
		s.Handled = true
	case "after":
		s.Handled = false
		s.InProgress[pairKind] = run.begin(p)
	case "end":
		s.Handled = false
		k := s.Pairing
		s.Pairing = nil
		if k == nil {
			k = new(Carry)
		}
		k.After = s.endReading(run.moment(p))
		s.Jumps.Size = 0
		if !k.Holds() {
			s.Restarted = true
			return
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

// carry moves a channel's zero over the work that was done since it was taken:
// the article did not move, so that strain after the work, at its own
// temperatures, is what it was before.
func (w *wireRun) carry(ready *channel.Channel, z *ZeroRecord) (*channel.Channel, error) {
	for _, k := range w.state.Carried {
		if k.After.To <= z.To {
			continue
		}
		zero := ready.Zero
		reading := func(r *ZeroRecord) (ratio, gauge, leads float64) {
			gauge, leads = zero.Temperature, zero.LeadTemperature
			if r.Temperature.N > 0 {
				gauge = r.Temperature.Mean
			}
			if r.LeadTemperature.N > 0 {
				leads = r.LeadTemperature.Mean
			}
			return w.raw.Ratio(r.Raw.Mean, w.excitation(r)), gauge, leads
		}
		strain := ready.Strain(reading(k.Before))
		ratio, gauge, leads := reading(k.After)
		zero.Ratio += ratio - ready.Ratio(strain, gauge, leads)
		var err error
		if ready, err = channel.New(w.plan.constants, zero); err != nil {
			return nil, err
		}
	}
	return ready, nil
}
