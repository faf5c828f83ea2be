package testfile

import (
	"fmt"
	"math"
	"strings"
)

// checkChannels holds channels to their bridge, gauges and temperatures.
func (c *checker) checkChannels() {
	for i := range c.Channels.Entries {
		e := &c.Channels.Entries[i]
		ch, path := &e.Value, "channels."+e.Name
		if ch.Position.Mark.written() {
			c.refer(ch.Position, path+".position", "position", c.Positions)
		} else if !c.Positions.has(e.Name) && c.Positions.complete() {
			c.report(e.Mark, path, "a channel without a position, of a name that is none", `"position: …" as well, `+c.suggest(e.Name, c.Positions))
		}
		c.checkBridge(ch, path)
		c.checkLeads(ch.Leads, path+".leads")
		c.checkLeads(ch.Excitation, path+".excitation-leads")
		c.checkTransverse(ch, path)
		c.checkZero(ch.Zero, path+".zero")
		c.checkLimits(ch.Limits, path+".limits")
		c.checkChannelTemperatures(e, path)
		c.checkGaugesOf(e, path)
	}
}

func (c *checker) checkBridge(ch *Channel, path string) {
	bridge := ch.Bridge.Text
	if bridge == "" {
		return
	}
	quarter, full := strings.HasPrefix(bridge, "quarter_"), strings.HasPrefix(bridge, "full_")
	if !full && ch.Excitation.Mark.written() {
		c.report(ch.Excitation.Mark, path+".excitation-leads", "excitation leads on "+bridge, "leads; only full bridges have excitation leads")
	}
	if !full && ch.RemoteSense.Mark.written() {
		c.report(ch.RemoteSense.Mark, path+".remote-sense", "remote sense on "+bridge, "it only on full bridges")
	}
	if full && ch.Leads.Mark.written() {
		c.report(ch.Leads.Mark, path+".leads", "leads on "+bridge, "excitation-leads; the signal leads of a full bridge carry no current")
	}
	if full && ch.Completion.Mark.written() {
		c.report(ch.Completion.Mark, path+".completion", "a completion resistor on "+bridge, "it only on quarter and half bridges")
	}
	switch location := ch.Shunt.Location; {
	case full && location.Text != "" && location.Text != "gauge":
		c.report(location.Mark, path+".shunt.location", location.Text+" on "+bridge, "gauge, the only place on a full bridge")
	case !quarter && location.Text == "completion":
		c.report(location.Mark, path+".shunt.location", "completion on "+bridge, "gauge or instrument; only quarter bridges have a completion resistor beside the gauge")
	}
	before, with := ch.Shunt.Before.Mark, ch.Shunt.With.Mark
	if before.written() && !with.written() {
		c.report(before, path+".shunt.before", "a reading before the shunt without one with it", "with: as well, or neither")
	}
	if with.written() && !before.written() {
		c.report(with, path+".shunt.with", "a reading with the shunt without one before it", "before: as well, or neither")
	}
	if b, w := ch.Shunt.Before, ch.Shunt.With; b.Given && w.Given && b.Value == w.Value {
		c.report(w.Mark, path+".shunt.with", "the reading before the shunt again", "the reading that the shunt changed")
	}
}

func (c *checker) checkTransverse(ch *Channel, path string) {
	mode := ch.Transverse
	switch {
	case mode.Mark.written() && mode.Text == "":
		return
	case mode.Text == "ratio" && !ch.StrainRatio.Mark.written():
		c.report(mode.Mark, path+".transverse", "ratio without a strain-ratio", `"strain-ratio: -0.3" as well`)
	case mode.Text != "ratio" && ch.StrainRatio.Mark.written():
		c.report(ch.StrainRatio.Mark, path+".strain-ratio", "a strain ratio that is not used", `"transverse: ratio" as well`)
	}
	if b := ch.Bridge.Text; b != "" && !c.told[ch.Bridge.Mark] && mode.Mark.written() && mode.Text != "uniaxial" && !strings.HasPrefix(b, "quarter_") {
		c.once(mode.Mark, path+".transverse", quote(mode.Text)+" on "+b, "uniaxial, or leave it out; the other modes are of quarter bridges")
	}
}

