package testfile

import (
	"maps"
	"math"
	"slices"
	"strings"

	"golang.org/x/text/unicode/norm"
)

// unit turns a written number into the base unit of its dimension:
// (number · 10^ten - zero) · factor. The power of ten is kept apart because it
// can be applied to the digits as written, without a rounding of its own.
type unit struct {
	ten    int
	factor float64
	zero   float64 // what is written for 0 of the base unit; not for tolerances
}

// dimension is what a quantity is a quantity of.
type dimension struct {
	base    string // as in the unit tags and in Quantity.Unit
	what    string // for messages
	example string
	legal   string // range tag of values that state none of their own
	plain   bool   // numbers without a unit are right
	units   map[string]unit
}

// Exact by definition: the inch is 25.4 mm, the pound-force per square inch
// follows from the avoirdupois pound 0.45359237 kg and standard gravity
// 9.80665 m/s2 (NIST SP 811, appendix B); 0 degC is 273.15 K, 1 degF is 5/9 K.
const (
	inch        = 0.0254
	psi         = 0.45359237 * 9.80665 / (inch * inch)
	zeroCelsius = 273.15 // in kelvin
)

var dimensions = []dimension{
	{base: "ohm", what: "a resistance", example: "350 ohm", legal: ">0", units: prefixed("ohm", "pnumkMG", "")},
	{base: "V/V", what: "a bridge ratio", example: "2 mV/V", units: join(
		prefixed("V", "pnum", "/V"), prefixed("V", "pnum", "/V/count"), prefixed("V", "pnum", "/V per count"))},
	{base: "V", what: "a voltage", example: "5 V", units: join(
		prefixed("V", "pnumk", ""), prefixed("V", "pnum", "/count"), prefixed("V", "pnum", " per count"))},
	{base: "count", what: "a number of counts", example: "8388608 count", legal: ">0", units: map[string]unit{
		"count": {factor: 1}, "counts": {factor: 1}}},
	{base: "m/m", what: "a strain", example: "1500 um/m", units: join(
		prefixed("m", "num", "/m"), map[string]unit{
			"microstrain": {ten: -6, factor: 1}, "ustrain": {ten: -6, factor: 1},
			"strain": {factor: 1}, "%": {ten: -2, factor: 1}})},
	{base: "degC", what: "a temperature", example: "24 degC", legal: ">=-273.15", units: map[string]unit{
		"degC": {factor: 1}, "K": {factor: 1, zero: zeroCelsius},
		"degF": {factor: 5.0 / 9, zero: 32}}},
	{base: "s", what: "a duration", example: "30 s", legal: ">=0", units: join(
		prefixed("s", "num", ""), map[string]unit{
			"min": {factor: 60}, "h": {factor: 3600}, "d": {factor: 86400}})},
	{base: "m", what: "a length", example: "30 m", legal: ">0", units: join(
		prefixed("m", "numk", ""), map[string]unit{
			"cm": {ten: -2, factor: 1}, "in": {factor: inch}, "ft": {factor: 12 * inch}})},
	{base: "m2", what: "a cross-section", example: "0.14 mm2", legal: ">0", units: map[string]unit{
		"m2": {factor: 1}, "cm2": {ten: -4, factor: 1}, "mm2": {ten: -6, factor: 1}, "um2": {ten: -12, factor: 1}}},
	{base: "Pa", what: "a stress", example: "205 GPa", legal: ">0", units: join(
		prefixed("Pa", "kMG", ""), map[string]unit{
			"N/mm2": {ten: 6, factor: 1}, "psi": {factor: psi}, "ksi": {ten: 3, factor: psi}})},
	{base: "Hz", what: "a frequency", example: "10 Hz", legal: ">0", units: join(
		prefixed("Hz", "umkM", ""), map[string]unit{"/s": {factor: 1}, "1/s": {factor: 1}})},
	{base: "1", what: "a plain number or a percentage", example: "2.08", plain: true, units: map[string]unit{
		"": {factor: 1}, "%": {ten: -2, factor: 1}}},
	{base: "bare", what: "a plain number", example: "12.5", plain: true, units: map[string]unit{"": {factor: 1}}},
	{base: "1/K", what: "a coefficient per kelvin", example: "10.8e-6 /K", units: perKelvin()},
	{base: "K/s", what: "a rate of temperature", example: "2 degC/min", legal: ">0", units: rates()},
	{base: "rad", what: "an angle", example: "45 deg", units: map[string]unit{
		"rad": {factor: 1}, "mrad": {ten: -3, factor: 1}, "deg": {factor: math.Pi / 180}}},
}

