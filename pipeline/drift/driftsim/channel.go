package driftsim

import (
	"math"
	"math/rand/v2"
)

// The kinds of trouble.
const (
	Healthy        = "healthy"
	Moisture       = "moisture"
	Creep          = "creep"
	PostCure       = "post-cure"
	Connector      = "connector"
	LeadHeat       = "lead-heat"
	Debond         = "debond"
	Fatigue        = "fatigue"
	Shakedown      = "shakedown"
	SelfHeating    = "self-heating"
	Instrument     = "instrument"
	Structure      = "structure"
	ThermalResidue = "thermal"
)

// Kinds lists them.
var Kinds = []string{Healthy, Moisture, Creep, PostCure, Connector, LeadHeat, Debond, Fatigue, Shakedown, SelfHeating, Instrument, Structure, ThermalResidue}

// Options say what channel to make.
type Options struct {
	Seed uint64
	Kind string
	Also string // a second, weaker trouble, "" for none
	Wide bool   // half of the parameters outside the range of the others

	// Channels of one article share its load programme and its weather, which are
	// drawn from Article; 0 draws them from Seed.
	Article uint64
	Shaking float64 // cycles a minute where the article vibrates, 0 to draw them

	// Clear is a trouble that somebody who looks would not overlook, on a channel with
	// all that may be read beside a bridge: sizes from the upper half of their ranges,
	// by the logarithm, begun twelve hours or more from any new load maximum, where
	// only a person can tell it from the article; and an article that gives not before
	// its fifth day, by which it has settled.
	Clear bool
}

// Minutes is the length of a channel: two weeks.
const Minutes = 14 * 24 * 60

// Truth is what no detector sees.
type Truth struct {
	Kind, Also string
	Onset      int     // minute
	Shows      int     // minute from which it does more than 3 microstrain
	AtMaximum  bool    // begun at a new load maximum
	Size       float64 // m/m, what the trouble was meant to reach
}

// Bridge says how the channel is wired, as a test file would.
type Bridge struct {
	TwoWire     bool
	Gauge       float64 // ohm
	GaugeFactor float64
	Lead        float64 // ohm of a wire at 20 degC
	Shunt       float64 // ohm, across the gauge
	Volt        float64 // nominal excitation
	CureEnd     int     // minute
}

// Sample is one reading and what was read beside it. What is not measured is NaN.
type Sample struct {
	Ratio       float64 // V/V
	Load        float64
	Idle        bool
	Cycles      float64
	Temperature float64 // degC, the gauge's sensor
	Lead        float64 // degC
	Humidity    float64 // %
	Volt        float64
	Reference   float64 // V/V of a stable bridge of the same source
	Witness     float64 // V/V of the gauge on a free coupon, same lot, adhesive and coating
	Companions  float64 // V/V, zero of other channels of the source
	Neighbours  float64 // m/m, near channels of another source
	Shunted     float64 // V/V with the shunt on, else NaN
	Insulation  float64 // ohm where one was read, else NaN
}

// Channel is a made-up channel.
type Channel struct {
	Bridge  Bridge
	Truth   Truth
	Samples []Sample
}

type draws struct {
	*rand.Rand
	wide, clear bool
}

// in draws between lo and hi, evenly in the logarithm; a wide channel draws half
// of the time from the third outside on either side instead.
func (d draws) in(lo, hi float64) float64 {
	a, b := math.Log(lo), math.Log(hi)
	x := d.Float64()
	if d.wide && d.Float64() < 0.5 {
		x = 1 + x/3
		if d.Float64() < 0.5 {
			x = 1 - x
		}
	}
	return math.Exp(a + x*(b-a))
}

// size draws how large a trouble is, or the strain that shows it.
func (d draws) size(lo, hi float64) float64 {
	if d.clear {
		lo = math.Sqrt(lo * hi)
	}
	return d.in(lo, hi)
}

// has says whether a channel has something beside its bridge.
func (d draws) has(p float64) bool { return d.chance(p) || d.clear }

func (d draws) sign() float64 {
	if d.Float64() < 0.5 {
		return -1
	}
	return 1
}

func (d draws) chance(p float64) bool { return d.Float64() < p }

// coloured is noise of the first order.
type coloured struct{ keep, drive, now float64 }

func newColoured(sd, minutes float64, d draws) *coloured {
	keep := math.Exp(-1 / minutes)
	return &coloured{keep, sd * math.Sqrt(1-keep*keep), sd * d.NormFloat64()}
}

func (c *coloured) next(d draws) float64 {
	c.now = c.keep*c.now + c.drive*d.NormFloat64()
	return c.now
}
