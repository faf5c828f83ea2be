package alarm

import (
	"fmt"
	"slices"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
)

// Level says how bad it is; 0 is nothing.
type Level int

// The levels, from the mildest on.
const (
	None Level = iota
	Notice
	Warning
	Danger
)

var levelNames = []string{"none", "notice", "warning", "danger"}

func (l Level) String() string {
	if l < None || l > Danger {
		return fmt.Sprintf("level %d", int(l))
	}
	return levelNames[l]
}

// ParseLevel reads notice, warning or danger.
func ParseLevel(text string) (Level, bool) {
	i := slices.Index(levelNames, text)
	return Level(max(i, 0)), i > 0
}

// Rules are what a group is judged by.
type Rules struct {
	Test, Group string
	conditions  []*condition            // in the order of the test file
	bySource    map[string][]*condition // those that rows decide
	silence     map[string]*condition
	silentAfter int64 // ns
	chain       []person
}

type person struct {
	who   string
	from  Level
	after int64 // ns
}

// condition is one thing that is true or not, at some level.
type condition struct {
	key, rule, of string
	unit, reading string
	action        string
	value, flags  int // columns; -1 for none
	above, below  [Danger + 1]bound
	hysteresis    float64
	mask          flag.Mask // of a condition on flags
	level         Level     // of a condition on flags, or on silence
	samples       int
	lasting       int64 // ns
}

type bound struct {
	given bool
	at    float64
}

// Compile makes the rules of a group from a test file and its plan. What no
// source of the group reads has no condition here.
func Compile(t *testfile.Test, p *group.Plan) *Rules {
	r := &Rules{Test: t.About.Name.Text, Group: p.Name, bySource: map[string][]*condition{}, silence: map[string]*condition{}}
	a := &t.Alarms
	for _, source := range p.Sources() {
		fields := p.Fields(source)
		for i := range a.Limits.Entries {
			e := &a.Limits.Entries[i]
			for _, of := range e.Value.Of {
				if c := limitOn(fields, e, of.Text); c != nil {
					r.add(source, c)
				}
			}
		}
		for i := range a.Flags.Entries {
			e := &a.Flags.Entries[i]
			for at, f := range fields {
				named := slices.ContainsFunc(e.Value.Of, func(w testfile.Word) bool { return w.Text == f.Of })
				_, isChannel := t.Channels.Get(f.Of)
				if f.Quantity == group.FlagMask && (named || len(e.Value.Of) == 0 && isChannel) {
					r.add(source, flagsOn(e, f.Of, at))
				}
			}
		}
		named := slices.ContainsFunc(a.Silence.Of, func(w testfile.Word) bool { return w.Text == source })
		if a.Silence.Given && (named || len(a.Silence.Of) == 0) {
			level, _ := ParseLevel(a.Silence.Level.Text)
			c := &condition{key: "silence/" + source, rule: "silence", of: source, reading: "no frame", level: level, action: a.Silence.Action.Text}
			r.silence[source] = c
			r.conditions = append(r.conditions, c)
			r.silentAfter = nanoseconds(a.Silence.After)
		}
	}
	for _, who := range a.Tell {
		level, ok := ParseLevel(who.From.Text)
		if !ok {
			level = Notice
		}
		r.chain = append(r.chain, person{who.Who.Text, level, nanoseconds(who.After)})
	}
	return r
}

func (r *Rules) add(source string, c *condition) {
	r.conditions = append(r.conditions, c)
	r.bySource[source] = append(r.bySource[source], c)
}

func nanoseconds(q testfile.Quantity) int64 { return int64(q.Value * 1e9) }

func atLeastOne(q testfile.Quantity) int { return max(1, int(q.Value)) }

