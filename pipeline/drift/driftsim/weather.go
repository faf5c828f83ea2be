package driftsim

import "math"

// weather is what a minute is like.
type weather struct{ air, metal, cable, humidity float64 }

// makeWeather draws two weeks: days that differ, sun, and a dew point that moves
// slowly, so that humidity falls when the day warms.
func makeWeather(d draws, exposed func(minute int) float64) []weather {
	base, swing := 8+14*d.Float64(), d.in(3, 7)
	sun, lag := d.in(2, 8), d.in(40, 150)
	slow, dew, cloud := newColoured(2.5, 2500, d), newColoured(2.5, 3000, d), newColoured(0.35, 500, d)
	indoors := 17 + 6*d.Float64()
	dewBase := base - 6 + 3*d.NormFloat64()
	var all []weather
	metal := base
	for m := range Minutes {
		day := 2 * math.Pi * float64(m) / 1440
		light := max(0, -math.Cos(day)) * max(0.1, min(1.2, 0.7+cloud.next(d)))
		air := base + slow.next(d) - swing*math.Cos(day-0.7)*0.9 + 0.3*swing*light
		if m == 0 {
			metal = air
		}
		metal += (air + 0.5*sun*light - metal) / lag
		w := weather{air: air, metal: metal, cable: indoors + exposed(m)*(air+sun*light-indoors)}
		w.humidity = max(15, min(100, 100*math.Exp(0.065*(dewBase+dew.next(d)-air))))
		all = append(all, w)
	}
	return all
}
