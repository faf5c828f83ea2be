package drift

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Steps and ramps among normal deviations are dated within a few hours of when
// they begin, whatever the record does later.
func TestChangePoint(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct {
		name  string
		moves func(since float64) float64 // m/m
	}{
		{"a step", func(float64) float64 { return 20e-6 }},
		{"a ramp", func(since float64) float64 { return 1e-6 * since }},
		{"a ramp that turns", func(since float64) float64 { return 40e-6 * math.Sin(since/60) }},
		{"a ramp and a later step", func(since float64) float64 {
			if since > 80 {
				return 300e-6
			}
			return 1e-6 * since
		}},
	} {
		const began = 150
		var wrong int
		for range 200 {
			var at, y []float64
			for h := range 336 {
				x := 0.5e-6 * random.NormFloat64()
				if h > began {
					x += c.moves(float64(h - began))
				}
				at, y = append(at, float64(h)), append(y, x)
			}
			if got, ok := changePoint(at, y, leastSD, 40e-6); !ok || !(math.Abs(got.at-began) <= 6) {
				wrong++
			}
		}
		if wrong > 4 {
			t.Errorf("%s: %d of 200 are dated more than six hours off", c.name, wrong)
		}
	}
}

// Where nothing leaves its level, nothing is dated.
func TestChangePointOfNothing(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	for range 100 {
		var at, y []float64
		for h := range 336 {
			at, y = append(at, float64(h)), append(y, 0.5e-6*random.NormFloat64())
		}
		if got, ok := changePoint(at, y, leastSD, 0); ok {
			t.Fatalf("noise is dated at hour %g", got.at)
		}
	}
	if _, ok := changePoint(nil, nil, leastSD, 0); ok {
		t.Error("of nothing")
	}
}
