package compensate

import (
	"math"
	"testing"
)

func TestPt100AndBack(t *testing.T) {
	for _, r0 := range []float64{100, 1000, 99.93} {
		const steps = 21000
		for i := range steps + 1 {
			x := -200 + 1050*float64(i)/steps
			near(t, "temperature", Pt100Temperature(Pt100Resistance(x, r0), r0), x, 1e-11)
		}
	}
}

func TestPt100OutsideItsRange(t *testing.T) {
	for name, v := range map[string]float64{
		"resistance below":  Pt100Resistance(-200.01, 100),
		"resistance above":  Pt100Resistance(850.01, 100),
		"resistance of NaN": Pt100Resistance(nan, 100),
		"below":             Pt100Temperature(18.50, 100),
		"above":             Pt100Temperature(390.50, 100),
		"shorted":           Pt100Temperature(0, 100),
		"negative":          Pt100Temperature(-5, 100),
		"open":              Pt100Temperature(math.Inf(1), 100),
		"very high":         Pt100Temperature(1e6, 100),
		"very negative":     Pt100Temperature(-1e6, 100),
		"NaN":               Pt100Temperature(nan, 100),
		"no resistor":       Pt100Temperature(100, 0),
	} {
		if !math.IsNaN(v) {
			t.Errorf("%s: %g, want NaN", name, v)
		}
	}
}
