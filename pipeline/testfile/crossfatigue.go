package testfile

import (
	"fmt"
)

// checkFatigue holds S-N curves to one form that falls, and references to them
// to channels that have a stress.
func (c *checker) checkFatigue() {
	for i := range c.Fatigue.Entries {
		c.checkCurve(&c.Fatigue.Entries[i].Value, c.Fatigue.Entries[i].Mark, "fatigue."+c.Fatigue.Entries[i].Name)
	}
	for i := range c.Materials.Entries {
		e := &c.Materials.Entries[i]
		c.refer(e.Value.Fatigue, "materials."+e.Name+".fatigue", "S-N curve", c.Fatigue)
	}
	for i := range c.Channels.Entries {
		e := &c.Channels.Entries[i]
		w, path := e.Value.Fatigue, "channels."+e.Name+".fatigue"
		if !c.refer(w, path, "S-N curve", c.Fatigue) {
			continue
		}
		if e.Value.Transverse.Text == "none" {
			c.report(w.Mark, path, "an S-N curve of a channel without a stress (transverse: none)", "it at channels whose strain alone gives a stress")
			continue
		}
		p, ok := c.Positions.Get(e.Value.Position.Or(e.Name))
		if !ok {
			continue
		}
		if m, ok := c.Material(p.Material.Text); ok && !m.Young.Mark.written() && !m.Young.Given {
			c.report(w.Mark, path, fmt.Sprintf("an S-N curve on %s, which has no modulus", p.Material.Text), "a young: of that material")
		}
	}
}

func (c *checker) checkCurve(f *Fatigue, at Mark, path string) {
	points, hasPoints := c.lists[path+".points"]
	basquin := f.Coefficient.Mark.written() || f.Exponent.Mark.written()
	const want = "either points, or coefficient and exponent"
	switch {
	case hasPoints && basquin:
		c.report(at, path, "an S-N curve in two forms", want)
		return
	case !hasPoints && !basquin && !c.misread[path]:
		c.report(at, path, "an S-N curve without points", want)
	case basquin && !f.Coefficient.Mark.written():
		c.report(f.Exponent.Mark, path+".exponent", "an exponent without a coefficient", `"coefficient: 900 MPa" as well`)
	case basquin && !f.Exponent.Mark.written():
		c.report(f.Coefficient.Mark, path+".coefficient", "a coefficient without an exponent", `"exponent: -0.1" as well`)
	case basquin && f.Of.Text == "range":
		c.report(f.Of.Mark, path+".of", "a coefficient of ranges", "amplitude, or points: the coefficient is of amplitudes against reversals")
	case hasPoints && f.Points != nil && len(f.Points) < 2:
		c.report(points, path+".points", fmt.Sprintf("a list of %d", len(f.Points)), "two points or more")
	}
	for i := 1; i < len(f.Points); i++ {
		a, b := f.Points[i-1], f.Points[i]
		path := fmt.Sprintf("%s.points.%d", path, i+1)
		if a.Stress.Given && b.Stress.Given && !(b.Stress.Value < a.Stress.Value) {
			c.report(b.Stress.Mark, path+".stress", quote(b.Stress.Text)+", not below the point before", "points by falling stress")
		}
		if a.Cycles.Given && b.Cycles.Given && !(b.Cycles.Value > a.Cycles.Value) {
			c.report(b.Cycles.Mark, path+".cycles", quote(b.Cycles.Text)+", not above the point before", "points by rising cycles")
		}
	}
}
