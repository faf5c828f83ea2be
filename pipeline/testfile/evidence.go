package testfile

import "slices"

// What a test file may declare so that a drift can be told from what looks like
// it. Each is a statement of the person who writes it; nothing proves it here.

// Witness says that a channel's gauge is on a free coupon beside the article,
// and for whom it speaks: lots, channels or both.
type Witness struct {
	Lots     []Word `yaml:"lots" doc:"lots of gauges that it stands for: the witness's own"`
	Channels []Word `yaml:"channels" doc:"channels that it stands for"`
	Given    bool   `yaml:"-"`
	Mark     Mark   `yaml:"-"`
}

// Pair is two channels whose strains follow from each other. What is left over,
// first less what the second says of it, stays within Tolerance and Relative.
type Pair struct {
	Form      Word     `yaml:"form" enum:"redundant,back-to-back,poisson" need:"yes" doc:"two gauges for one strain; gauges on opposite faces; along and across a uniaxial stress"`
	Channels  []Word   `yaml:"channels" need:"yes" doc:"the two; of a Poisson pair the one along the stress first"`
	Under     Word     `yaml:"under" enum:"axial,bending" doc:"of a pair back to back: axial loading strains both faces alike (when absent), bending oppositely"`
	Poisson   Quantity `yaml:"poisson" unit:"1" range:"(0,0.5]" doc:"of a Poisson pair; its material's when absent"`
	Tolerance Quantity `yaml:"tolerance" unit:"m/m" range:">0" need:"yes" doc:"what may be left over at any strain"`
	Relative  Quantity `yaml:"relative" unit:"1" range:">=0" doc:"what may be left over beside it, as a part of the first channel's strain; 0 when absent"`
}

// Pair forms.
const (
	Redundant  = "redundant"
	BackToBack = "back-to-back"
	PoissonOf  = "poisson"
)

// PairFactor returns k of a pair: its residual is first + k*second. ok is false
// where a Poisson pair has no ratio: what its channels are bonded to has none.
func (t *Test) PairFactor(p *Pair) (k float64, ok bool) {
	switch p.Form.Text {
	case BackToBack:
		if p.Under.Text == "bending" {
			return 1, true
		}
	case PoissonOf: // across = -nu along, so that nu along + across = 0, over nu
		nu := p.Poisson
		if !nu.Given && len(p.Channels) > 0 {
			if m, found := t.materialOf(p.Channels[0].Text); found {
				nu = m.Poisson
			}
		}
		return 1 / nu.Value, nu.Given && nu.Value > 0
	}
	return -1, true
}

// materialOf is what a channel's position is made of.
func (t *Test) materialOf(channel string) (Material, bool) {
	name, ok := t.materialNameOf(channel)
	if !ok {
		return Material{}, false
	}
	return t.Material(name)
}

func (t *Test) materialNameOf(channel string) (name string, ok bool) {
	ch, ok := t.Channels.Get(channel)
	if !ok {
		return "", false
	}
	p, ok := t.Positions.Get(ch.Position.Or(channel))
	if !ok {
		return "", false
	}
	return p.Material.Text, true
}

// FreeToExpand reports whether a channel's reading without load is free of
// stress at any temperature: its position is declared so, or it is a witness.
func (t *Test) FreeToExpand(channel string) bool {
	ch, ok := t.Channels.Get(channel)
	if !ok {
		return false
	}
	if ch.Witness.Given {
		return true
	}
	p, ok := t.Positions.Get(ch.Position.Or(channel))
	return ok && p.FreeToExpand.Value
}

// WitnessesOf returns the witnesses that stand for a channel, in the order of the
// file: those that name it, and, on the same material, those of a lot that one of
// its gauges is of. A witness has none.
func (t *Test) WitnessesOf(channel string) (names []string) {
	ch, ok := t.Channels.Get(channel)
	if !ok || ch.Witness.Given {
		return nil
	}
	lots := t.LotsOf(channel)
	own, _ := t.materialNameOf(channel)
	for i := range t.Channels.Entries {
		e := &t.Channels.Entries[i]
		w := &e.Value.Witness
		material, _ := t.materialNameOf(e.Name)
		byLot := material == own && slices.ContainsFunc(lots, func(lot string) bool { return among(w.Lots, lot) })
		if w.Given && (byLot || among(w.Channels, channel)) {
			names = append(names, e.Name)
		}
	}
	return names
}

// LotsOf returns the lots of the gauges that ever served a channel, each once.
func (t *Test) LotsOf(channel string) (lots []string) {
	ch, ok := t.Channels.Get(channel)
	if !ok {
		return nil
	}
	for i := range t.Wiring {
		w := &t.Wiring[i]
		if g, found := t.Gauges.Get(w.Gauge.Text); found && w.Position.Text == ch.Position.Or(channel) && !slices.Contains(lots, g.Lot.Text) {
			lots = append(lots, g.Lot.Text)
		}
	}
	return lots
}

// NeighboursOf returns the channels that would answer to the same crack: those
// that the channel names, and those that name it, in the order of the file.
func (t *Test) NeighboursOf(channel string) (names []string) {
	ch, ok := t.Channels.Get(channel)
	if !ok {
		return nil
	}
	for i := range t.Channels.Entries {
		e := &t.Channels.Entries[i]
		if e.Name != channel && (among(ch.Neighbours, e.Name) || among(e.Value.Neighbours, channel)) {
			names = append(names, e.Name)
		}
	}
	return names
}

// ReferenceOf returns the auxiliary quantity that is the reference of a source,
// a stable resistor bridge on one of its inputs; "" for none.
func (t *Test) ReferenceOf(source string) string {
	for i := range t.Auxiliary.Entries {
		e := &t.Auxiliary.Entries[i]
		if s, _ := SplitInput(e.Value.Input.Text); s == source && e.Value.Quantity.Text == Reference {
			return e.Name
		}
	}
	return ""
}

// Reference is the auxiliary quantity that a stable resistor bridge reads.
const Reference = "reference"

func among(words []Word, name string) bool {
	return slices.ContainsFunc(words, func(w Word) bool { return w.Text == name })
}
