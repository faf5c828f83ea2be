package segment

import (
	"math"
	"strings"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
)

// Zero is what a channel's strain and stress are counted from, as the commit
// record names it, and how it stands at the end of the cut.
type Zero struct {
	Channel         string   `json:"channel"`
	Kind            string   `json:"kind"`
	Name            string   `json:"name"`
	Who             string   `json:"who,omitempty"`
	Why             string   `json:"why,omitempty"`
	Standing        string   `json:"standing"`          // in force, replaced, …: group.Standing
	From            int64    `json:"from_ns,omitempty"` // of its window; none when a value was stated
	To              int64    `json:"to_ns,omitempty"`
	Until           int64    `json:"until_ns,omitempty"` // when another took its place
	Readings        int      `json:"readings"`           // 0: stated in the test file, or none was good
	Ratio           *float64 `json:"ratio_v_per_v"`      // null where there is none
	Temperature     *float64 `json:"temperature_degc"`   // null where it is not known
	LeadTemperature *float64 `json:"lead_temperature_degc"`
	Spread          *float64 `json:"spread"`                 // standard deviation of its readings, m/m
	Load            *float64 `json:"load,omitempty"`         // mean over its window, in the unit of the load; left out where it was not read
	Carried         []string `json:"carried_over,omitempty"` // events of work that it was carried over since: the ratio is not that of its readings
}

// zeroOf is a zero of the reduction as the record has it.
func zeroOf(z group.ZeroInForce) Zero {
	known := func(v float64) *float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		return &v
	}
	out := Zero{
		Channel: z.Channel, Kind: z.Record.Kind, Name: z.Record.Name, Who: z.Record.Who, Why: z.Record.Why,
		Standing: string(z.Standing), From: z.Record.From, To: z.Record.To, Until: z.Until, Readings: z.Record.Raw.N,
		Ratio: known(z.Zero.Ratio), Temperature: known(z.Zero.Temperature), LeadTemperature: known(z.Zero.LeadTemperature),
		Spread: known(z.Noise), Carried: z.Carried,
	}
	if z.Record.Load.N > 0 {
		out.Load = known(z.Record.Load.Mean)
	}
	if out.From == math.MinInt64 { // a value that the test file states has no window
		out.From, out.To = 0, 0
	}
	return out
}

// OfGroup is the zero as the reduction had it, as far as the record tells.
func (z Zero) OfGroup() group.ZeroInForce {
	known := func(v *float64) float64 {
		if v == nil {
			return math.NaN()
		}
		return *v
	}
	out := group.ZeroInForce{
		Channel: z.Channel, Standing: group.Standing(z.Standing), Until: z.Until, Noise: known(z.Spread),
		Record: group.ZeroRecord{Kind: z.Kind, Name: z.Name, Who: z.Who, Why: z.Why, From: z.From, To: z.To, Raw: group.Mean{N: z.Readings}},
	}
	out.Zero.Ratio, out.Zero.Temperature, out.Zero.LeadTemperature = known(z.Ratio), known(z.Temperature), known(z.LeadTemperature)
	if z.From == 0 && z.To == 0 {
		out.Record.From, out.Record.To = math.MinInt64, math.MinInt64
	}
	return out
}

// flagLegend names the bits of the flag columns, lowest first, so that a file
// explains itself.
func flagLegend() string {
	var names []string
	for _, f := range flag.All() {
		names = append(names, f.Name)
	}
	return strings.Join(names, ",")
}
