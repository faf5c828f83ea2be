package group

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// Differences says in words what the plans of a test reduce by after a change of
// its test file, against before: a line for what is added, removed or another,
// with the names that it is about. Values are in the units of the calibration
// (SI, degC, V/V). It is empty when all constants are the same.
func Differences(before, after []*Plan) ([]string, error) {
	was, err := describe(before)
	if err != nil {
		return nil, err
	}
	is, err := describe(after)
	if err != nil {
		return nil, err
	}
	return between(was, is), nil
}

// between are the lines for what is other.
func between(was, is map[thing]constants) []string {
	var d differences
	for _, t := range both(was, is) {
		x, y := was[t], is[t]
		switch {
		case x == nil:
			d.add(t, isNew)
		case y == nil:
			d.add(t, isGone)
		default:
			for _, path := range both(x, y) {
				input := path[:strings.IndexByte(path, '>')+1] + ".input_and_gauge"
				switch {
				case x[path] == y[path], followed(path):
				case x[input] == "" && y[input] != "": // of a wire, all is new: it is enough to name it
					if path == input {
						d.add(t, "now on "+wired(y[input]))
					}
				case y[input] == "" && x[input] != "":
					if path == input {
						d.add(t, "no longer on "+wired(x[input]))
					}
				default:
					of := t
					if strings.HasPrefix(path, "zero.") || strings.Contains(path, ".constants.") && !ofGauge(path) {
						of.lots = ""
					}
					d.add(of, fmt.Sprintf("%s %s -> %s", words(path), stated(x[path]), stated(y[path])))
				}
			}
		}
	}
	return d.lines()
}

// thing is something of a calibration that has a name.
type thing struct{ kind, name, lots string }

// constants are those of a thing by their path, as text.
type constants map[string]string

func describe(plans []*Plan) (map[thing]constants, error) {
	all := map[thing]constants{}
	var err error
	add := func(t thing, v any) {
		if all[t] == nil { // a channel may have wires to several sources
			all[t] = constants{}
		}
		if err == nil {
			err = all[t].take(v)
		}
	}
	for _, p := range plans {
		for _, source := range p.Sources() {
			c, _, err := p.Calibration(source)
			if err != nil {
				return nil, err
			}
			add(thing{kind: "source", name: source}, c.Input)
			for _, in := range c.Inputs {
				add(thing{kind: "input", name: source + "/" + in.Name}, in)
			}
			for _, ch := range c.Channels {
				add(thing{kind: "channel", name: ch.Name, lots: p.lotsOf(ch)}, ch)
			}
			for _, r := range c.Rosettes {
				add(thing{kind: "rosette", name: r.Name}, r)
			}
			for _, t := range c.Temperatures {
				add(thing{kind: "temperature", name: t.Name}, t)
			}
			for _, a := range c.Auxiliary {
				add(thing{kind: "auxiliary quantity", name: a.Name}, a)
			}
		}
		add(thing{kind: "group", name: p.Name}, map[string]string{"strain is read against": p.Load()})
	}
	return all, err
}

// lotsOf names the lots of a channel's gauges.
func (p *Plan) lotsOf(c channelCalibration) string {
	var lots []string
	for _, w := range c.Wires {
		_, name, _ := strings.Cut(w.Input, "|")
		gauge, _ := p.test.Gauges.Get(name)
		if lot := gauge.Lot.Text; lot != "" && !slices.Contains(lots, lot) {
			lots = append(lots, lot)
		}
	}
	return strings.Join(lots, ", ")
}

// take adds the constants of v, by its JSON.
func (c constants) take(v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var tree any
	if err := d.Decode(&tree); err != nil {
		return err
	}
	c.flatten("", tree)
	return nil
}

// flatten goes down to values, and to lists of them. Wires and predictions are
// found by what they are of, not by their place in a list.
func (c constants) flatten(path string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for key, inside := range v {
			c.flatten(strings.TrimPrefix(path+"."+key, "."), inside)
		}
	case []any:
		for _, inside := range v {
			of, isObject := inside.(map[string]any)
			if !isObject {
				c[path] = listed(path, v)
				return
			}
			for _, key := range []string{"input_and_gauge", "step"} {
				if name, ok := of[key].(string); ok {
					path := path + "<" + name + ">"
					for i := 2; c[path+".to_ns"] != ""; i++ { // a wire may come back to its input
						path = fmt.Sprintf("%s %d", path, i)
					}
					c.flatten(path, inside)
				}
			}
		}
	case nil:
	default:
		c[path] = fmt.Sprint(v)
	}
}

