package simulate

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// The lots, as their packages state them. They are invented.
var (
	linear = lot{ohm: 350, factor: 2.08, slope: 0.9e-4, transverse: 0.007, reference: 2.0, expansion: 10.8e-6,
		thermal: micro(-24.5, 1.9, -0.0412, 1.9e-4)}
	grids = lot{ohm: 350, factor: 2.11, slope: 1.1e-4, transverse: 0.012, reference: 2.1, expansion: 10.8e-6,
		thermal: micro(-30.2, 2.31, -0.0487, 2.2e-4)}
	onCopper = lot{ohm: 350, factor: 2.05, slope: 1.0e-4, transverse: 0.005, reference: 2.0, expansion: 16.9e-6,
		thermal: perFahrenheit(micro(-52.6, 1.31, -0.0082, 1.1e-5))}
	pairs = lot{ohm: 350, factor: 2.06, slope: 0.8e-4, transverse: 0.004, reference: 2.05, expansion: 10.8e-6,
		thermal: micro(-18.9, 1.55, -0.0351, 1.6e-4)}
)

var (
	gateSteel = metal{poisson: 0.29, expansion: 11.9e-6}
	bronze    = metal{poisson: 0.34, expansion: 17.8e-6}
)

func micro(c ...float64) []float64 {
	for i := range c {
		c[i] *= 1e-6
	}
	return c
}

// channel is a gauge or bridge of gauges on the article, and its amplifier.
type channel struct {
	name, source, input string
	wiring              string
	lot                 *lot
	metal               metal
	at                  place
	perMetre            float64 // strain a metre of water, as the channel reports it
	plane               *plane  // instead, for a grid of a rosette
	angle               float64 // rad, of that grid, counterclockwise from x
	kt                  float64 // its transverse sensitivity when it is not the lot's
	lead                float64 // ohm of one wire at 20 degC
	supply              float64 // the same of an excitation wire
	remote              bool
	shuntAt             string
	shuntOhm            float64
	gain                float64 // of the amplifier; 0 means 1

	// found by finish
	arm [4]float64 // ohm of each arm at room temperature
}

// plane is the strain of a rosette's place a metre of water.
type plane struct{ x, y, shear float64 }

func (p plane) rotated(angle float64) (axial, transverse float64) {
	c, s := math.Cos(angle), math.Sin(angle)
	return p.x*c*c + p.y*s*s + p.shear*s*c, p.x*s*s + p.y*c*c - p.shear*s*c
}

func degrees(d float64) float64 { return d * math.Pi / 180 }

// source is a node of amplifiers that are all alike.
type source struct {
	name       string
	unit       string
	excitation float64 // V, where the unit is V
	fullScale  float64 // in the unit
	bit        float64 // in the unit
	noise      float64 // standard deviation, V/V
}

// countSize is the value of one count in V/V.
const countSize = 0.4e-9

var sources = []source{
	{name: "skin", unit: "mV/V", fullScale: 2.5, bit: 1e-6, noise: 80e-9},
	{name: "frame", unit: "count", fullScale: 8388607, bit: 1, noise: 60e-9},
	{name: "rod", unit: "V", excitation: 5, fullScale: 0.02, bit: 1e-9, noise: 70e-9},
}

var (
	heelEast = plane{x: 24e-6, y: -71e-6, shear: 38e-6}
	heelWest = plane{x: 21e-6, y: -66e-6, shear: -43e-6}
	anchor   = plane{x: 92e-6, y: -31e-6, shear: 17e-6}
)

