package testfile

import (
	"fmt"
	"slices"
	"strings"
)

// loadUnits are units of what an article is loaded by, beside those of the
// quantities of a test file: forces, masses that hang on it, moments, pressures.
var loadUnits = []string{"N", "kN", "MN", "lbf", "kip", "kg", "t", "N m", "kN m", "Nm", "kNm", "bar", "mbar", "m/s2"}

// CheckTarget says what is wrong with what a step is loaded to, which is a number
// with its unit: one that an auxiliary quantity of the test is in, or a known one.
// "" is a step without a target.
func (t *Test) CheckTarget(text string) error {
	if text == "" {
		return nil
	}
	_, _, rest, wrong := parseNumber(foldText(text), nil)
	unit := foldUnit(strings.TrimSpace(rest))
	own := t.auxiliaryUnits()
	example := "250 kN"
	if len(own) > 0 {
		example = "250 " + own[0]
	}
	switch {
	case wrong != nil || unit == "":
		return fmt.Errorf("the target %q is no number with its unit; write for example %q", text, example)
	case slices.ContainsFunc(own, func(is string) bool { return Symbol(is) == unit }), slices.Contains(loadUnits, unit):
		return nil
	}
	if _, known := whose(unit); known {
		return nil
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
