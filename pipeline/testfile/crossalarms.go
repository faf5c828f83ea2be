package testfile

import (
	"fmt"

	"glueline/pipeline/flag"
)

// checkAlarms holds alarms to readings that there are, in units that they have,
// and levels to their order.
func (c *checker) checkAlarms() {
	a := &c.Alarms
	for i := range a.Limits.Entries {
		c.checkAlarmLimit(&a.Limits.Entries[i])
	}
	for i := range a.Flags.Entries {
		e := &a.Flags.Entries[i]
		path := "alarms.flags." + e.Name
		if _, ok := a.Limits.Get(e.Name); ok {
			c.report(e.Mark, path, "the name "+quote(e.Name)+", which a limit has", "another name: alarms are acknowledged by it")
		}
		c.checkAlarmName(e.Name, e.Mark, path)
		for k, w := range e.Value.Of {
			c.referAny(w, fmt.Sprintf("%s.of.%d", path, k+1), "channel or rosette", c.Channels, c.Rosettes)
		}
		c.checkNotEmpty(path+".flags", len(e.Value.Flags), e.Value.Flags != nil, "names of flags, [open, shorted]")
		for k, w := range e.Value.Flags {
			c.checkFlag(w, fmt.Sprintf("%s.flags.%d", path, k+1))
		}
	}
	for k, w := range a.Silence.Of {
		c.refer(w, fmt.Sprintf("alarms.silence.of.%d", k+1), "source", c.Sources)
	}
}

// checkFlag refuses a word that is no flag: an alarm on it would never come.
func (c *checker) checkFlag(w Word, path string) {
	if _, ok := flag.Parse(w.Text); ok || w.Text == "" {
		return
	}
	var all []string
	for _, f := range flag.All() {
		all = append(all, f.Name)
	}
	c.report(w.Mark, path, "the flag "+quote(w.Text)+", which is none", oneOf(w.Text, all))
}

// Names that alarms have which no rule of the file makes.
var ownAlarms = map[string]bool{"silence": true, "drift": true, "all": true}

func (c *checker) checkAlarmName(name string, at Mark, path string) {
	if ownAlarms[name] {
		c.report(at, path, "the name "+quote(name)+", which alarms have of their own", "another name")
	}
}

func (c *checker) checkNotEmpty(path string, n int, read bool, want string) {
	if at, ok := c.lists[path]; ok && read && n == 0 {
		c.report(at, path, "an empty list", want)
	}
}

// referAny is refer to a name of any of several sections.
func (c *checker) referAny(w Word, path, what string, in ...names) {
	for _, n := range in {
		if w.Text == "" || n.has(w.Text) || !n.complete() {
			return
		}
	}
	c.report(w.Mark, path, fmt.Sprintf("the %s %s, which is not defined", what, quote(w.Text)), c.suggest(w.Text, in[0]))
}

// alarmUnit is the unit that a reading's levels must have, and an example of one.
func alarmUnit(reading string) (unit, example string) {
	switch reading {
	case "strain", "e1", "e2":
		return "m/m", `a strain, for example "800 um/m"`
	case "value":
		return "1", `a plain number in the quantity's own unit, for example "250"`
	}
	return "Pa", `a stress, for example "120 MPa"`
}

func (c *checker) checkAlarmLimit(e *Entry[AlarmLimit]) {
	l, path := &e.Value, "alarms.limits."+e.Name
	c.checkAlarmName(e.Name, e.Mark, path)
	c.checkNotEmpty(path+".of", len(l.Of), l.Of != nil, "names, [mid, web]")
	reading := l.Reading.Text
	for i, w := range l.Of {
		path := fmt.Sprintf("%s.of.%d", path, i+1)
		switch reading {
		case "": // reported by the decoder
		case "strain", "stress":
			if c.refer(w, path, "channel", c.Channels) && reading == "stress" {
				c.checkHasStress(w, path)
			}
		case "value":
			c.referAny(w, path, "auxiliary quantity or temperature", c.Auxiliary, c.Temperatures)
		default:
			c.refer(w, path, "rosette", c.Rosettes)
		}
		if among(l.Of[:i], w.Text) {
			c.report(w.Mark, path, quote(w.Text)+" again", "each name once")
		}
	}
	if !l.Above.Given && !l.Below.Given {
		c.report(e.Mark, path, "a limit without a level", `"above: {danger: …}", "below: {danger: …}" or both`)
	}
	if reading == "" {
		return
	}
	unit, example := alarmUnit(reading)
	right := func(q Quantity, path string) bool {
		if q.Given && q.Unit != unit {
			c.report(q.Mark, path, fmt.Sprintf("%s for the reading %s", quote(q.Text), reading), example)
			return false
		}
		return q.Given
	}
	right(l.Hysteresis, path+".hysteresis")
	c.checkLevels(&l.Above, path+".above", 1, right)
	c.checkLevels(&l.Below, path+".below", -1, right)
	for _, high := range l.Above.List() {
		for k, low := range l.Below.List() {
			if high.Given && low.Given && high.Unit == unit && low.Unit == unit && low.Value >= high.Value && !c.told[low.Mark] {
				c.told[low.Mark] = true
				c.report(low.Mark, path+".below."+levelWords[k], fmt.Sprintf("%s, which is not below %s", quote(low.Text), quote(high.Text)), "levels below all those above")
			}
		}
	}
}

var levelWords = [3]string{"notice", "warning", "danger"}

// checkHasStress holds a limit of stress to channels whose strain alone gives one.
func (c *checker) checkHasStress(w Word, path string) {
	ch, _ := c.Channels.Get(w.Text)
	if ch.Transverse.Text == "none" {
		c.report(w.Mark, path, "the stress of "+quote(w.Text)+", which has none (transverse: none)", "channels whose strain alone gives a stress")
	}
}

// checkLevels holds levels to their order; sign is 1 above and -1 below.
func (c *checker) checkLevels(l *Levels, path string, sign float64, right func(Quantity, string) bool) {
	if !l.Given {
		return
	}
	any, before := false, Quantity{}
	for i, q := range l.List() {
		any = any || q.Mark.written()
		if !right(q, path+"."+levelWords[i]) {
			continue
		}
		if before.Given && sign*q.Value <= sign*before.Value {
			c.report(q.Mark, path+"."+levelWords[i], fmt.Sprintf("%s after %s", quote(q.Text), quote(before.Text)), "each level further out than the one before")
			return
		}
		before = q
	}
	if !any && !c.misread[path] {
		c.report(l.Mark, path, "no level", `"{warning: …, danger: …}"`)
	}
}
