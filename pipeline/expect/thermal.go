package expect

import (
	"math"

	"glueline/compensate"
	"glueline/pipeline/channel"
)

// Thermal is the apparent strain that temperature alone makes in a channel, as
// it would be read without its correction: the gauge's thermal output in a
// quarter bridge, what is left of it in the others.
type Thermal struct {
	From, To  float64 // degC, temperatures considered; NaN when not stated
	Low, High float64 // m/m, least and greatest between them; NaN when not known
	Cancels   bool    // the arms of the bridge cancel whatever the gauges put out
}

const (
	thermalSteps = 1024 // over the range; an extremum between two is missed by a part in 1e5 or so
	roomC        = 20   // degC, of a zero that states none
)

// thermalOf searches the range for the extremes of a channel's apparent strain
// since its zero. known says that the lot states its thermal output.
func thermalOf(c channel.Constants, zero channel.Zero, from, to float64, known bool) (Thermal, error) {
	t := Thermal{From: from, To: to, Low: math.Inf(1), High: math.Inf(-1)}
	ch, err := channel.New(c, zero)
	if err != nil {
		return t, err
	}
	for i := range thermalSteps + 1 {
		apparent := apparentStrain(ch, from+(to-from)*float64(i)/thermalSteps)
		t.Low, t.High = math.Min(t.Low, apparent), math.Max(t.High, apparent)
	}
	// A gauge that puts out a microstrain for each kelvin shows whether the bridge
	// lets it through.
	c.Output = compensate.ThermalOutput{Coefficients: []float64{0, 1e-6}, ReferenceGaugeFactor: c.GaugeFactor.Value, MaterialExpansion: c.Expansion}
	probe, err := channel.New(c, zero)
	if err != nil {
		return t, err
	}
	t.Cancels = math.Abs(apparentStrain(probe, zero.Temperature+1)) < 1e-9
	if !known && !t.Cancels {
		t.Low, t.High = math.NaN(), math.NaN()
	}
	return t, nil
}

// apparentStrain is what an unloaded channel at a temperature in degC reads as
// when it is taken to be still at that of its zero.
func apparentStrain(ch *channel.Channel, at float64) float64 {
	z := ch.Zero
	return ch.Strain(ch.Ratio(0, at, z.LeadTemperature), z.Temperature, z.LeadTemperature)
}

// zeroTemperature is where thermal output counts from before a zero is taken:
// 20 degC where the range holds it, the middle of the range otherwise.
func zeroTemperature(from, to float64) float64 {
	if from > roomC || to < roomC {
		return (from + to) / 2
	}
	return roomC
}
