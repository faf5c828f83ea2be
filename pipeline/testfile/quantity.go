package testfile

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// number is a decimal number at the beginning of a text; nothing else counts
// as one: no hexadecimal, no underscores, no words.
var number = regexp.MustCompile(`^([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))(?:[eE]([+-]?[0-9]+))?`)

var (
	decimalComma = regexp.MustCompile(`^[+-]?[0-9]+,[0-9]`)
	strangeForm  = regexp.MustCompile(`^[+-]?(?:0[xXoObB][0-9a-fA-F]|[0-9]+_|\.?(?i:nan|inf))`)
	wireGauge    = regexp.MustCompile(`^AWG ?([0-9]{1,2}|[0-9]/0|0{2,4})$`)
)

// refusal is why a text is no quantity: what was found and what would be right.
type refusal struct{ found, want string }

// parseQuantity reads a number with a unit and perhaps a tolerance. The unit
// tag names the dimension, or several with " or " between them; the range tag
// the values that make sense, "" for those of the dimension.
//
// A tolerance in the quantity's own unit, or without one, is absolute; a
// tolerance in % of a quantity that is not itself in % is relative.
func parseQuantity(text, unitTag, rangeTag string) (Quantity, *refusal) {
	allowed := alternatives(unitTag)
	folded := foldText(text)
	value, tolerance, toleranced := strings.Cut(folded, "±")
	value, tolerance = strings.TrimSpace(value), strings.TrimSpace(tolerance)

	q := Quantity{Text: text, Given: true}
	var u unit
	var d *dimension
	var symbol string
	if area, ok := parseWireGauge(value); ok && contains(allowed, "m2") {
		d, u, q.Value = byBase["m2"], unit{factor: 1}, area
	} else {
		digits, ten, rest, ref := parseNumber(value, allowed)
		if ref != nil {
			return Quantity{}, ref
		}
		symbol = foldUnit(rest)
		if d, u, ref = findUnit(value, symbol, allowed); ref != nil {
			return Quantity{}, ref
		}
		var ok bool
		if q.Value, ok = u.apply(digits, ten); !ok {
			return Quantity{}, &refusal{quote(text) + ", too large a number", "a smaller one, " + example(allowed)}
		}
	}
	q.Unit = d.base
	if d.base == "bare" {
		q.Unit = "1"
	}
	if rangeTag == "" {
		rangeTag = d.legal
	}
	if !parseInterval(rangeTag).holds(q.Value) {
		return Quantity{}, &refusal{quote(text), "a value " + parseInterval(rangeTag).String() + baseName(d)}
	}
	if toleranced {
		var ref *refusal
		if q.Tolerance, ref = parseTolerance(tolerance, text, q.Value, symbol, d, u); ref != nil {
			return Quantity{}, ref
		}
	}
	return q, nil
}

func parseTolerance(text, whole string, value float64, symbol string, d *dimension, u unit) (float64, *refusal) {
	want := "the tolerance as a number, in the unit of the value or in %"
	if d.base == "degC" {
		want = `the tolerance in degC, for example "± 0.5 degC"`
	}
	wrong := &refusal{fmt.Sprintf("the tolerance %s in %s", quote(text), quote(whole)), want}
	digits, ten, rest, ref := parseNumber(text, nil)
	if ref != nil {
		return 0, wrong
	}
	rest = foldUnit(rest)
	if rest == "%" && symbol != "%" { // relative, which means nothing on a temperature scale
		percent, ok := unit{ten: -2, factor: 1}.apply(digits, ten)
		if !ok || percent < 0 || d.base == "degC" {
			return 0, wrong
		}
		return percent * math.Abs(value), nil
	}
	own := u
	if rest != "" {
		var ok bool
		if own, ok = d.units[rest]; !ok {
			return 0, wrong
		}
	}
	own.zero = 0 // a width is a difference
	width, ok := own.apply(digits, ten)
	if !ok || width < 0 {
		return 0, wrong
	}
	return width, nil
}

// parseNumber splits a text into digits, power of ten and what follows.
func parseNumber(s string, allowed []*dimension) (digits string, ten int, rest string, ref *refusal) {
	switch {
	case decimalComma.MatchString(s):
		return "", 0, "", &refusal{quote(s), "a decimal point instead of the comma, " + example(allowed)}
	case strangeForm.MatchString(s):
		return "", 0, "", &refusal{quote(s), "a decimal number, " + example(allowed)}
	}
	m := number.FindStringSubmatch(s)
	if m == nil {
		return "", 0, "", &refusal{quote(s), "a number, " + example(allowed)}
	}
	if m[2] != "" {
		var err error
		if ten, err = strconv.Atoi(m[2]); err != nil || ten > 9999 || ten < -9999 {
			return "", 0, "", &refusal{quote(s) + ", too large an exponent", "a smaller one, " + example(allowed)}
		}
	}
	return m[1], ten, strings.TrimSpace(s[len(m[0]):]), nil
}

