package drift

import (
	"math"
	"testing"
)

// A zero that moves while nothing is loaded speaks for what goes on at rest, one
// that moves across loads only speaks against it. Two days of an hour's load in
// every three.
func TestWhatHappensAtRest(t *testing.T) {
	for _, c := range []struct {
		name    string
		resting bool
	}{{"moves at rest", true}, {"moves across loads", false}} {
		f := &findings{series: &series{}}
		law := make([]float64, 48)
		for h := range law {
			law[h] = 20e-6 * math.Log1p(float64(h)/4)
			f.at = append(f.at, float64(h))
			f.rested = append(f.rested, h%3 == 2)
			idle := 1.0
			if h%3 == 0 {
				idle = 0
			}
			f.idle = append(f.idle, idle)
			still := 0.0
			if h > 0 && c.resting {
				still = idle * (law[h] - law[h-1])
			}
			f.still = append(f.still, still)
			f.warming = append(f.warming, 0)
		}
		score, would := f.atRest(&explanation{effect: law})
		if would < 20e-6 || c.resting != (score > 0) {
			t.Errorf("%s: %.1f, of %.0f microstrain foretold", c.name, score, would*micro)
		}
	}
}
