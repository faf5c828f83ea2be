package expect

import (
	"math"

	"glueline/pipeline/channel"
)

// Thermal is the apparent strain that temperature alone makes in a channel, as
// it would be read without its correction: the gauge's thermal output in a
// quarter bridge, what is left of it in the others.
type Thermal struct {
	From, To  float64 // degC, temperatures considered; NaN when not stated
	Low, High float64 // m/m, least and greatest between them
}

const (
	thermalSteps = 1024 // over the range; an extremum between two is missed by a part in 1e5 or so
	roomC        = 20   // degC, of a zero that states none
)

// thermalOf searches the range for the extremes of a channel's apparent strain
// since its zero.
func thermalOf(ch *channel.Channel, from, to float64) Thermal {
	t := Thermal{from, to, math.Inf(1), math.Inf(-1)}
	z := ch.Zero
	for i := range thermalSteps + 1 {
		at := from + (to-from)*float64(i)/thermalSteps
		apparent := ch.Strain(ch.Ratio(0, at, z.LeadTemperature), z.Temperature, z.LeadTemperature)
		t.Low, t.High = math.Min(t.Low, apparent), math.Max(t.High, apparent)
	}
	return t
}

// zeroTemperature is where thermal output counts from before a zero is taken:
// 20 degC where the range holds it, the middle of the range otherwise.
func zeroTemperature(from, to float64) float64 {
	if from > roomC || to < roomC {
		return (from + to) / 2
	}
	return roomC
}