// checkChannelTemperatures holds a channel's temperatures to the group of its own inputs.
func (c *checker) checkChannelTemperatures(e *Entry[Channel], path string) {
	ch := &e.Value
	groups := c.groupsOf(ch.Position.Or(e.Name))
	inGroup := func(w Word, path string) {
		t, ok := c.Temperatures.Get(w.Text)
		if !ok {
			return
		}
		for _, own := range groups {
			if !c.checkGroup(w, path, own, c.groupOf(t.Input.Text)) {
				return
			}
		}
	}
	if c.refer(ch.Temperature, path+".temperature", "temperature", c.Temperatures) {
		inGroup(ch.Temperature, path+".temperature")
	}
	inGroup(ch.Leads.Temperature, path+".leads.temperature")
	inGroup(ch.Excitation.Temperature, path+".excitation-leads.temperature")
}

func (c *checker) groupsOf(position string) []string {
	var groups []string
	for _, s := range c.sources[position] {
		groups = append(groups, c.groupOf(s+"/-"))
	}
	return groups
}

// checkGaugesOf holds a channel to the lots of the gauges that serve it.
func (c *checker) checkGaugesOf(e *Entry[Channel], path string) {
	ch := &e.Value
	limits := []struct {
		path string
		Limits
	}{{path + ".limits", ch.Limits}, {"test.limits", c.About.Limits}}
	needsTemperature, needsZeroTemperature, odd := false, false, false
	for _, lot := range c.lotsOf(ch.Position.Or(e.Name)) {
		out := &lot.ThermalOutput
		if out.Given {
			fitted := !out.From.Given || !out.To.Given || out.From.Value < out.To.Value
			needsTemperature = needsTemperature || !ch.Temperature.Mark.written()
			needsZeroTemperature = needsZeroTemperature || ch.Zero.Ratio.Given && !ch.Zero.Temperature.Mark.written()
			low, high := limits[0], limits[0]
			if !low.TemperatureLow.Mark.written() {
				low = limits[1]
			}
			if !high.TemperatureHigh.Mark.written() {
				high = limits[1]
			}
			if q := low.TemperatureLow; q.Given && fitted && out.From.Given && q.Value < out.From.Value {
				c.once(q.Mark, low.path+".temperature-low", fmt.Sprintf("%s, below the range of a thermal-output polynomial (from %s)", quote(q.Text), out.From.Text), "a temperature within it, or a lot fitted for more")
			}
			if q := high.TemperatureHigh; q.Given && fitted && out.To.Given && q.Value > out.To.Value {
				c.once(q.Mark, high.path+".temperature-high", fmt.Sprintf("%s, above the range of a thermal-output polynomial (to %s)", quote(q.Text), out.To.Text), "a temperature within it, or a lot fitted for more")
			}
		}
		const apart = 0.2 // a bridge this far out of balance is a slip of the pen
		if r, q := lot.Resistance, ch.Completion; r.Given && q.Given && math.Abs(q.Value-r.Value) > apart*r.Value && !strings.HasPrefix(ch.Bridge.Text, "full_") {
			odd = true
		}
	}
	if needsTemperature {
		c.report(e.Mark, path, "no temperature, though its gauge has a thermal output", `"temperature: …" as well, `+c.suggest("", c.Temperatures))
	}
	if needsZeroTemperature {
		c.report(ch.Zero.Ratio.Mark, path+".zero.ratio", "a zero by value without its temperature, though the gauge has a thermal output", `"temperature: 20 degC" beside it`)
	}
	if odd {
		c.report(ch.Completion.Mark, path+".completion", quote(ch.Completion.Text)+", far from the gauge's resistance", "about the gauge's own resistance, or leave it out")
	}
}

// lotsOf are the lots of the gauges that serve a position, each once.
func (c *checker) lotsOf(position string) []*Lot {
	var lots []*Lot
	seen := map[string]bool{}
	for _, name := range c.gaugesAt[position] {
		g, ok := c.Gauges.Get(name)
		if !ok || seen[g.Lot.Text] {
			continue
		}
		seen[g.Lot.Text] = true
		if lot, ok := c.Lots.Get(g.Lot.Text); ok {
			lots = append(lots, lot)
		}
	}
	return lots
}
