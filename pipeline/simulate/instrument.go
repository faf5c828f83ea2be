package simulate

import (
	"math"
	"math/rand/v2"
	"time"
)

// simulated is a channel at work: its bridge, its amplifier and its faults.
type simulated struct {
	channel
	source
	bridge *bridge
	bonded [4]bool
	along  float64 // strain along the grid of a rosette, a metre of water
	beside float64 // and across it
	ohms   resistances
	shunts []window // when its calibration resistor is connected
	hands  []window // when somebody works at the gauge
	faults []Fault

	overload float64 // strain along the grid beside that of the water
	last     float64 // what the amplifier put out before
	flicker  *flicker

	noise  *rand.Rand
	trend  float64 // V/V over a day
	sway   float64 // V/V
	period float64 // s
	phase  float64 // rad
}

// window is a stretch of time since the start, its end excluded.
type window struct{ from, to time.Duration }

func inside(list []window, after time.Duration) bool {
	for _, w := range list {
		if after >= w.from && after < w.to {
			return true
		}
	}
	return false
}

func (c *channel) of() source {
	for _, s := range sources {
		if s.name == c.source {
			return s
		}
	}
	return source{}
}

// limit is the amplifier's range in V/V.
func (s source) limit() float64 {
	switch s.unit {
	case "mV/V":
		return s.fullScale * 1e-3
	case "count":
		return s.fullScale * countSize
	}
	return s.fullScale / s.excitation
}

func newSimulated(c channel, seed uint64, plan *plan, faults []Fault) (*simulated, error) {
	b, err := newBridge(c.wiring, c.remote, c.shuntAt)
	if err != nil {
		return nil, err
	}
	s := &simulated{channel: c, source: c.of(), bridge: b, noise: rand.New(rand.NewPCG(seed, name(c.name)))}
	for _, p := range b.parts {
		if p.kind == grid {
			s.bonded[p.arm] = true
		}
	}
	if c.plane != nil {
		s.along, s.beside = c.plane.rotated(c.angle)
	}
	for _, f := range faults {
		if f.Channel == c.name {
			s.faults = append(s.faults, f)
		}
	}
	if plan != nil {
		s.shunts, s.hands = plan.shunts[c.name], plan.hands[c.name]
	}
	s.trend = 0.3e-6 * (2*s.noise.Float64() - 1)
	s.sway = 0.3e-6 * s.noise.Float64()
	s.period = 3600 * (9 + 8*s.noise.Float64())
	s.phase = 2 * math.Pi * s.noise.Float64()
	s.ohms.shunt, s.ohms.leakage = math.Inf(1), math.Inf(1)
	return s, nil
}

// silence takes away what no reduction can know.
func (s *simulated) silence() { s.source.noise, s.trend, s.sway = 0, 0, 0 }

// ratio returns the bridge's own ratio in V/V at the temperatures of gauge and
// leads in degC and the water level in m, with whatever is connected to it.
func (s *simulated) ratio(t, leads, level float64) float64 {
	for i, own := range s.arm {
		if !s.bonded[i] {
			s.ohms.arm[i] = own
			continue
		}
		var axial, transverse float64
		if s.plane != nil {
			axial, transverse = s.along*level+s.overload, s.beside*level-s.metal.poisson*s.overload
		} else {
			axial, transverse = s.bridge.see[i].strains(s.perMetre*level+s.overload, s.metal.poisson)
		}
		s.ohms.arm[i] = s.lot.resistance(own, s.metal, t, axial, transverse, s.kt)
	}
	s.ohms.lead = copperLead(s.lead, leads)
	s.ohms.supply = copperLead(s.supply, leads)
	return s.bridge.ratio(&s.ohms)
}

// What an open and a shorted gauge have of their resistance.
const (
	broken  = 3e9
	bridged = 1e-6
)

// read returns what the amplifier puts out, in the unit of its source, with an
// excitation of volts (used where the unit is V).
func (s *simulated) read(after time.Duration, t, leads, level, volts float64) float64 {
	s.ohms.shunt, s.ohms.leakage = math.Inf(1), math.Inf(1)
	if s.shunts != nil && inside(s.shunts, after) {
		s.ohms.shunt = s.shuntOhm
	}
	gain, arm, offset, hiss, stuck, absent := s.gain, 1.0, 0.0, 1.0, false, false
	s.overload = 0
	if s.hands != nil && inside(s.hands, after) {
		hiss = 40
	}
	for i := range s.faults {
		f := &s.faults[i]
		if !f.holds(after) {
			continue
		}
		switch f.Kind {
		case Open:
			arm *= broken
		case Shorted:
			arm *= bridged
		case Swapped:
			arm *= 1 + f.Value
		case Overload:
			s.overload += f.Value
		case Offset:
			offset += f.Value
		case Hands:
			hiss = 40
		case Stuck:
			stuck = true
		case NoReading:
			absent = true
		case Saturated:
			gain *= f.Value
		case Moisture:
			s.ohms.leakage = f.leakage(after)
		}
	}
	r := 0.0
	if volts != 0 {
		own := s.arm[0]
		s.arm[0] *= arm
		r = s.ratio(t, leads, level)
		s.arm[0] = own
	}
	seconds := after.Seconds()
	drift := s.trend*seconds/86400 + s.sway*math.Sin(2*math.Pi*seconds/s.period+s.phase)
	noise := hiss * s.source.noise * s.noise.NormFloat64()
	if s.flicker != nil {
		noise += s.flicker.next()
	}
	if !stuck {
		s.last = s.convert(gain*(r+drift+noise+offset), volts)
	}
	if absent {
		return math.NaN()
	}
	return s.last
}

// convert turns a ratio in V/V into the amplifier's output: clipped at its
// range and rounded to its last bit.
func (s *source) convert(r, volts float64) float64 {
	x := r
	switch s.unit {
	case "mV/V":
		x *= 1e3
	case "count":
		x /= countSize
	default:
		x *= volts
	}
	return round(min(max(x, -s.fullScale), s.fullScale), s.bit)
}

// round returns the multiple of bit next to x. Bits are powers of ten, and
// dividing by their reciprocals gives the float64 next to the decimal number.
func round(x, bit float64) float64 {
	steps := math.Round(1 / bit)
	return math.Round(x*steps) / steps
}
