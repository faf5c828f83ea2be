package testfile

import (
	"fmt"
	"slices"
)

// checkEvidence holds witnesses, neighbours, references and pairs to channels
// that can be what they are called.
func (c *checker) checkEvidence() {
	for i := range c.Channels.Entries {
		e := &c.Channels.Entries[i]
		c.checkWitness(e)
		c.checkNeighbours(e)
	}
	for i := range c.Pairs.Entries {
		c.checkPair(&c.Pairs.Entries[i])
	}
	c.checkReferences()
	for i := range c.Rosettes.Entries {
		r, path := &c.Rosettes.Entries[i].Value, "rosettes."+c.Rosettes.Entries[i].Name
		if q := r.Tolerance; q.Given && r.Grids != nil && len(r.Grids) < 4 {
			c.report(q.Mark, path+".tolerance", fmt.Sprintf("a tolerance of %d grids, which leave nothing over", len(r.Grids)), "it at rosettes of four grids or more")
		}
		if q := r.Relative; q.Given && r.Grids != nil && len(r.Grids) < 4 {
			c.report(q.Mark, path+".relative", fmt.Sprintf("a relative tolerance of %d grids, which leave nothing over", len(r.Grids)), "it at rosettes of four grids or more")
		}
	}
}

func (c *checker) checkWitness(e *Entry[Channel]) {
	w, path := &e.Value.Witness, "channels."+e.Name+".witness-of"
	if !w.Given {
		return
	}
	_, lots := c.lists[path+".lots"]
	_, channels := c.lists[path+".channels"]
	if !lots && !channels && !c.misread[path] {
		c.report(w.Mark, path, "a witness for nobody", `"{lots: […]}", "{channels: […]}" or both`)
	}
	own := c.LotsOf(e.Name)
	for i, word := range w.Lots {
		path := fmt.Sprintf("%s.lots.%d", path, i+1)
		if !c.refer(word, path, "lot", c.Lots) {
			continue
		}
		if len(own) > 0 && !slices.Contains(own, word.Text) {
			c.report(word.Mark, path, fmt.Sprintf("the lot %s, while the witness's gauge is of %s", quote(word.Text), quote(own[0])), "its own lot, or a witness of that lot")
		}
	}
	for i, word := range w.Channels {
		path := fmt.Sprintf("%s.channels.%d", path, i+1)
		if !c.refer(word, path, "channel", c.Channels) {
			continue
		}
		other, _ := c.Channels.Get(word.Text)
		switch {
		case word.Text == e.Name:
			c.report(word.Mark, path, "the witness itself", "the channels that it stands for")
		case other.Witness.Given:
			c.report(word.Mark, path, "the channel "+quote(word.Text)+", a witness too", "channels on the article")
		default:
			c.checkLikeness(word, path, e.Name)
		}
	}
}

// checkLikeness holds a witness to the material, adhesive and coating of a
// channel that it stands for, where both state them.
func (c *checker) checkLikeness(channel Word, path, witness string) {
	a, _ := c.materialNameOf(channel.Text)
	b, _ := c.materialNameOf(witness)
	if a != b && a != "" && b != "" && c.known(a) && c.known(b) {
		c.report(channel.Mark, path, fmt.Sprintf("a channel on %s, while its witness is on %s", a, b), "a witness on the same material")
		return
	}
	its, own := c.installationOf(channel.Text), c.installationOf(witness)
	if its == nil || own == nil {
		return
	}
	if x, y := its.Adhesive.Class.Text, own.Adhesive.Class.Text; x != y && x != "" && y != "" {
		c.report(channel.Mark, path, fmt.Sprintf("a channel bonded by %s, while its witness is by %s", x, y), "a witness bonded by the same adhesive")
		return
	}
	if x, y := its.Coating.Text, own.Coating.Text; x != y && x != "" && y != "" {
		c.report(channel.Mark, path, fmt.Sprintf("a channel under %s, while its witness is under %s", quote(x), quote(y)), "a witness under the same coating")
	}
}

// installationOf is that of the newest gauge of a channel that has one.
func (c *checker) installationOf(channel string) (found *Installation) {
	ch, _ := c.Channels.Get(channel)
	for i := range c.Wiring {
		w := &c.Wiring[i]
		if w.Position.Text != ch.Position.Or(channel) {
			continue
		}
		if g, ok := c.Gauges.Get(w.Gauge.Text); ok {
			if in, ok := c.Installations.Get(g.Installation.Text); ok {
				found = in
			}
		}
	}
	return found
}

