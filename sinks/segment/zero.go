package segment

import (
	"strings"

	"glueline/pipeline/flag"
)

// Zero is what a channel's strain and stress are counted from at the end of a
// segment, as the commit record names it.
type Zero struct {
	Channel         string  `json:"channel"`
	Kind            string  `json:"kind"`
	Name            string  `json:"name"`
	Who             string  `json:"who,omitempty"`
	Why             string  `json:"why,omitempty"`
	From            int64   `json:"from_ns"`
	To              int64   `json:"to_ns"`
	Readings        int     `json:"readings"` // 0: stated in the test file
	Ratio           float64 `json:"ratio_v_per_v"`
	Temperature     float64 `json:"temperature_degc"`
	LeadTemperature float64 `json:"lead_temperature_degc"`
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
