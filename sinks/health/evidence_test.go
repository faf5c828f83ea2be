package health

import (
	"encoding/json"
	"math"
	"testing"
)

// What is not known is null, and a time keeps its fractions of a second.
func TestColumn(t *testing.T) {
	for _, c := range []struct {
		column Column
		want   string
	}{
		{nil, "[]"},
		{Column{0, -1.5e-6, math.NaN(), math.Inf(1)}, "[0,-1.5e-06,null,null]"},
		{Column{1777939200.25}, "[1777939200.25]"},
		{Column{1.0 / 3, -2.5e6}, "[0.3333333,-2500000]"},
	} {
		text, err := json.Marshal(c.column)
		if err != nil || string(text) != c.want {
			t.Errorf("%v is written %s, want %s: %v", []float64(c.column), text, c.want, err)
		}
	}
}