// listed is a list for people: points in pairs, angles in degrees.
func listed(path string, list []any) string {
	var parts []string
	for i, v := range list {
		text := fmt.Sprint(v)
		switch path {
		case "points": // raw and value by turns
			if i%2 == 1 {
				parts[len(parts)-1] += " is " + text
				continue
			}
		case "angles_rad":
			if rad, err := strconv.ParseFloat(text, 64); err == nil {
				text = strconv.FormatFloat(rad*180/math.Pi, 'g', 10, 64) // 10 digits: the last ones are of the conversion
			}
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}

// both lists the keys of two maps, in order.
func both[K comparable, V any](a, b map[K]V) []K {
	all := maps.Clone(a)
	maps.Copy(all, b)
	return slices.SortedFunc(maps.Keys(all), func(x, y K) int {
		return strings.Compare(fmt.Sprint(x), fmt.Sprint(y))
	})
}

// wired names a wire by its input and gauge.
func wired(key string) string {
	input, gauge, _ := strings.Cut(key, "|")
	return input + ", gauge " + gauge
}

func stated(text string) string {
	if text == "" {
		return "not stated"
	}
	return text
}

// What became of a thing as a whole.
const (
	isNew  = "new"
	isGone = "gone"
)

// differences joins what is said of several things alike.
type differences struct {
	order []difference
	names map[difference][]string
}

type difference struct{ kind, lots, what string }

func (d *differences) add(t thing, what string) {
	if d.names == nil {
		d.names = map[difference][]string{}
	}
	key := difference{t.kind, t.lots, what}
	if d.names[key] == nil {
		d.order = append(d.order, key)
	}
	d.names[key] = append(d.names[key], t.name)
}

// namedInLine is how many things a line names before it counts them.
const namedInLine = 3

func (d *differences) lines() []string {
	var lines []string
	for _, key := range d.order {
		names := d.names[key]
		which, was := key.kind+" "+names[0], "was"
		if n := len(names); n > 1 {
			which, was = fmt.Sprintf("%d %ss (%s", n, key.kind, strings.Join(names[:min(n, namedInLine)], ", ")), "were"
			if n > namedInLine {
				which += ", …"
			}
			which += ")"
		}
		of := ""
		if key.lots != "" {
			of = " of lot " + key.lots
		}
		switch {
		case key.what == isNew:
			lines = append(lines, which+of+" "+was+" added")
		case key.what == isGone:
			lines = append(lines, which+of+" "+was+" removed")
		case key.lots != "":
			lines = append(lines, "lot "+key.lots+": "+key.what+": "+which)
		default:
			lines = append(lines, key.what+": "+which)
		}
	}
	return lines
}

// named are the paths that do not read well word by word.
var named = map[string]string{
	"Layout.Name":                 "layout",
	"Leads.Ohm20":                 "lead wire, ohm at 20 degC",
	"Leads.Tempco":                "lead wire, temperature coefficient, 1/K",
	"Excitation.Ohm20":            "excitation wire, ohm at 20 degC",
	"Excitation.Tempco":           "excitation wire, temperature coefficient, 1/K",
	"clock_ahead_s":               "how far its clock is ahead, s",
	"Output.Coefficients":         "thermal output, strain by rising powers of degC",
	"Output.ReferenceGaugeFactor": "gauge factor that the thermal output was measured with",
	"Output.MaterialExpansion":    "expansion of the material that the thermal output was measured on, 1/K",
	"angles_rad":                  "angles of the grids in degrees",
	"points":                      "points (reading is value)",
	"r0_ohm":                      "resistance at 0 degC in ohm",
	"zero.first_s":                "zero of the test file, its first seconds",
	"zero_sensitivity_capacity":   "zero reading, sensitivity, capacity",
}

// followed are paths of what another path says: the roles of a layout's arms and its
// wires follow from its name.
func followed(path string) bool {
	return strings.HasSuffix(path, ".Layout.Arms") || strings.HasSuffix(path, ".Layout.Leads")
}

// ofGauge says whether a path is of the gauges of a channel, and so of their lot: a
// zero, a temperature or a wire is not.
func ofGauge(path string) bool {
	for _, of := range []string{".Resistance", ".GaugeFactor.", ".Transverse", ".CalibrationPoisson", ".Output."} {
		if strings.Contains(path, of) {
			return true
		}
	}
	return false
}

// words makes a path readable: "wires<…>.constants.GaugeFactor.Value" is "gauge
// factor". Which wire or step it is of stays where the constants do not say.
func words(path string) string {
	of := ""
	if from, to := strings.IndexByte(path, '<'), strings.LastIndexByte(path, '>'); from >= 0 && to > from {
		of, path = " of "+path[from+1:to], path[:from]+path[to+1:]
	}
	path, isConstant := strings.CutPrefix(path, "wires.constants.")
	path, isLimit := strings.CutPrefix(path, "wires.judged_by.")
	if isConstant || isLimit {
		of = ""
	}
	if isLimit {
		path = "limit of " + path
	}
	path = strings.TrimPrefix(strings.TrimSuffix(path, ".Value"), "wires.")
	if name := named[path]; name != "" {
		return name + of
	}
	var b strings.Builder
	lower := false
	for _, r := range path {
		switch {
		case r == '.' || r == '_':
			b.WriteByte(' ')
		case unicode.IsUpper(r) && lower:
			b.WriteByte(' ')
			b.WriteRune(unicode.ToLower(r))
		default:
			b.WriteRune(unicode.ToLower(r))
		}
		lower = unicode.IsLower(r)
	}
	return b.String() + of
}
