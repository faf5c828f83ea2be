package simulate

import (
	"math"
	"time"
)

// A place is somewhere on the lock that has a temperature of its own.
type place int

const (
	air       place = iota
	topPlate        // dark upper skin in the sun
	midPlate        // skin that the water reaches when it is high
	lowPlate        // skin that is under water most of the time
	heelPost        //
	strap           // anchor strap on the coping
	balance         // balance beams
	pintle          // bush at the foot of the gate
	river           // the water
	loggerBox       // cold junctions
	places
)

// weatherStep is the time between two states of the weather; in between they
// are interpolated.
const weatherStep = 5 * time.Second

// weather holds the temperatures of all places and the water level.
type weather struct {
	start   time.Time
	degrees [places][]float64
	tide    schedule
	warmed  []Fault
}

// sunny is how clear each day is, over and over.
var sunny = []float64{1, 0.72, 0.85, 0.6}

// lag is how long a place takes to follow what heats and cools it.
var lag = [places]time.Duration{
	topPlate: 25 * time.Minute, midPlate: 20 * time.Minute, lowPlate: 15 * time.Minute,
	heelPost: 60 * time.Minute, strap: 40 * time.Minute, balance: 50 * time.Minute,
	pintle: 90 * time.Minute, loggerBox: 30 * time.Minute,
}

func newWeather(start time.Time, duration time.Duration, tide schedule) *weather {
	w := &weather{start: start, tide: tide}
	steps := int(duration/weatherStep) + 2
	for p := range w.degrees {
		w.degrees[p] = make([]float64, steps)
	}
	var now [places]float64
	for i := range steps {
		after := time.Duration(i) * weatherStep
		toward := equilibrium(start, after, tide.level(after))
		for p := range now {
			share := 1.0
			if i > 0 && lag[p] > 0 {
				share = 1 - math.Exp(-weatherStep.Seconds()/lag[p].Seconds())
			}
			now[p] += share * (toward[p] - now[p])
			w.degrees[p][i] = now[p]
		}
	}
	return w
}

// equilibrium returns the temperatures that the places tend to.
func equilibrium(start time.Time, after time.Duration, level float64) (t [places]float64) {
	at := start.Add(after).UTC()
	hour := float64(at.Hour()) + float64(at.Minute())/60 + float64(at.Second())/3600
	day := int(after/(24*time.Hour)) % len(sunny)

	outside := 13 + 6*math.Cos(2*math.Pi*(hour-15)/24)
	sun := 0.0
	if hour > 5 && hour < 20 {
		sun = sunny[day] * math.Pow(math.Sin(math.Pi*(hour-5)/15), 1.3)
	}
	water := 12 + 0.4*math.Sin(2*math.Pi*(hour-12)/24)
	wet := func(from, to, dry float64) float64 {
		covered := smooth((level - from) / (to - from))
		return covered*water + (1-covered)*dry
	}
	t[air] = outside
	t[topPlate] = outside + 30*sun
	t[midPlate] = wet(1.2, 2.4, outside+10*sun)
	t[lowPlate] = wet(0.1, 0.9, (outside+water)/2)
	t[heelPost] = outside + 6*sun
	t[strap] = outside + 10*sun
	t[balance] = outside + 8*sun
	t[pintle] = 0.7*water + 0.3*outside
	t[river] = water
	t[loggerBox] = outside + 4
	return t
}

// smooth rises from 0 to 1 while x does, without a corner.
func smooth(x float64) float64 {
	x = min(max(x, 0), 1)
	return x * x * (3 - 2*x)
}

// at returns a place's temperature in degC.
func (w *weather) at(p place, after time.Duration) float64 {
	i := int(after / weatherStep)
	share := float64(after%weatherStep) / float64(weatherStep)
	d := w.degrees[p]
	t := d[i] + share*(d[i+1]-d[i])
	for k := range w.warmed {
		if f := &w.warmed[k]; placeOf(f.Channel) == p {
			t += f.warmth(after)
		}
	}
	return t
}

// placeOf is the place of a sensor.
func placeOf(name string) place {
	for _, s := range sensors {
		if s.name == name {
			return s.at
		}
	}
	return places
}

// warm keeps those faults that warm a place.
func (w *weather) warm(faults []Fault) *weather {
	for _, f := range faults {
		if f.Kind == Warmed {
			w.warmed = append(w.warmed, f)
		}
	}
	return w
}