// columnOf finds the column that a reading is in.
func columnOf(fields []group.Field, of, reading string) int {
	return slices.IndexFunc(fields, func(f group.Field) bool {
		if f.Of != of {
			return false
		}
		switch reading {
		case "strain":
			return f.Quantity == group.Strain || f.Quantity == group.Shear || f.Quantity == group.Indicated
		case "stress":
			return f.Quantity == group.Stress || f.Quantity == group.ShearStress
		case "value":
			return f.Quantity == group.Auxiliary || f.Quantity == group.Temperature
		}
		column := map[string]string{"von-mises": "von Mises", "tresca": "Tresca"}[reading]
		if column == "" {
			column = reading
		}
		return f.Quantity == group.Rosette && f.Name == of+" "+column+" ["+f.Unit+"]"
	})
}

func limitOn(fields []group.Field, e *testfile.Entry[testfile.AlarmLimit], of string) *condition {
	l := &e.Value
	at := columnOf(fields, of, l.Reading.Text)
	if at < 0 {
		return nil
	}
	c := &condition{
		key: e.Name + "/" + of, rule: e.Name, of: of, reading: l.Reading.Text, unit: fields[at].Unit, action: l.Action.Text, value: at,
		hysteresis: l.Hysteresis.Value, samples: atLeastOne(l.Samples), lasting: nanoseconds(l.For),
	}
	c.flags = slices.IndexFunc(fields, func(f group.Field) bool { return f.Of == of && f.Quantity == group.FlagMask })
	above, below := l.Above.List(), l.Below.List()
	for i := range above {
		c.above[i+1] = bound{above[i].Given, above[i].Value}
		c.below[i+1] = bound{below[i].Given, below[i].Value}
	}
	return c
}

func flagsOn(e *testfile.Entry[testfile.AlarmFlag], of string, at int) *condition {
	f := &e.Value
	level, _ := ParseLevel(f.Level.Text)
	c := &condition{key: e.Name + "/" + of, rule: e.Name, of: of, reading: "flags", action: f.Action.Text, value: -1, flags: at,
		level: level, samples: atLeastOne(f.Samples), lasting: nanoseconds(f.For)}
	for _, w := range f.Flags {
		if mask, ok := flag.Parse(w.Text); ok {
			c.mask |= mask
		}
	}
	return c
}

// People are all who may be told, each once.
func (r *Rules) People() (names []string) {
	for _, p := range r.chain {
		if !slices.Contains(names, p.who) {
			names = append(names, p.who)
		}
	}
	return names
}

// SilentAfter returns how many nanoseconds a source may be silent; ok is false
// where nobody is told of it.
func (r *Rules) SilentAfter(source string) (ns int64, ok bool) {
	return r.silentAfter, r.silence[source] != nil
}

// Silent are the sources whose silence is told of, in the order of the group.
func (r *Rules) Silent() (names []string) {
	for _, c := range r.conditions {
		if c == r.silence[c.of] {
			names = append(names, c.of)
		}
	}
	return names
}

// Named are all alarms that the rules can raise, and the rules that they are of.
func (r *Rules) Named() (alarms, rules []string) {
	for _, c := range r.conditions {
		alarms = append(alarms, c.key)
		if !slices.Contains(rules, c.rule) {
			rules = append(rules, c.rule)
		}
	}
	return alarms, rules
}

// Empty reports whether there is nothing to judge.
func (r *Rules) Empty() bool { return len(r.conditions) == 0 }

func (c *condition) has(l Level) bool {
	if c.value < 0 {
		return l == c.level
	}
	return c.above[l].given || c.below[l].given
}

// beyond says whether a value has reached a level.
func (c *condition) beyond(l Level, v float64) bool {
	return c.above[l].given && v >= c.above[l].at || c.below[l].given && v <= c.below[l].at
}

// holds says whether a value is still within the hysteresis of a level.
func (c *condition) holds(l Level, v float64) bool {
	return c.above[l].given && v > c.above[l].at-c.hysteresis || c.below[l].given && v < c.below[l].at+c.hysteresis
}
