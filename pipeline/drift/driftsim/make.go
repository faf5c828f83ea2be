package driftsim

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Make makes up a channel; the same options make the same one.
func Make(o Options) Channel {
	d := draws{rand.New(rand.NewPCG(o.Seed, 0x9e3779b97f4a7c15)), o.Wide, o.Clear}
	is := func(kind string) bool { return o.Kind == kind || o.Also == kind }
	b := Bridge{
		Gauge:       []float64{120, 350, 350, 1000}[d.IntN(4)],
		GaugeFactor: 2 + 0.2*d.Float64(),
		Lead:        d.in(0.3, 4),
		Volt:        []float64{1, 2.5, 5}[d.IntN(3)],
		TwoWire:     is(LeadHeat) || d.chance(0.12),
		CureEnd:     int(d.in(0.5, 6) * 60),
	}
	b.Shunt = b.Gauge * 500
	leadWanted := d.size(3, 12) * 1e-6 // m/m/K that a hot two-wire lead shows
	if b.TwoWire {
		b.Lead = 0.15e-6 * b.GaugeFactor * b.Gauge / (2 * copper)
		if is(LeadHeat) {
			b.Lead *= leadWanted / 0.15e-6
		}
	}
	works, weathers := d, d
	if o.Article != 0 {
		works = draws{rand.New(rand.NewPCG(o.Article, 1)), o.Wide, o.Clear}
		weathers = draws{rand.New(rand.NewPCG(o.Article, 2)), o.Wide, o.Clear}
	}
	var w work
	for {
		w = makeWork(works, o.Shaking)
		if !is(Structure) && o.Article == 0 || slices.ContainsFunc(w.maxima, w.mayYield) {
			break
		}
	}
	perLoad := d.sign() * d.size(250, 1200) * 1e-6
	exposedFrom := minuteIn(d, 2.5, 8)
	if d.chance(0.3) {
		exposedFrom = 0
	}
	air := makeWeather(weathers, func(m int) float64 {
		if is(LeadHeat) && m < exposedFrom {
			return 0.03 // in a duct, indoors
		}
		return 1
	})
	main := makeTrouble(o.Kind, 0, d, b, w, air, perLoad)
	if o.Also == LeadHeat {
		wanted := 0.4 * main.truth.Size / 10
		b.Lead *= wanted / leadWanted
		leadWanted = wanted
	}
	second := trouble{does: func(int, *state) {}}
	if o.Also != "" {
		second = makeTrouble(o.Also, min(60e-6, 0.4*main.truth.Size), d, b, w, air, perLoad)
	}
	if o.Kind == LeadHeat {
		main.truth.Onset, main.truth.Size = exposedFrom, leadWanted*8
		main.does = func(_ int, s *state) { s.heat = 1e-6 }
	}
	main.truth.Also = o.Also
	friction, tau := max(main.cap, second.cap), max(main.tau, second.tau, 60)

	// What a sound channel has too.
	scatter := 0.5e-6 * d.NormFloat64() // m/m/K of the lot's thermal output
	restraint := 0.4e-6 * d.NormFloat64()
	white := newColoured(d.in(0.2, 0.8)*1e-6, 0.01, d)
	pink := []*coloured{newColoured(d.in(0.3, 1)*1e-6, 20, d), newColoured(d.in(0.3, 1)*1e-6, 400, d), newColoured(d.in(0.3, 1.2)*1e-6, 4000, d)}
	sensor := newColoured(0.15, 60, d)
	common := newColoured(0.5e-6, 600, d)
	near := newColoured(1e-6, 600, d)
	hasReference, hasWitness, hasInsulation := d.has(0.75), d.has(0.5), d.has(0.7)
	hasCable, hasVolt, answers := d.has(0.8), d.has(0.85), d.has(0.6)
	answer := 0.2 + 0.4*d.Float64()
	dry := d.in(3e9, 5e10)
	bias := 0.4 * d.NormFloat64()

	c := Channel{Bridge: b, Truth: main.truth, Samples: make([]Sample, Minutes)}
	t0, k := air[0].metal, b.GaugeFactor
	warmth := func(m int) float64 {
		warm := air[m].metal - t0
		if o.Kind == LeadHeat {
			return (air[m].cable - air[0].cable) * leadWanted / 1e-6 // as microstrain
		}
		return warm
	}
	var relaxed, slid float64
	missing := math.NaN()
	for m := range Minutes {
		s := state{gain: 1, volt: 1, span: 1}
		main.does(m, &s)
		if c.Truth.Shows == 0 && effect(&s, b, perLoad*w.load[m], slid, relaxed, warmth(m)) > 3e-6 {
			c.Truth.Shows = m
		}
		second.does(m, &s)
		warm := air[m].metal - t0
		strain := perLoad*w.load[m]*s.gain + s.residual + restraint*warm
		// The slipping part of the grid holds on to the article by friction only.
		slid = max(strain-friction, min(strain+friction, slid))
		grid := strain
		if s.slipping > 0 {
			grid = (1-s.slipping)*strain + s.slipping*(strain-slid)
		}
		relaxed += (strain - relaxed) / tau
		grid -= s.soften * relaxed
		grid += s.apparent + (s.perKelvin+scatter)*warm
		noise := white.next(d) / s.volt
		for _, p := range pink {
			noise += p.next(d)
		}
		lead := b.Lead * (1 + copper*(air[m].cable-20))
		gauge := b.Gauge * (1 + k*grid)
		x := &c.Samples[m]
		x.Ratio = s.span*(ratio(gauge, b, lead, &s)+k*noise/4) + s.offset
		x.Load, x.Idle, x.Cycles = w.load[m], w.idle[m], w.cycles[m]
		x.Temperature = air[m].metal + bias + sensor.next(d)
		x.Lead, x.Humidity = missing, air[m].humidity
		if hasCable {
			x.Lead = air[m].cable + 0.3*d.NormFloat64()
		}
		x.Volt = missing
		if hasVolt {
			x.Volt = b.Volt * s.volt * (1 + 2e-4*d.NormFloat64())
		}
		x.Reference, x.Witness = missing, missing
		if hasReference {
			x.Reference = s.span*1e-3 + s.offset + 0.1e-6*d.NormFloat64()
		}
		if hasWitness {
			wet := state{leak: 0.5 * s.leak}
			free := b.Gauge * (1 + k*(s.witness+(0.7*scatter+s.perKelvin)*warm))
			x.Witness = s.span*(ratio(free, b, b.Lead, &wet)+k*0.5e-6*d.NormFloat64()/4) + s.offset
		}
		x.Companions = s.offset + k/4*common.next(d)
		x.Neighbours = near.next(d)
		if answers {
			x.Neighbours -= answer * (s.residual + perLoad*(s.gain-1)*0.3)
		}
		x.Shunted, x.Insulation = missing, missing
		if m%1440 == 420 || m%1440 == 1140 {
			shunted := s
			shunted.leak += 1 / b.Shunt
			x.Shunted = s.span*(ratio(gauge, b, lead, &shunted)+k*noise/4) + s.offset + k/4*0.1e-6*d.NormFloat64()
		}
		if hasInsulation && m%2160 == 500 {
			x.Insulation = 1 / (1/dry + s.leak*math.Exp(0.4*d.NormFloat64()) + 0.3*s.leakOther)
		}
	}
	return c
}

