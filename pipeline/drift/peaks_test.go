package drift

import (
	"math"
	"math/rand/v2"
	"testing"
)

// By hand: with 0 0 0 . 4 4 the entry that a step lies in is left out, so that the
// whole of it is seen there, and half of it one entry off.
func TestStepsAt(t *testing.T) {
	got := stepsAt([]float64{0, 0, 0, 2, 4, 4, 4})
	for i, want := range []float64{0, 0, 3, 4, 3, 0, 0} {
		if got[i] != want {
			t.Errorf("entry %d: %g, by hand %g", i, got[i], want)
		}
	}
	if typical([]float64{-3, 1, 2}) != 2 || median([]float64{3, -1, 2}) != 2 || typical(nil) != 0 || median(nil) != 0 {
		t.Error("the middle of three")
	}
}

// A step is seen at the maximum where it happened, and at no other; a small one, one
// among steps as large, and noise are none.
func TestStepNear(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 22))
	noise := func(sd float64) (at, y []float64) {
		for h := range 200 {
			at, y = append(at, float64(h)), append(y, sd*random.NormFloat64())
		}
		return at, y
	}
	at, y := noise(0.5e-6)
	for i := 100; i < len(y); i++ {
		y[i] += 20e-6
	}
	if got := stepNear(at, y, 100, leastStep); !(math.Abs(got-20e-6) < 2e-6) {
		t.Errorf("a step of 20 microstrain is seen as %.1f", got*micro)
	}
	for _, t0 := range []float64{60, 94, 106, 150, 500} {
		if got := stepNear(at, y, t0, leastStep); got != 0 {
			t.Errorf("hour %g: %.1f microstrain, and it stepped at hour 100", t0, got*micro)
		}
	}
	at, y = noise(0.2e-6)
	for i := 100; i < len(y); i++ {
		y[i] += 2e-6
	}
	if got := stepNear(at, y, 100, leastStep); got != 0 {
		t.Errorf("a step of 2 microstrain is seen as %.1f", got*micro)
	}
	at, y = noise(0)
	for i := range y { // up and down by 20 microstrain every five hours
		y[i] += 20e-6 * float64(i/5%2)
	}
	if got := stepNear(at, y, 100, leastStep); got != 0 {
		t.Errorf("one step among many as large is seen as %.1f", got*micro)
	}
}