// channels returns all channels, in the order of their sources' inputs.
func channels() []channel {
	var list []channel
	add := func(c channel) {
		n := 1
		for _, other := range list {
			if other.source == c.source {
				n++
			}
		}
		c.input = fmt.Sprintf("%c%d", c.source[0]-'a'+'A', n)
		list = append(list, c)
	}

	thin := wireOhm(0.14, 25)
	skin := []float64{62e-6, 71e-6, -58e-6, 66e-6, 84e-6, 97e-6, -79e-6, 88e-6, 103e-6, 111e-6, -92e-6, 107e-6}
	for i, perMetre := range skin {
		c := channel{name: fmt.Sprintf("skin-%d", i+1), source: "skin", wiring: "quarter_3wire", lot: &linear,
			metal: gateSteel, at: topPlate + place(i/4), perMetre: perMetre, lead: thin}
		switch c.name {
		case "skin-1":
			c.shuntAt, c.shuntOhm = acrossInstrument, 100e3
		case "skin-5":
			c.shuntAt, c.shuntOhm, c.gain = acrossCompletion, 100e3, 1/1.0012
		case "skin-9":
			c.gain = 1 / 0.9991
		}
		add(c)
	}

	post := wireOhm(0.14, 18)
	rosette := func(name string, p *plane, at place, kt [3]float64, angles [3]float64) {
		for i, letter := range "abc" {
			c := channel{name: name + "-" + string(letter), source: "frame", wiring: "quarter_3wire", lot: &grids,
				metal: gateSteel, at: at, plane: p, angle: degrees(angles[i]), kt: kt[i], lead: post}
			if c.name == "heel-e-a" {
				c.shuntAt, c.shuntOhm = acrossGauge, 174.65e3
			}
			add(c)
		}
	}
	rosette("heel-e", &heelEast, heelPost, [3]float64{0.012, 0.009, 0.012}, [3]float64{0, 45, 90})
	rosette("heel-w", &heelWest, heelPost, [3]float64{0.012, 0.009, 0.012}, [3]float64{90, 45, 0})
	rosette("strap", &anchor, strap, [3]float64{0.008, 0.008, 0.011}, [3]float64{15, 75, 135})
	for i, perMetre := range []float64{76e-6, 81e-6, -69e-6} {
		add(channel{name: fmt.Sprintf("girder-%d", i+1), source: "frame", wiring: "quarter_3wire", lot: &linear,
			metal: gateSteel, at: midPlate, perMetre: perMetre, lead: post})
	}

	long := wireOhm(0.25, 12)
	add(channel{name: "beam-n", source: "rod", wiring: "half_bending", lot: &pairs, metal: gateSteel, at: balance,
		perMetre: 55e-6, lead: long, shuntAt: acrossInstrument, shuntOhm: 100e3})
	add(channel{name: "beam-s", source: "rod", wiring: "half_bending", lot: &pairs, metal: gateSteel, at: balance,
		perMetre: -52e-6, lead: long})
	add(channel{name: "quoin", source: "rod", wiring: "half_dummy", lot: &pairs, metal: gateSteel, at: heelPost,
		perMetre: -87e-6, lead: long})
	add(channel{name: "brace", source: "rod", wiring: "half_poisson", lot: &pairs, metal: gateSteel, at: strap,
		perMetre: 73e-6, lead: long})
	add(channel{name: "tie", source: "rod", wiring: "full_poisson_axial", lot: &pairs, metal: gateSteel, at: air,
		perMetre: 68e-6, supply: wireOhm(0.25, 15)})
	add(channel{name: "crank", source: "rod", wiring: "full_shear", lot: &pairs, metal: gateSteel, at: air,
		perMetre: 94e-6, supply: wireOhm(0.14, 15), remote: true, shuntAt: acrossGauge, shuntOhm: 174.65e3})
	add(channel{name: "tail", source: "rod", wiring: "full_bending", lot: &pairs, metal: gateSteel, at: balance,
		perMetre: 49e-6, supply: wireOhm(0.25, 10)})
	add(channel{name: "bush", source: "rod", wiring: "quarter_2wire", lot: &onCopper, metal: bronze, at: pintle,
		perMetre: -64e-6, lead: wireOhm(0.5, 5)})

	for i := range list {
		list[i].finish()
	}
	return list
}

// finish gives a channel its own resistors: no two gauges are quite alike, and
// no seed changes them, since a test file may state what was read with them.
func (c *channel) finish() {
	own := rand.New(rand.NewPCG(1, name(c.name)))
	bonded, err := newCircuit(c.wiring, c.remote, c.shuntAt)
	if err != nil {
		panic(err) // a misspelt wiring in the table above
	}
	for i := range c.arm {
		spread := 0.5e-4 // of the instrument's resistors
		for _, p := range bonded.parts {
			if p.kind == grid && p.arm == i {
				spread = 3e-4
			}
		}
		c.arm[i] = c.lot.ohm * (1 + spread*(2*own.Float64()-1))
	}
	if c.gain == 0 {
		c.gain = 1
	}
	if c.kt == 0 {
		c.kt = c.lot.transverse
	}
}

// reported is the strain that the channel should report at a level in m: in
// mode "none", which the grids of a rosette have, it is the indicated strain.
func (c *channel) reported(level float64) float64 {
	if c.plane == nil {
		return c.perMetre * level
	}
	axial, transverse := c.plane.rotated(c.angle)
	return level * (axial + c.kt*transverse) / (1 - beamPoisson*c.kt)
}

// name turns a name into the number of its stream of random numbers.
func name(s string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(s))
	return h.Sum64()
}

// sensor is one temperature of the logger.
type sensor struct {
	name, input string
	at          place
	letter      byte // K or T: thermocouple in mV against the logger's box; P: Pt100 in ohm; C: degC
}

var sensors = []sensor{
	{"tc-top", "T1", topPlate, 'K'},
	{"tc-mid", "T2", midPlate, 'K'},
	{"tc-low", "T3", lowPlate, 'T'},
	{"tc-heel", "T4", heelPost, 'T'},
	{"tc-strap", "T5", strap, 'T'},
	{"tc-beam", "T6", balance, 'K'},
	{"pt-bush", "P1", pintle, 'P'},
	{"pt-water", "P2", river, 'P'},
	{"air", "D1", air, 'C'},
	{"box", "D2", loggerBox, 'C'},
}
