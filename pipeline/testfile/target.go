package testfile

import (
	"fmt"
	"slices"
	"strings"
)

// loadKinds are units of what an article is loaded by, those of one kind together:
// forces, masses that hang on it, moments, accelerations; pressures are beside those
// of stress.
var loadKinds = []struct {
	what  string
	units []string
}{
	{"a force", []string{"N", "kN", "MN", "lbf", "kip"}},
	{"a mass", []string{"kg", "t"}},
	{"a moment", []string{"N m", "kN m", "Nm", "kNm"}},
	{"an acceleration", []string{"m/s2"}},
	{pressure, []string{"bar", "mbar"}},
}

const pressure = "a pressure or stress"

// loadKind is what a unit is one of; "" when it is not known.
func loadKind(unit string) string {
	for _, k := range loadKinds {
		if slices.Contains(k.units, unit) {
			return k.what
		}
	}
	switch d, known := whose(unit); {
	case !known:
		return ""
	case d.base == "Pa":
		return pressure
	default:
		return d.what
	}
}

// CheckTarget says what is wrong with what a step is loaded to, which is a number
// with its unit: one that an auxiliary quantity of the test is in, another of the
// same kind, or %, of whatever is full load. Where the test has no such quantity any
// known unit will do. "" is a step without a target.
func (t *Test) CheckTarget(text string) error {
	if text == "" {
		return nil
	}
	digits, ten, rest, wrong := parseNumber(foldText(text), nil)
	_, finite := unit{factor: 1}.apply(digits, ten)
	unit := foldUnit(strings.TrimSpace(rest))
	own := t.auxiliaryUnits()
	example := "250 kN"
	if len(own) > 0 {
		example = "250 " + own[0]
	}
	kind := loadKind(unit)
	switch {
	case wrong != nil || !finite || unit == "":
		return fmt.Errorf("the target %q is no number with its unit; write for example %q", text, example)
	case unit == "%" || kind != "" && len(own) == 0:
		return nil
	case slices.ContainsFunc(own, func(is string) bool { return Symbol(is) == unit || kind != "" && loadKind(Symbol(is)) == kind }):
		return nil
	case kind != "":
		return fmt.Errorf("the target %q is %s, and no load of the test file is one: they are in %s. Write for example %q", text, kind, strings.Join(own, ", "), example)
	}
	names := "the test file has none of its own"
	if len(own) > 0 {
		names = "those of the test file are " + strings.Join(own, ", ")
	}
	return fmt.Errorf("the unit %q of the target %q is not known; %s. Write for example %q", unit, text, names, example)
}

// auxiliaryUnits are the units of the auxiliary quantities, that of the load first.
func (t *Test) auxiliaryUnits() (units []string) {
	if load, ok := t.Auxiliary.Get(t.About.Load.Text); ok {
		units = append(units, load.Unit.Text)
	}
	for _, a := range t.Auxiliary.Entries {
		if unit := a.Value.Unit.Text; !slices.Contains(units, unit) {
			units = append(units, unit)
		}
	}
	return units
}