var powers = map[rune]int{'p': -12, 'n': -9, 'u': -6, 'm': -3, 'k': 3, 'M': 6, 'G': 9}

// prefixed lists a symbol plainly and with each of the SI prefixes.
func prefixed(symbol, prefixes, suffix string) map[string]unit {
	units := map[string]unit{symbol + suffix: {factor: 1}}
	for _, p := range prefixes {
		units[string(p)+symbol+suffix] = unit{ten: powers[p], factor: 1}
	}
	return units
}

func join(parts ...map[string]unit) map[string]unit {
	all := map[string]unit{}
	for _, p := range parts {
		maps.Copy(all, p)
	}
	return all
}

var kelvins = map[string]float64{"K": 1, "degC": 1, "degF": 5.0 / 9}

func perKelvin() map[string]unit {
	units := map[string]unit{}
	for symbol, kelvin := range kelvins {
		for numerator, ten := range map[string]int{"": 0, "1": 0, "%": -2, "ppm": -6, "um/m": -6, "microstrain": -6} {
			units[numerator+"/"+symbol] = unit{ten: ten, factor: 1 / kelvin}
			units[numerator+"/100 "+symbol] = unit{ten: ten - 2, factor: 1 / kelvin}
		}
	}
	return units
}

func rates() map[string]unit {
	units := map[string]unit{}
	for symbol, kelvin := range kelvins {
		for time, seconds := range map[string]float64{"s": 1, "min": 60, "h": 3600} {
			units[symbol+"/"+time] = unit{factor: kelvin / seconds}
		}
	}
	return units
}

var byBase = func() map[string]*dimension {
	index := map[string]*dimension{}
	for i := range dimensions {
		index[dimensions[i].base] = &dimensions[i]
	}
	return index
}()

// alternatives are the dimensions that a unit tag such as "V/V or V" allows.
func alternatives(tag string) []*dimension {
	var all []*dimension
	for base := range strings.SplitSeq(tag, " or ") {
		if d, ok := byBase[base]; ok {
			all = append(all, d)
		}
	}
	return all
}

// whose is the first dimension that has the unit, for messages.
func whose(symbol string) (*dimension, bool) {
	i := slices.IndexFunc(dimensions, func(d dimension) bool { _, ok := d.units[symbol]; return ok })
	if i < 0 {
		return nil, false
	}
	return &dimensions[i], true
}

var letters = strings.NewReplacer(
	"Ω", "ohm", "μ", "u", "°C", "degC", "°F", "degF", "°", "deg", "ε", "strain",
	"−", "-", "–", "-", "+/-", "±", "+-", "±",
)

// foldText brings the spellings of one unit together: compatibility forms
// (ohm sign, micro sign, ℃, superscripts, no-break spaces) by NFKC of Unicode
// Annex 15, then the Greek letters and signs that keyboards lack.
func foldText(s string) string {
	return strings.Join(strings.Fields(letters.Replace(norm.NFKC.String(s))), " ")
}

// Symbol is a unit as this package spells it, whatever letters it was written
// with: "degC" for "℃", "um/m" for "µm / m".
func Symbol(unit string) string { return foldUnit(foldText(unit)) }

// foldUnit drops the blanks round a stroke; "%/100degC" is "%/100 degC".
func foldUnit(s string) string {
	s = strings.ReplaceAll(strings.ReplaceAll(s, " /", "/"), "/ ", "/")
	if before, after, ok := strings.Cut(s, "/100"); ok && after != "" && after[0] != ' ' {
		s = before + "/100 " + after
	}
	return s
}