func findUnit(text, symbol string, allowed []*dimension) (*dimension, unit, *refusal) {
	for _, d := range allowed {
		if u, ok := d.units[symbol]; ok {
			return d, u, nil
		}
	}
	if symbol == "" {
		return nil, unit{}, &refusal{text, "it with its unit, " + exampleOf(text, allowed)}
	}
	if len(allowed) == 1 && allowed[0].base == "bare" {
		return nil, unit{}, &refusal{quote(text), "a plain number without a unit, " + example(allowed)}
	}
	if other, ok := whose(symbol); ok {
		return nil, unit{}, &refusal{fmt.Sprintf("%s, %s", quote(text), other.what), kinds(allowed) + ", " + example(allowed)}
	}
	return nil, unit{}, &refusal{fmt.Sprintf("the unknown unit %s in %s", quote(symbol), quote(text)),
		kinds(allowed) + ", " + example(allowed)}
}

// apply converts digits · 10^ten; ok is false when the result is not finite.
func (u unit) apply(digits string, ten int) (float64, bool) {
	v, err := strconv.ParseFloat(digits+"e"+strconv.Itoa(ten+u.ten), 64)
	v = (v - u.zero) * u.factor
	return v, err == nil && !math.IsInf(v, 0) && !math.IsNaN(v)
}

// parseWireGauge returns the cross-section in m2 of American wire gauge n,
// whose diameter is 0.005 in · 92^((36-n)/39) (ASTM B258); 2/0 or 00 is n = -1.
func parseWireGauge(s string) (float64, bool) {
	m := wireGauge.FindStringSubmatch(s)
	if m == nil {
		return 0, false
	}
	var n int
	switch size := m[1]; {
	case strings.HasSuffix(size, "/0"):
		n = 1 - int(size[0]-'0')
	case len(size) > 1 && strings.Trim(size, "0") == "":
		n = 1 - len(size)
	default:
		n, _ = strconv.Atoi(size) // at most two digits
	}
	if n < -3 || n > 56 {
		return 0, false
	}
	diameter := 0.005 * inch * math.Pow(92, float64(36-n)/39)
	return math.Pi / 4 * diameter * diameter, true
}

func contains(all []*dimension, base string) bool {
	for _, d := range all {
		if d.base == base {
			return true
		}
	}
	return false
}

func kinds(allowed []*dimension) string {
	words := make([]string, len(allowed))
	for i, d := range allowed {
		words[i] = d.what
	}
	return strings.Join(words, " or ")
}

func example(allowed []*dimension) string {
	words := make([]string, len(allowed))
	for i, d := range allowed {
		words[i] = strconv.Quote(d.example)
	}
	return "for example " + strings.Join(words, " or ")
}

// exampleOf is example with a number that was written without a unit.
func exampleOf(bare string, allowed []*dimension) string {
	words := make([]string, len(allowed))
	for i, d := range allowed {
		words[i] = strconv.Quote(d.example)
		if _, symbol, ok := strings.Cut(d.example, " "); ok {
			words[i] = strconv.Quote(bare + " " + symbol)
		}
	}
	return "for example " + strings.Join(words, " or ")
}

func baseName(d *dimension) string {
	if d.plain {
		return ""
	}
	return " " + d.base
}

// interval is the set of values that make sense.
type interval struct {
	low, high         float64
	openLow, openHigh bool
}

// parseInterval reads a range tag: ">0", ">=0" or "(-1,0.5]".
func parseInterval(tag string) interval {
	all := interval{low: math.Inf(-1), high: math.Inf(1)}
	if bound, ok := strings.CutPrefix(tag, ">="); ok {
		all.low = mustFloat(bound)
	} else if bound, ok := strings.CutPrefix(tag, ">"); ok {
		all.low, all.openLow = mustFloat(bound), true
	} else if low, high, ok := strings.Cut(tag, ","); ok {
		all.openLow, all.openHigh = low[0] == '(', strings.HasSuffix(high, ")")
		all.low, all.high = mustFloat(low[1:]), mustFloat(high[:len(high)-1])
	}
	return all
}

// mustFloat reads a bound in a tag of ours; a wrong tag holds for no value, so
// that the first file read with it says so.
func mustFloat(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

func (i interval) holds(v float64) bool {
	low := v > i.low || !i.openLow && v == i.low
	high := v < i.high || !i.openHigh && v == i.high
	return low && high
}

func (i interval) String() string {
	word := map[bool]string{true: "above", false: "of at least"}[i.openLow]
	if math.IsInf(i.high, 1) {
		return fmt.Sprintf("%s %g", word, i.low)
	}
	end := map[bool]string{true: "below", false: "at most"}[i.openHigh]
	return fmt.Sprintf("%s %g and %s %g", word, i.low, end, i.high)
}
