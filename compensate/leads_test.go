package compensate

import (
	"math"
	"testing"
)

func TestWires(t *testing.T) {
	// By definition of the gauge numbers (ASTM B258): AWG 36 is 0.005 in, AWG
	// 0000 is 0.46 in; 39 steps between.
	near(t, "AWG 36", AWGDiameter(36), 0.005*0.0254, 1e-19)
	near(t, "AWG 0000", AWGDiameter(-3), 0.46*0.0254, 1e-15)
	// 58 m of 1 mm2 have 1 ohm (IEC 60028).
	near(t, "copper", WireResistance(1e-6, 58), 1, 1e-15)
	near(t, "at 20 degC", LeadResistance(2, CopperTempco, 20), 2, 0)
	if !math.IsInf(WireResistance(0, 1), 1) || !math.IsNaN(LeadResistance(nan, CopperTempco, 20)) {
		t.Error("no wire, or an unknown one, has a resistance")
	}
}
