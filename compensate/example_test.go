package compensate_test

import (
	"fmt"

	"glueline/compensate"
)

// A package states its curve in microstrain over degF; the specimen is an
// aluminium alloy while the curve was measured on steel.
func ExampleThermal_Resistance() {
	curve := compensate.FromFahrenheit([]float64{-45, 0.86, -0.0033, 2.1e-6})
	for i := range curve {
		curve[i] *= 1e-6
	}
	thermal := compensate.Thermal{
		Output:             compensate.ThermalOutput{Coefficients: curve, ReferenceGaugeFactor: 2, MaterialExpansion: 12e-6},
		GaugeFactor:        compensate.GaugeFactor{Value: 2.08, Reference: 24},
		CalibrationPoisson: 0.285,
		SpecimenExpansion:  23.6e-6,
		Zero:               20,
	}
	for _, t := range []float64{20, 25, 30} {
		fmt.Printf("%g degC: %.1f microstrain\n", t, thermal.Resistance(t)/2.08*1e6)
	}
	// Output:
	// 20 degC: 0.0 microstrain
	// 25 degC: 61.6 microstrain
	// 30 degC: 122.7 microstrain
}

// 30 m of AWG 26 on a cold morning.
func ExampleWireResistance() {
	cold := compensate.WireResistance(compensate.AWGArea(26), 30)
	fmt.Printf("%.3f ohm a wire\n", compensate.LeadResistance(cold, compensate.CopperTempco, -15))
	// Output: 3.465 ohm a wire
}

// The reference junction is warm: its voltage is added, not its temperature.
func ExampleThermocouple_Temperature() {
	fmt.Printf("%.2f degC\n", compensate.TypeT.Temperature(1.5, 22.5))
	// Output: 58.22 degC
}
