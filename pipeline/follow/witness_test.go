package follow

import (
	"math"
	"testing"
)

// A witness gauge is none of the companions of a channel, and has them all.
func TestAWitnessIsNoCompanion(t *testing.T) {
	d := &Declared{Witnesses: map[string][]string{"A": {"W"}}}
	if !d.witness("W") || d.witness("A") || (&Declared{}).witness("W") {
		t.Error("who a witness is")
	}
	if got := medianOf([]float64{1, 2, 4}); got != 2 {
		t.Errorf("median %g", got)
	}
	if got := medianOf([]float64{1, 2}); got != 1.5 || !math.IsNaN(medianOf(nil)) {
		t.Errorf("median %g", got)
	}
}
