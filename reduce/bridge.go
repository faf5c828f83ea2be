package reduce

// Bridge holds what is constant about one strain channel's bridge.
type Bridge struct {
	Layout     Layout
	Gauge      float64    // ohm of every gauge at the zero state
	Completion float64    // ohm of every fixed resistor; 0 means equal to Gauge
	Response   [4]float64 // relative resistance change over gauge factor, per unit of u, of each arm
}

// State is what changes from sample to sample.
type State struct {
	Thermal     float64 // relative resistance change of every gauge from temperature since the zero
	GaugeFactor float64 // at the present temperature
	Lead        float64 // ohm of one lead wire, now
	Excitation  float64 // ohm of one excitation wire, now; 0 with remote sense or without one
}

func (b Bridge) completion() float64 {
	if b.Completion == 0 {
		return b.Gauge
	}
	return b.Completion
}

func (b Bridge) arm(i int, s State) Arm {
	var a Arm
	if b.Layout.Arms[i].Bonded() {
		a.Rest = b.Gauge * (1 + s.Thermal)
		a.Slope = b.Gauge * b.Response[i] * s.GaugeFactor
	} else {
		a.Rest = b.completion()
	}
	// An arm without leads stays clear of a lead resistance nobody knows.
	if n := b.Layout.Leads[i]; n != 0 {
		a.Rest += n * s.Lead
	}
	return a
}

// Arms returns the four arms in one state: a bonded gauge is
// Gauge*(1 + Thermal + GaugeFactor*Response*u), a fixed resistor Completion,
// each with its leads in series.
func (b Bridge) Arms(s State) Arms {
	return Arms{b.arm(0, s), b.arm(1, s), b.arm(2, s), b.arm(3, s)}
}

// ArmsEach is Arms for gauges that are not at one temperature: arm i is in
// state s[i]. The excitation of the states is not used.
func (b Bridge) ArmsEach(s [4]State) Arms {
	return Arms{b.arm(0, s[0]), b.arm(1, s[1]), b.arm(2, s[2]), b.arm(3, s[3])}
}

// Ratio returns the bridge ratio in V/V at strain u, without the bridge's own
// zero unbalance.
func (b Bridge) Ratio(u float64, s State) float64 {
	return b.Arms(s).Ratio(u, s.Excitation)
}

// Strain returns the strain at which the bridge has the given ratio in V/V.
// For a reading r after a zero r0 the ratio to hand in is
// span*(r - r0) + Ratio(0, state at the zero): the zero unbalance is taken out
// as a ratio, before anything is linearised. NaN where Arms.Solve has no root.
func (b Bridge) Strain(ratio float64, s State) float64 {
	return b.Arms(s).Solve(ratio, s.Excitation)
}

// StrainColumn writes Strain of every sample to dst and returns dst. The
// slices hold one value a sample: ratio in V/V, thermal the relative
// resistance change, gaugeFactor, lead and excitation in ohm a wire. lead and
// excitation may be nil, which means 0. All others have the length of ratio,
// dst at least that; dst may be the same slice as any input. The results are
// those of Strain bit for bit, and nothing is allocated.
func (b Bridge) StrainColumn(dst, ratio, thermal, gaugeFactor, lead, excitation []float64) []float64 {
	n := len(ratio)
	dst, thermal, gaugeFactor = dst[:n], thermal[:n], gaugeFactor[:n]
	kernel := b.generalBlock
	if excitation == nil && b.Layout.adjacent() && b.Layout.Arms[0].Bonded() {
		kernel = b.halfBlock
		if b.Layout.Quarter() {
			kernel = b.quarterBlock
		}
	}
	// A column that is not there is read from a block of zeros.
	for start := 0; start < n; start += len(zeros) {
		end := min(start+len(zeros), n)
		l, x := zeros[:end-start], zeros[:end-start]
		if lead != nil {
			l = lead[start:end]
		}
		if excitation != nil {
			x = excitation[start:end]
		}
		kernel(dst[start:end], ratio[start:end], thermal[start:end], gaugeFactor[start:end], l, x)
	}
	return dst
}

var zeros [1024]float64 // never written

