package event

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ohms are the units of an insulation reading.
var ohms = []struct {
	unit string
	ohm  float64
}{{"Tohm", 1e12}, {"Gohm", 1e9}, {"Mohm", 1e6}, {"kohm", 1e3}, {"ohm", 1}}

// ParseInsulation reads an insulation reading, "2000 Mohm", in ohm. "> 20 Gohm"
// is one beyond the range of the instrument: at least so much.
func ParseInsulation(text string) (ohm float64, beyond bool, err error) {
	rest, beyond := strings.CutPrefix(strings.TrimSpace(text), ">")
	rest = strings.NewReplacer("\u2126", "ohm", "\u03a9", "ohm").Replace(rest)
	for _, u := range ohms {
		number, ok := strings.CutSuffix(rest, u.unit)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if err != nil || !(v >= 0) || math.IsInf(v*u.ohm, 0) {
			break
		}
		return v * u.ohm, beyond, nil
	}
	return 0, false, fmt.Errorf("insulation of %q; write a number with its unit, for example \"2000 Mohm\", or \"> 20 Gohm\" beyond the instrument's range", text)
}
