package driftsim

import (
	"math"
	"slices"
)

// state is what one minute's trouble does to the circuit, the adhesive and the
// article.
type state struct {
	leak      float64 // siemens across the gauge
	leakOther float64 // siemens across arm 2
	contact   [2]float64
	apparent  float64 // m/m that the grid shows beside strain: shrinkage, cracks
	witness   float64 // the part of it that a gauge on a free coupon shows too
	residual  float64 // m/m of the article itself
	gain      float64 // of the article's strain against load
	slipping  float64 // part of the grid that slips
	soften    float64 // part of the strain that relaxes
	volt      float64 // over nominal
	offset    float64 // V/V of the instrument
	span      float64 // gain of the instrument
	perKelvin float64 // m/m/K left by the compensation
	heat      float64 // of a lead, for its effect only: the cable is in the weather
}

// trouble draws one kind of trouble of a size given as a factor and returns what
// it does, minute by minute.
type trouble struct {
	truth Truth
	heats bool // two-wire and exposed
	does  func(m int, s *state)
	cap   float64 // friction of a debond, or of a crack, m/m
	rubs  float64 // part of the strain that a crack's faces carry
	tau   float64 // of creep, minutes
}

func minuteIn(d draws, fromDay, toDay float64) int {
	return int((fromDay + (toDay-fromDay)*d.Float64()) * 1440)
}

