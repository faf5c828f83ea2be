package thermalfit

import (
	"errors"
	"math"
	"testing"

	"glueline/compensate"
	"glueline/pipeline/channel"
	"glueline/reduce"
)

func quarter(t *testing.T, layout string, output compensate.ThermalOutput, zero channel.Zero) *channel.Channel {
	t.Helper()
	l, ok := reduce.LayoutByName(layout)
	if !ok {
		t.Fatal(layout)
	}
	ch, err := channel.New(channel.Constants{
		Layout: l, Resistance: 350, GaugeFactor: compensate.GaugeFactor{Value: 2.08, Reference: 24, Slope: 9e-5},
		Transverse: 0.008, CalibrationPoisson: 0.285, Output: output, Poisson: 0.29, Expansion: 11.7e-6,
		Leads: channel.Leads{Ohm20: 1.2, Tempco: 0.00393},
	}, zero)
	if err != nil {
		t.Fatal(err)
	}
	return ch
}

// The reduction may take out what it likes: what the gauge did is the same. The
// reading is that of a gauge with another thermal output than the reduction
// knows.
func TestChangeIsOfTheGaugeAlone(t *testing.T) {
	zero := channel.Zero{Ratio: 1e-4, Temperature: 19, LeadTemperature: 17}
	truth := compensate.ThermalOutput{Coefficients: curve, ReferenceGaugeFactor: 2, MaterialExpansion: 10e-6}
	real := quarter(t, "quarter_3wire", truth, zero)
	for _, taken := range []compensate.ThermalOutput{
		{ReferenceGaugeFactor: 2, MaterialExpansion: 11.7e-6}, // none
		truth,
		{Coefficients: []float64{0, 4e-6, 1e-8}, ReferenceGaugeFactor: 2.1, MaterialExpansion: 23e-6},
	} {
		ch := quarter(t, "quarter_3wire", taken, zero)
		for _, temperature := range []float64{-12, 19, 24, 55} {
			ratio := real.Ratio(0, temperature, 30)
			u := ch.Strain(ratio, temperature, 30)
			got, err := Change(ch, u, temperature)
			if err != nil {
				t.Fatal(err)
			}
			want := real.State(temperature, 0).Thermal
			if !(math.Abs(got-want) < 1e-14) {
				t.Errorf("%g degC: %.6g, want %.6g", temperature, got, want)
			}
		}
	}
	if got, err := Change(real, math.NaN(), 20); err != nil || !math.IsNaN(got) {
		t.Errorf("of no strain %g, %v", got, err)
	}
	if _, err := Change(quarter(t, "half_bending", truth, zero), 0, 20); !errors.Is(err, ErrBridge) {
		t.Errorf("half bridge: %v", err)
	}
}