// quarterBlock is StrainColumn for one gauge in arm 1, without excitation leads.
func (b Bridge) quarterBlock(dst, ratio, thermal, gaugeFactor, lead, _ []float64) {
	n := len(ratio)
	dst, thermal, gaugeFactor, lead = dst[:n], thermal[:n], gaugeFactor[:n], lead[:n]
	fixed := b.completion()
	half := fixed / (fixed + fixed)
	gauge, slope := b.Gauge, b.Gauge*b.Response[0]
	n1, n2 := b.Layout.Leads[0], b.Layout.Leads[1]
	for i, r := range ratio {
		s := r + half
		t := 1 - s
		p1, p2 := gauge*(1+thermal[i]), fixed
		if n1 != 0 {
			p1 += n1 * lead[i]
		}
		if n2 != 0 {
			p2 += n2 * lead[i]
		}
		dst[i] = divide(p2*s-p1*t, slope*gaugeFactor[i]*t, s, t)
	}
}

// halfBlock is StrainColumn for strain in arms 1 and 2 only, without excitation
// leads.
func (b Bridge) halfBlock(dst, ratio, thermal, gaugeFactor, lead, _ []float64) {
	n := len(ratio)
	dst, thermal, gaugeFactor, lead = dst[:n], thermal[:n], gaugeFactor[:n], lead[:n]
	fixed := b.completion()
	half := fixed / (fixed + fixed)
	gauge, slope1, slope2 := b.Gauge, b.Gauge*b.Response[0], b.Gauge*b.Response[1]
	n1, n2 := b.Layout.Leads[0], b.Layout.Leads[1]
	for i, r := range ratio {
		s := r + half
		t := 1 - s
		p1 := gauge * (1 + thermal[i])
		p2 := p1
		if n1 != 0 {
			p1 += n1 * lead[i]
		}
		if n2 != 0 {
			p2 += n2 * lead[i]
		}
		f := gaugeFactor[i]
		dst[i] = divide(p2*s-p1*t, slope1*f*t-slope2*f*s, s, t)
	}
}

// generalBlock is StrainColumn for any bridge.
func (b Bridge) generalBlock(dst, ratio, thermal, gaugeFactor, lead, excitation []float64) {
	n := len(ratio)
	dst, thermal, gaugeFactor, lead, excitation = dst[:n], thermal[:n], gaugeFactor[:n], lead[:n], excitation[:n]
	arms := [4]armColumn{b.armColumn(0), b.armColumn(1), b.armColumn(2), b.armColumn(3)}
	for i, r := range ratio {
		gauge, f, l := b.Gauge*(1+thermal[i]), gaugeFactor[i], lead[i]
		dst[i] = solve(
			arms[0].rest(gauge, l), arms[0].slope*f, arms[1].rest(gauge, l), arms[1].slope*f,
			arms[2].rest(gauge, l), arms[2].slope*f, arms[3].rest(gauge, l), arms[3].slope*f,
			r, excitation[i])
	}
}

// armColumn is what is constant about an arm along a column.
type armColumn struct {
	bonded       bool
	fixed, leads float64
	slope        float64 // ohm per unit of strain and gauge factor
}

func (b Bridge) armColumn(i int) armColumn {
	a := armColumn{bonded: b.Layout.Arms[i].Bonded(), fixed: b.completion(), leads: b.Layout.Leads[i]}
	if a.bonded {
		a.slope = b.Gauge * b.Response[i]
	}
	return a
}

func (a *armColumn) rest(gauge, lead float64) float64 {
	if !a.bonded {
		gauge = a.fixed
	}
	if a.leads != 0 {
		gauge += a.leads * lead
	}
	return gauge
}

// Correction turns readings into what a bridge model solves.
type Correction struct {
	Zero  float64 // V/V, the reading at the zero state
	Span  float64 // on every change since; negative for swapped signal wires
	Model float64 // V/V, the ratio that the model has at its zero state
}

// Of returns span*(ratio - zero) + model in V/V: the corrected change of the
// reading put on top of the ratio that the bridge model has at its zero state.
func (c Correction) Of(ratio float64) float64 { return c.Span*(ratio-c.Zero) + c.Model }

// Column writes Of every reading to dst and returns it. dst may be the same
// slice as ratio.
func (c Correction) Column(dst, ratio []float64) []float64 {
	dst = dst[:len(ratio)]
	zero, span, model := c.Zero, c.Span, c.Model // in registers
	for i, r := range ratio {
		dst[i] = span*(r-zero) + model
	}
	return dst
}
