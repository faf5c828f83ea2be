package channel

import (
	"fmt"

	"glueline/compensate"
	"glueline/pipeline/testfile"
	"glueline/reduce"
)

// standard values where a test file states none.
const (
	gaugeFactorTemperature = 24    // degC, common practice, no source
	calibrationPoisson     = 0.285 // of a steel calibration beam, common practice, no source
	referenceGaugeFactor   = 2.0   // of published thermal output, common practice, no source
)

// FromTest gathers the constants of a channel as one wire of the wiring map
// serves it.
func FromTest(t *testfile.Test, name string, wire *testfile.Wire) (Constants, error) {
	var c Constants
	ch, ok := t.Channels.Get(name)
	if !ok {
		return c, fmt.Errorf("no channel %q", name)
	}
	gauge, ok := t.Gauges.Get(wire.Gauge.Text)
	if !ok {
		return c, fmt.Errorf("channel %s: no gauge %q", name, wire.Gauge.Text)
	}
	lot, ok := t.Lots.Get(gauge.Lot.Text)
	if !ok {
		return c, fmt.Errorf("channel %s: no lot %q", name, gauge.Lot.Text)
	}
	if c.Layout, ok = reduce.LayoutByName(ch.Bridge.Text); !ok {
		return c, fmt.Errorf("channel %s: no bridge %q", name, ch.Bridge.Text)
	}
	position, ok := t.Positions.Get(wire.Position.Text)
	if !ok {
		return c, fmt.Errorf("channel %s: no position %q", name, wire.Position.Text)
	}
	material, ok := t.Material(position.Material.Text)
	if !ok {
		return c, fmt.Errorf("channel %s: no material %q", name, position.Material.Text)
	}

	c.Resistance = gauge.Resistance.Or(lot.Resistance.Value)
	c.Completion = ch.Completion.Or(lot.Resistance.Value)
	c.GaugeFactor = compensate.GaugeFactor{
		Value:     lot.GaugeFactor.Value,
		Reference: lot.GaugeFactorTemperature.Or(gaugeFactorTemperature),
		Slope:     lot.GaugeFactorSlope.Value,
	}
	c.Transverse = gauge.Kt.Or(lot.TransverseSensitivity.Value)
	c.CalibrationPoisson = lot.CalibrationPoisson.Or(calibrationPoisson)
	c.Young, c.Poisson = material.Young.Value, material.Poisson.Value
	c.Expansion, c.Yield = material.Expansion.Value, material.Yield.Value
	c.Output = thermalOutput(lot.ThermalOutput, c.Expansion)

	switch ch.Transverse.Text {
	case "none":
		c.Mode = Indicated
	case "ratio":
		c.Mode, c.StrainRatio = Ratio, ch.StrainRatio.Value
	}
	leads := ch.Leads
	if wire.Leads.Given {
		leads = wire.Leads
	}
	c.Leads = leadsOf(leads)
	if c.Layout.Full() && !ch.RemoteSense.Value {
		c.Excitation = leadsOf(ch.Excitation)
	}
	c.Polarity = 1
	if wire.Polarity.Text == "reversed" {
		c.Polarity = -1
	}
	c.Span = ch.Span.Or(1)
	if ch.Shunt.Given {
		location, ok := reduce.ParseShuntLocation(ch.Shunt.Location.Text)
		if !ok {
			return c, fmt.Errorf("channel %s: no shunt location %q", name, ch.Shunt.Location.Text)
		}
		c.Shunt = &Shunt{
			Location:   location,
			Resistor:   ch.Shunt.Resistor.Value,
			Calibrates: ch.Shunt.Before.Given && ch.Shunt.With.Given,
			Before:     ch.Shunt.Before.Value,
			With:       ch.Shunt.With.Value,
		}
	}
	return c, nil
}

func leadsOf(l testfile.Leads) Leads {
	leads := Leads{Tempco: l.Tempco.Or(compensate.CopperTempco)}
	switch {
	case l.Resistance.Given:
		leads.Ohm20 = l.Resistance.Value
	case l.Size.Given:
		leads.Ohm20 = compensate.WireResistance(l.Size.Value, l.Length.Value)
	}
	return leads
}

// thermalOutput converts the package's polynomial to strain over degC. Without
// one nothing is known of the lot's thermal output, and none is removed: then
// the material that it was made for is the specimen's own.
func thermalOutput(o testfile.ThermalOutput, specimenExpansion float64) compensate.ThermalOutput {
	if !o.Given {
		return compensate.ThermalOutput{ReferenceGaugeFactor: referenceGaugeFactor, MaterialExpansion: specimenExpansion}
	}
	coefficients := make([]float64, len(o.Coefficients))
	for i, c := range o.Coefficients {
		coefficients[i] = c.Value
		if o.In.Text != "strain" {
			coefficients[i] /= 1e6
		}
	}
	if o.Of.Text == "degF" {
		coefficients = compensate.FromFahrenheit(coefficients)
	}
	return compensate.ThermalOutput{
		Coefficients:         coefficients,
		ReferenceGaugeFactor: o.ReferenceGaugeFactor.Or(referenceGaugeFactor),
		MaterialExpansion:    o.MaterialExpansion.Or(specimenExpansion),
	}
}
