package health

import (
	"math"
	"strconv"
)

// Evidence is what a channel's record holds for people to look at: what the
// verdict was drawn from, as far as the newest step. It stands in the state, not in
// the file.
type Evidence struct {
	Points      Points      `json:"points"`
	Zeros       []Note      `json:"zeros"` // each later zero (m/m) from the installation zero, which none of them resets
	Shunts      []Note      `json:"shunts"`
	Insulation  []Note      `json:"insulation"`
	Temperature Temperature `json:"temperature"`
	Learnt      Learnt      `json:"learnt"`
}

// Points are columns of one length, a row for each hour or more of the record, at
// most 512. What is not known is null.
type Points struct {
	Time        Column `json:"time"`        // seconds since 1970, in the middle of the row
	Span        Column `json:"span"`        // seconds from its first reading to its last
	Rest        Column `json:"rest_strain"` // m/m from the installation zero, at rest; where it never rests, less what the load explains
	Live        Column `json:"live_strain"` // m/m from the installation zero, of all readings
	Load        Column `json:"load"`        // in its own unit
	Slope       Column `json:"slope"`       // m/m a unit of load
	SlopeError  Column `json:"slope_error"`
	Noise       Column `json:"noise_strain"` // m/m
	Temperature Column `json:"temperature_celsius"`
	Humidity    Column `json:"humidity_percent"`
}

// Temperature says how far the zero at rest follows the gauge's own temperature.
type Temperature struct {
	Points      int      `json:"points"`
	PerKelvin   *float64 `json:"strain_per_kelvin"`
	Error       *float64 `json:"standard_error"`
	Correlation *float64 `json:"correlation"` // from -1 to 1
}

// Learnt is how the channel behaved when it began, against which it is watched;
// null before it is known.
type Learnt struct {
	Zero      *float64 `json:"zero_strain"` // m/m at 0 degC
	PerKelvin *float64 `json:"zero_strain_per_kelvin"`
	SD        *float64 `json:"zero_sd_strain"` // of an hour
	Slope     *float64 `json:"slope"`
	Noise     *float64 `json:"noise_strain"`
}

// Column is a column of numbers; NaN is written as null, and so is what is
// infinite.
type Column []float64

// MarshalJSON writes seven digits, which is more than a screen shows, and numbers
// of a million and more, which are times, as they are.
func (c Column) MarshalJSON() ([]byte, error) {
	text := []byte{'['}
	for i, v := range c {
		if i > 0 {
			text = append(text, ',')
		}
		switch {
		case v-v != 0:
			text = append(text, "null"...)
		case math.Abs(v) >= 1e6:
			text = strconv.AppendFloat(text, v, 'f', -1, 64)
		default:
			text = strconv.AppendFloat(text, v, 'g', 7, 64)
		}
	}
	return append(text, ']'), nil
}