func makeTrouble(kind string, target float64, d draws, b Bridge, w work, air []weather, perLoad float64) trouble {
	t := trouble{truth: Truth{Kind: kind}, does: func(int, *state) {}}
	size := d.size(30, 120) * 1e-6
	if target > 0 {
		size = target
	}
	begin := func(fromDay, toDay float64) int {
		m := minuteIn(d, fromDay, toDay)
		for d.clear && slices.ContainsFunc(w.maxima, func(at int) bool { return max(at-m, m-at) < 12*60 }) {
			m = minuteIn(d, fromDay, toDay)
		}
		return m
	}
	onset := begin(2.5, 10)
	after := func(m int) float64 { return max(0, float64(m-t.truth.Onset)) / 60 } // hours
	switch kind {
	case Healthy:
		return t
	case Moisture:
		across, grow := !d.chance(0.15), d.in(15, 80)
		scale, lag, wet := d.in(12, 40), d.in(60, 600), air[0].humidity
		full := size * b.GaugeFactor / b.Gauge
		flicker := newColoured(0.06, 30, d)
		t.does = func(m int, s *state) {
			wet += (air[m].humidity - wet) / lag
			g := full * -math.Expm1(-after(m)/grow) * math.Exp((wet-75)/scale) * max(0, 1+flicker.next(d))
			if across {
				s.leak += g
			} else {
				s.leakOther += g
			}
		}
	case Creep:
		if d.chance(0.5) {
			onset = w.first
		}
		share, soft := d.size(0.04, 0.15), d.in(1, 12)
		if target > 0 {
			share = min(0.3, target/math.Abs(perLoad))
		}
		share = max(share, 35e-6/math.Abs(perLoad)) // less is nothing that anybody would be told of
		t.tau = d.in(0.7, 30) * 60
		size = share * perLoad
		t.does = func(m int, s *state) { s.soften += share * -math.Expm1(-after(m)/soft) }
	case PostCure:
		onset = b.CureEnd
		rate, sign, done := 1/d.in(6, 40), d.sign(), 0.0
		if d.chance(0.8) {
			sign = -1
		}
		t.does = func(m int, s *state) {
			if m >= b.CureEnd {
				done += rate / 60 * math.Exp2((air[m].metal-20)/12) * (1 - done) * (1 - done)
			}
			s.apparent += sign * size * done
			s.witness += sign * size * done
		}
	case Connector:
		wire, every, wild := d.IntN(2), d.in(8, 30)*60, d.in(0.001, 0.008)
		ohm, now := size*b.GaugeFactor*b.Gauge, 0.0
		t.does = func(m int, s *state) {
			if m < onset {
				return
			}
			if m == onset || d.chance(1/every) {
				now = ohm * math.Exp(0.7*d.NormFloat64())
			}
			s.contact[wire] += now
			if d.chance(wild) {
				s.contact[wire] += ohm * d.ExpFloat64() * 2
			}
		}
	case LeadHeat:
		t.heats = true
	case Debond:
		if !d.clear && d.chance(0.1) && len(w.maxima) > 0 {
			if at := w.maxima[len(w.maxima)-1]; at > 2*1440 && at < 11*1440 {
				onset, t.truth.AtMaximum = at, true
			}
		}
		lost, grow := min(0.85, d.size(0.08, 0.4)), d.in(4, 60)
		if target > 0 {
			lost = min(0.85, target/math.Abs(perLoad))
		}
		if d.chance(0.3) {
			grow = 0.2
		}
		// Friction that carried the whole range of strain would be no debond.
		t.cap = math.Abs(perLoad) * d.in(0.02, 0.12)
		lost = max(lost, 0.08)
		size = lost * perLoad
		t.does = func(m int, s *state) { s.slipping = 1 - (1-s.slipping)*(1-lost*-math.Expm1(-after(m)/grow)) }
	case Fatigue:
		onset = begin(1.5, 7)
		var total, now float64
		for tries := 0; ; tries++ {
			var all float64
			total = 0
			for m, n := range w.cycles {
				all += n
				if m >= onset {
					total += n
				}
			}
			if total > 0.3*all || tries == 20 {
				break // a grid does not tire where nothing shakes
			}
			onset = begin(1.5, 7)
		}
		power, opens := d.in(0.6, 1.5), 0.02*d.Float64()
		t.does = func(m int, s *state) {
			if m < onset || total == 0 {
				return
			}
			now += w.cycles[m]
			done := math.Pow(now/total, power)
			s.apparent += size * done
			s.gain += opens * done
		}
	case Shakedown:
		onset = w.first
		settle, sign := d.in(1.5, 8), d.sign()
		// What is still out of place gives way by its square, more under a higher load.
		fillings, done := 0, 0.0
		t.does = func(m int, s *state) {
			for fillings < len(w.fillings) && w.fillings[fillings] < m {
				peak := w.load[min(w.fillings[fillings]+18, Minutes-1)]
				done += min(1, 1.5*peak/settle) * (1 - done) * (1 - done)
				fillings++
			}
			s.residual += sign * size * done
		}
	case SelfHeating:
		raised, warm, slow, sign := d.in(1.4, 2.2), 0.0, d.in(8, 30), d.sign()
		t.does = func(m int, s *state) {
			want := 0.0
			if m >= onset {
				s.volt = raised
				want = size * (raised*raised - 1) / 2
			}
			warm += (want - warm) / slow
			s.apparent += sign * warm
		}
	case Instrument:
		shape, sign, grow := d.IntN(3), d.sign(), d.in(12, 150)
		spans := 0.0
		if d.chance(0.5) {
			spans = d.sign() * d.in(0.004, 0.02)
		}
		wander := newColoured(1, 3000, d)
		start := 0.0
		t.does = func(m int, s *state) {
			x := wander.next(d)
			if m < onset {
				start = x
				return
			}
			done := -math.Expm1(-after(m) / grow)
			switch shape {
			case 1:
				done = 1
			case 2:
				done = done + 0.5*(x-start)*done
			}
			s.offset += sign * size * b.GaugeFactor / 4 * done
			s.span += spans * -math.Expm1(-after(m)/grow)
		}
	case Structure:
		late := w.maxima[:0:0]
		for _, m := range w.maxima {
			if w.mayYield(m) {
				late = append(late, m)
			}
		}
		onset, t.truth.AtMaximum = late[d.IntN(len(late))], true
		sign, changes, grow := d.sign(), 0.0, 0.05
		if d.chance(0.7) {
			changes = d.sign() * d.in(0.04, 0.2)
		}
		if d.chance(0.4) {
			grow = d.in(10, 60)
		}
		at := min(1, d.in(0.3, 0.9))       // of it at once
		if changes != 0 && d.chance(0.2) { // the faces of a crack rub
			t.cap, t.rubs = math.Abs(perLoad)*d.in(0.02, 0.12), 0.5*math.Abs(changes)
		}
		t.does = func(m int, s *state) {
			if m < onset {
				return
			}
			done := at - (1-at)*math.Expm1(-after(m)/grow)
			s.residual += sign * size
			s.gain += changes * done
			s.slipping = 1 - (1-s.slipping)*(1-t.rubs*done)
		}
	case ThermalResidue:
		onset = 0
		per := d.sign() * max(2.8, d.size(3, 8)) * 1e-6
		if target > 0 {
			per = math.Copysign(target/10, per)
		}
		size = math.Abs(per) * 10
		t.does = func(_ int, s *state) { s.perKelvin += per }
	}
	t.truth.Onset, t.truth.Size = onset, math.Abs(size)
	return t
}