const copper = 0.00393 // 1/K

// ratio is that of a quarter bridge with a divider of equal resistors: current
// through arm 1, leads, contacts and leaks, against arm 2.
func ratio(gauge float64, b Bridge, lead float64, s *state) float64 {
	upper := 1/(1/gauge+s.leak) + s.contact[0]
	lower := 1/(1/b.Gauge+s.leakOther) + s.contact[1]
	if b.TwoWire {
		upper += 2 * lead
	} else {
		upper += lead
		lower += lead
	}
	return upper/(upper+lower) - 0.5
}

// effect is about what a trouble does to the reading of a minute, in m/m: a bond
// that slips and a slope that changes do it under load.
func effect(s *state, b Bridge, strain, slid, relaxed, warm float64) float64 {
	k := b.GaugeFactor
	return b.Gauge*(s.leak+s.leakOther)/k + (s.contact[0]+s.contact[1])/(b.Gauge*k) + math.Abs(s.apparent) + math.Abs(s.residual) +
		math.Abs(strain*(s.gain-1)) + s.slipping*math.Abs(slid) + s.soften*math.Abs(relaxed) + 4/k*(math.Abs(s.offset)+math.Abs(s.span-1)*1e-3) +
		math.Abs(warm)*(math.Abs(s.perKelvin)+s.heat)
}
