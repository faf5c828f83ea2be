package event

import (
	"strings"
	"testing"
)

func TestParseInsulation(t *testing.T) {
	for _, c := range []struct {
		text   string
		ohm    float64
		beyond bool
	}{
		{"2000 Mohm", 2e9, false}, {"5Gohm", 5e9, false}, {"> 20 Gohm", 20e9, true}, {" >1.5 Tohm", 1.5e12, true},
		{"350 kohm", 350e3, false}, {"12 ohm", 12, false}, {"0 ohm", 0, false}, {"500 M\u03a9", 500e6, false}, {"2 G\u2126", 2e9, false},
	} {
		ohm, beyond, err := ParseInsulation(c.text)
		if err != nil || ohm != c.ohm || beyond != c.beyond {
			t.Errorf("%q: %v %v %v", c.text, ohm, beyond, err)
		}
	}
	for _, text := range []string{"", "2000", "Mohm", "2 mohm", "-1 Mohm", "NaN ohm", "Inf ohm", "1e300 Tohm", "2 Mohm dry", "two Mohm"} {
		if ohm, _, err := ParseInsulation(text); err == nil || !strings.Contains(err.Error(), "; write a number") {
			t.Errorf("%q: %v %v", text, ohm, err)
		}
	}
}

func FuzzParseInsulation(f *testing.F) {
	f.Add("> 20 Gohm")
	f.Fuzz(func(t *testing.T, text string) {
		if ohm, _, err := ParseInsulation(text); err == nil && !(ohm >= 0) {
			t.Errorf("%q is %v", text, ohm)
		}
	})
}
