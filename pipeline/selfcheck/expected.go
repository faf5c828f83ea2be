package selfcheck

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// results are the quantities a kind computes, by the name that an expected
// value has in a case.
type results map[string]quantity

// quantity compares itself with what a case expects of it. want.fault takes
// what makes the comparison impossible.
type quantity interface {
	rows(name string, want *expected) []Row
}

// expected is one entry of a case's expected values.
type expected struct {
	value
	all      *inputs // the object around it, for tolerances that stand beside it
	relative float64 // for numbers without their own tolerance
	fault    *faults
}

// compare goes through everything a case expects, in its order. Every entry
// gives rows, or a fault that keeps the case from being run.
func compare(c Case, got results) ([]Row, error) {
	all := newInputs("expected", c.expected)
	relative := c.relative
	if all.has("rel_tol") {
		relative = all.notNegative("rel_tol")
	}
	var rows []Row
	for _, m := range c.expected.members {
		q, ok := got[m.key]
		if !ok {
			continue // a tolerance beside a list, or an unknown key: err below knows
		}
		all.used[m.key] = true
		rows = append(rows, q.rows(m.key, &expected{m.value, all, relative, all.fault})...)
	}
	if err := all.err(); err != nil {
		return nil, err
	}
	if len(rows) == 0 {
		return nil, errors.New("nothing is expected")
	}
	return rows, nil
}

// scalar is one number with its unit.
type scalar struct {
	x    float64
	unit string
}

func (s scalar) rows(name string, want *expected) []Row {
	value, tol := want.number(name, want.value, s.unit)
	return []Row{newRow(name, value, s.x, tol, s.unit)}
}

// list is several numbers of one unit.
type list struct {
	x    []float64
	unit string
}

func (l list) rows(name string, want *expected) []Row {
	if want.kind != isList {
		want.fault.add("expected.%s is %s, not a list", name, want.kind)
		return nil
	}
	var rows []Row
	for i, item := range want.items {
		entry := fmt.Sprintf("%s[%d]", name, i)
		value, tol := want.number(entry, item, l.unit)
		rows = append(rows, newRow(entry, value, at(l.x, i), tol, l.unit))
	}
	if len(want.items) == 0 || len(want.items) != len(l.x) {
		rows = append(rows, newRow(name+" length", float64(len(want.items)), float64(len(l.x)), 0, "1"))
	}
	return rows
}

func at(x []float64, i int) float64 {
	if i < len(x) {
		return x[i]
	}
	return math.NaN()
}

// axis is the direction of a line in degrees: the same modulo 180, and not
// defined where strain is alike in all directions, which is NaN here and no
// value but a note in a case.
type axis struct{ degrees float64 }

const axisUnit = "deg"

func (a axis) rows(name string, want *expected) []Row {
	v, _ := want.get("value")
	if _, noted := want.get("note"); v.kind == isNull && noted {
		want.object(name, want.value, axisUnit)
		row := Row{Quantity: name, Expected: math.NaN(), Got: a.degrees, Unit: axisUnit, Verdict: Fail}
		if math.IsNaN(a.degrees) {
			row.Verdict = Pass
		}
		return []Row{row}
	}
	value, tol := want.number(name, want.value, axisUnit)
	if tol >= 90 {
		want.fault.add("expected.%s.tol: every axis is within 90 degrees of every other", name)
	}
	row := newRow(name, value, a.degrees, tol, axisUnit)
	row.Verdict = verdict(math.Remainder(a.degrees-value, 180), 0, tol)
	return []Row{row}
}

// table is a list of objects with the same columns. When sorted, both sides are
// compared in the rising order of the first column, as the bins of a histogram.
type table struct {
	columns []column
	sorted  bool
}

// column has its tolerance from the case (under the key beside) or, without
// one, its own: counting makes no error worth a tolerance.
type column struct {
	key, unit string
	x         []float64
	tol       float64
	beside    string
}

func (t table) rows(name string, want *expected) []Row {
	if want.kind != isList {
		want.fault.add("expected.%s is %s, not a list", name, want.kind)
		return nil
	}
	entries := make([][]float64, len(want.items))
	for i, item := range want.items {
		in := want.fault.open(fmt.Sprintf("expected.%s[%d]", name, i), item)
		for _, c := range t.columns {
			entries[i] = append(entries[i], in.number(c.key))
		}
	}
	if t.sorted {
		slices.SortStableFunc(entries, slices.Compare[[]float64])
	}
	tols := make([]float64, len(t.columns))
	for k, c := range t.columns {
		if tols[k] = c.tol; c.beside != "" {
			tols[k] = want.all.notNegative(c.beside)
		}
	}
	var rows []Row
	for i, entry := range entries {
		for k, c := range t.columns {
			tol := tols[k]
			if want.relative > 0 {
				tol = want.relative * math.Abs(entry[k])
			}
			rows = append(rows, newRow(fmt.Sprintf("%s[%d].%s", name, i, c.key), entry[k], at(c.x, i), tol, c.unit))
		}
	}
	return append(rows, newRow(name+" length", float64(len(entries)), float64(len(t.columns[0].x)), 0, "1"))
}

// bare is a number that a case states bare, without a tolerance: counting is
// exact to the halves.
type bare struct{ x float64 }

const countTol = 1e-9

func (c bare) rows(name string, want *expected) []Row {
	if want.kind == isObject {
		return scalar{c.x, "1"}.rows(name, want)
	}
	value, err := want.value.number()
	if err != nil {
		want.fault.add("expected.%s %w", name, err)
	}
	return []Row{newRow(name, value, c.x, countTol, "1")}
}

// object opens {value, tol, unit, note} and checks the unit. The unit's text may
// go on after the unit itself, behind a comma or a space.
func (want *expected) object(name string, v value, unit string) *inputs {
	in := want.fault.open("expected."+name, v)
	for _, key := range []string{"value", "tol", "note"} {
		in.used[key] = true
	}
	if in.has("unit") {
		text := in.string("unit")
		if rest, ok := strings.CutPrefix(text, unit); !ok || rest != "" && rest[0] != ',' && rest[0] != ' ' {
			want.fault.add("expected.%s.unit is %q, the result is in %q", name, text, unit)
		}
	}
	return in
}

// number reads {value, tol, unit}, or a bare number where a relative tolerance
// is stated for those.
func (want *expected) number(name string, v value, unit string) (x, tol float64) {
	if v.kind == isNumber {
		x, err := v.number()
		switch {
		case err != nil:
			want.fault.add("expected.%s %w", name, err)
		case want.relative == 0:
			want.fault.add("expected.%s has no tolerance", name)
		}
		return x, want.relative * math.Abs(x)
	}
	in := want.object(name, v, unit)
	if v.kind != isObject {
		return math.NaN(), 0
	}
	x = in.number("value")
	if in.has("tol") || want.relative == 0 {
		return x, in.notNegative("tol")
	}
	return x, want.relative * math.Abs(x)
}

func newRow(name string, want, got, tol float64, unit string) Row {
	return Row{Quantity: name, Expected: want, Got: got, Tolerance: tol, Unit: unit, Verdict: verdict(got, want, tol)}
}

// verdict asks whether the difference is within the tolerance, so that
// anything that is not a number fails.
func verdict(got, want, tol float64) Verdict {
	if math.Abs(got-want) <= tol {
		return Pass
	}
	return Fail
}