func (c *checker) checkNeighbours(e *Entry[Channel]) {
	for i, word := range e.Value.Neighbours {
		path := fmt.Sprintf("channels.%s.neighbours.%d", e.Name, i+1)
		if !c.refer(word, path, "channel", c.Channels) {
			continue
		}
		other, _ := c.Channels.Get(word.Text)
		switch {
		case word.Text == e.Name:
			c.report(word.Mark, path, "the channel itself", "channels near it")
		case among(e.Value.Neighbours[:i], word.Text):
			c.report(word.Mark, path, "the channel "+quote(word.Text)+" again", "each neighbour once")
		case other.Witness.Given:
			c.report(word.Mark, path, "the channel "+quote(word.Text)+", a witness on a coupon that bears nothing", "channels on the article")
		}
	}
}

func (c *checker) checkPair(e *Entry[Pair]) {
	p, path := &e.Value, "pairs."+e.Name
	list, listed := c.lists[path+".channels"]
	if listed && p.Channels != nil && len(p.Channels) != 2 {
		c.report(list, path+".channels", fmt.Sprintf("a list of %d", len(p.Channels)), "the two channels of the pair")
		return
	}
	if m := p.Under.Mark; m.written() && p.Under.Text != "" && p.Form.Text != "" && p.Form.Text != BackToBack {
		c.report(m, path+".under", "under of a pair of the form "+p.Form.Text, "it at pairs of the form back-to-back")
	}
	if m := p.Poisson.Mark; m.written() && p.Form.Text != "" && p.Form.Text != PoissonOf {
		c.report(m, path+".poisson", "a Poisson ratio of a pair of the form "+p.Form.Text, "it at pairs of the form poisson")
	}
	right := len(p.Channels) == 2
	for i, word := range p.Channels {
		path := fmt.Sprintf("%s.channels.%d", path, i+1)
		if !c.refer(word, path, "channel", c.Channels) {
			right = false
			continue
		}
		ch, _ := c.Channels.Get(word.Text)
		switch {
		case i > 0 && word.Text == p.Channels[0].Text:
			c.report(word.Mark, path, "the channel "+quote(word.Text)+" again", "two channels")
			right = false
		case ch.Witness.Given:
			c.report(word.Mark, path, "the channel "+quote(word.Text)+", a witness on a coupon that bears nothing", "channels on the article")
			right = false
		case ch.Bridge.Text == "full_shear":
			c.report(word.Mark, path, "the channel "+quote(word.Text)+", which reads a shear strain", "channels of strain along an axis")
			right = false
		}
	}
	if !right {
		return
	}
	a, b := c.groupsOfChannel(p.Channels[0].Text), c.groupsOfChannel(p.Channels[1].Text)
	if len(a) > 0 && len(b) > 0 && !slices.Contains(b, a[0]) {
		c.report(p.Channels[1].Mark, path+".channels.2", fmt.Sprintf("a channel of the group %s, while the first is of %s", quote(b[0]), quote(a[0])), "channels of one group: each group is judged by itself")
	}
	if p.Form.Text == PoissonOf && !p.Poisson.Mark.written() {
		if m, ok := c.materialOf(p.Channels[0].Text); ok && !m.Poisson.Given && !m.Poisson.Mark.written() {
			c.report(p.Form.Mark, path+".form", "a Poisson pair on a material without a Poisson ratio", `"poisson: 0.29" as well`)
		}
	}
}

func (c *checker) groupsOfChannel(name string) []string {
	ch, _ := c.Channels.Get(name)
	return c.groupsOf(ch.Position.Or(name))
}

// checkReferences holds references to one a source, in the unit that drift reads.
func (c *checker) checkReferences() {
	first := map[string]string{}
	for i := range c.Auxiliary.Entries {
		e := &c.Auxiliary.Entries[i]
		a, path := &e.Value, "auxiliary."+e.Name
		if a.Quantity.Text != Reference {
			continue
		}
		if unit := a.Unit.Text; unit != "" && unit != "mV/V" {
			c.report(a.Unit.Mark, path+".unit", quote(unit)+" of a reference", "mV/V")
		}
		source, _ := SplitInput(a.Input.Text)
		if !c.Sources.has(source) {
			continue
		}
		if other, ok := first[source]; ok {
			c.report(a.Input.Mark, path+".input", fmt.Sprintf("a second reference on %s, after %s", source, quote(other)), "one reference a source")
			continue
		}
		first[source] = e.Name
	}
}
