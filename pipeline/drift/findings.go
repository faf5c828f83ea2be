package drift

import (
	"math"
	"slices"
)

// findings are the numbers that the causes are judged by.
type findings struct {
	*series
	facts  Facts
	record *Record

	zeros     map[Cause]explanation // how well each cause explains the zero
	plain     explanation           // the best of: a step, or a drift that levels off or not, from any time on
	steps     explanation           // jumps up and down
	jumps     int
	sharp     float64 // part of the jumps that happens within two hours
	oneWay    float64 // 1 if all jumps go one way, 0 if they come back
	best      float64 // score of the best explanation
	effective float64 // independent zeros, by the colour of what the best explanation leaves
	moved     float64 // m/m, how far the zero moved beside what temperature explains
	perKelvin float64 // m/m/K that the zero follows its own temperature by
	perKError float64

	slope      change  // of the slope, relative
	slopeRef   float64 // m/m a unit of load
	width      float64 // by how much the hysteresis grew, of the strain
	widthErr   float64
	noise      float64 // by what factor the noise grew
	span       float64 // by how much the shunt check changed, relative
	spanErr    float64
	wild       float64 // spikes in a hundred hours after the onset
	ohm        float64 // lowest insulation after the onset, NaN for none
	onset      float64 // hour at which whatever it is began, by the record as a whole
	nearPeak   bool    // at a new maximum of the load
	peakAt     float64
	atOnce     bool      // something changed abruptly there
	firstJump  float64   // hour of the first sharp jump
	cable      []float64 // degC of the leads, or nil
	ups, downs int       // sharp jumps from one epoch to the next
	firstLoads bool      // which is one of the first day of loading
	referred   bool      // there is a reference input
	witnessed  bool
}

// explanation is a fit of the zero by what one cause would do.
type explanation struct {
	score  float64 // log likelihood over that of temperature alone, less half of log n a parameter
	share  float64 // of what moved, that it explains
	onset  float64 // hour from which it would act
	shows  float64 // hour from which it would be seen
	amount float64 // coefficient of its last column
	left   []float64
	known  bool // what it would follow was measured
}

// change is a step or drift of a quantity.
type change struct {
	score, onset, amount float64
}

func (f *findings) base() [][]float64 {
	if f.with[Temperature] == nil {
		return [][]float64{f.ones}
	}
	return [][]float64{f.ones, f.with[Temperature]}
}

// trial collects the best of many fits of one explanation.
type trial struct {
	*least
	best    float64
	onset   float64
	columns [][]float64
}

func (t *trial) try(onset float64, columns ...[]float64) {
	if left := t.with(columns...); left < t.best {
		t.best, t.onset, t.columns = left, onset, columns
	}
}

const grid = 4 // hours between the onsets that are tried

func (s *series) starts() []float64 {
	var all []float64
	if len(s.at) == 0 {
		return nil
	}
	for t := s.at[0]; t < s.at[len(s.at)-1]-6; t += grid {
		all = append(all, t)
	}
	return all
}

// grown is a drift that levels off with a time constant in hours.
func (s *series) grown(t, tau float64) []float64 {
	return s.from(t, func(i int) float64 { return -math.Expm1(-(s.at[i] - t) / tau) })
}

func newFindings(r *Record, facts Facts) *findings {
	f := &findings{series: r.series(), facts: facts, record: r, zeros: map[Cause]explanation{}, ohm: math.NaN()}
	f.referred, f.witnessed = f.with[Reference] != nil, f.with[Witness] != nil
	if len(f.zero) < fewest {
		return f
	}
	f.explainZero()
	f.countJumps()
	f.watchSlope()
	f.setOnset()
	f.compareAroundOnset()
	return f
}

// mostEffective bounds how many independent values a record of any length is
// taken for: beyond it, what a model leaves is the model's fault.
const mostEffective = 60

const fewest = 24 // epochs with a zero, below which nothing is said

func (f *findings) explainZero() {
	base := newLeast(f.zero, f.base()...)
	total := base.squares()
	type candidate struct {
		trial
		parameters float64
		known      bool
	}
	all := map[Cause]*candidate{}
	open := func(c Cause, parameters float64) *candidate {
		k := &candidate{trial: trial{least: base, best: total}, parameters: parameters, known: true}
		all[c] = k
		return k
	}
	starts := f.starts()
	const plain, jumpy = Cause("plain"), Cause("jumpy")

	any := open(plain, 3)
	for _, t := range starts {
		for _, tau := range []float64{0.1, 12, 60, 1000} {
			any.try(t, f.grown(t, tau))
		}
	}
	wet := open(Moisture, 3)
	for _, t := range starts {
		for _, tau := range []float64{20, 100, 1000} {
			g := f.grown(t, tau)
			if f.with[Humidity] == nil {
				wet.try(t, g)
				continue
			}
			for j := range f.wet {
				wet.try(t, g, times(g, f.wet[j]))
				if tau == 100 {
					wet.try(t, times(g, f.wet[j]), times(g, times(f.wet[j], f.wet[j])))
				}
			}
		}
	}
	wet.known = f.with[Humidity] != nil
	creep := open(Creep, 3)
	for _, t := range append(starts, f.firstUse) {
		for j := range lags {
			creep.try(t, f.from(t, func(i int) float64 { return f.lagged[j][i] }))
		}
		creep.try(t, f.from(t, func(i int) float64 { return f.lagged[0][i] }), f.from(t, func(i int) float64 { return f.lagged[1][i] }))
		creep.try(t, f.from(t, func(i int) float64 { return f.lagged[1][i] }), f.from(t, func(i int) float64 { return f.lagged[2][i] }))
	}
	cure := open(PostCure, 2)
	begin := max(f.at[0], f.facts.CureHour)
	for _, tau := range []float64{1, 4, 16, 60} {
		cure.try(begin, f.from(begin, func(i int) float64 { return math.Log1p((f.at[i] - begin) / tau) }))
		cure.try(begin, f.from(begin, func(i int) float64 { return -math.Expm1(-math.Sqrt((f.at[i] - begin) / tau)) }))
	}
	contact := f.jump(open(jumpy, 0).least)
	heat := open(LeadHeat, 3)
	f.cable = f.with[LeadTemperature]
	if f.cable == nil {
		f.cable = f.with[Temperature] // the best guess of it
	}
	if heat.known = f.cable != nil && f.facts.TwoWire; heat.known {
		for _, t := range starts {
			heat.try(t, f.from(t, func(int) float64 { return 1 }), f.from(t, func(i int) float64 { return f.cable[i] }))
		}
	}
	tired := open(Fatigue, 3)
	for k, t := range starts {
		var c0 float64
		for i := range f.at {
			if f.at[i] >= t {
				c0 = f.cycles[i]
				break
			}
		}
		if k%2 == 0 {
			for _, power := range []float64{0.7, 1, 1.4} {
				tired.try(t, f.from(t, func(i int) float64 { return math.Pow(f.cycles[i]-c0, power) }))
			}
		}
	}
	settled := open(Shakedown, 2)
	for _, n := range []float64{1, 2.5, 6, 12} {
		settled.try(f.firstUse, f.column(func(i int) float64 { return -math.Expm1(-f.loads[i] / n) }))
		settled.try(f.firstUse, f.column(func(i int) float64 { return -math.Expm1(-math.Sqrt(f.loads[i] / n)) }))
	}
	hot := open(SelfHeating, 1)
	if hot.known = f.with[Excitation] != nil && spread(f.with[Excitation]) > 0.05*mean(f.with[Excitation]); hot.known {
		v := f.with[Excitation]
		at := f.at[0]
		for i := range v {
			if math.Abs(v[i]/v[0]-1) > 0.05 {
				at = f.at[i]
				break
			}
		}
		hot.try(at, times(v, v))
	}
	unit := open(Instrument, 1)
	switch {
	case f.referred:
		unit.try(f.began(f.with[Reference]), f.with[Reference])
	case f.with[Companions] != nil:
		unit.try(f.began(f.with[Companions]), f.with[Companions])
	default:
		unit.known = false
	}
	built := open(Structure, 3)
	for _, t := range f.maxima {
		for _, by := range []float64{-1.6, -0.6, 0.4} {
			step := f.from(t+by, func(int) float64 { return 1 })
			built.try(t, step)
			built.try(t, step, f.grown(t+by, 30))
		}
	}

	best := all[plain]
	for _, k := range all {
		if k.best < best.best {
			best = k
		}
	}
	left := newLeast(f.zero, append(f.base(), best.columns...)...)
	rho := colour(left.residual)
	if contact.squares < best.best {
		rho = min(rho, colour(contact.residual))
	}
	n := float64(len(f.zero))
	f.effective = max(15, n*(1-rho)/(1+rho))
	f.effective = min(f.effective, mostEffective)
	// No model of a cause is better than a few per cent, nor than half a microstrain.
	floor := n*0.25e-12 + 0.01*total
	likely := func(left float64) float64 { return f.effective / 2 * math.Log((total+floor)/(left+floor)) }
	for c, k := range all {
		e := explanation{known: k.known, onset: k.onset, left: k.residual}
		if k.columns != nil {
			full := append(f.base(), k.columns...)
			e.left = newLeast(f.zero, full...).residual
			e.amount = amplitude(f.zero, full...)
			e.shows = f.shows(f.effect(k.columns), k.onset)
		}
		e.score = likely(k.best) - k.parameters/2*math.Log(f.effective)
		e.share = 1 - k.best/total
		f.zeros[c] = e
	}
	f.plain = f.zeros[plain]
	f.jumps = contact.jumps
	f.steps = explanation{known: true, onset: contact.onset, shows: contact.onset, share: 1 - contact.squares/total,
		score: likely(contact.squares) - float64(contact.jumps)*math.Log(f.effective)}
	f.zeros[Connector] = f.steps
	f.sharp, f.oneWay = contact.sharp, contact.oneWay
	f.best = f.plain.score
	for _, e := range f.zeros {
		f.best = max(f.best, e.score)
	}

	fitted := f.column(func(i int) float64 { return f.zero[i] - left.residual[i] })
	// What temperature explains beside the best explanation of the rest.
	if t := f.with[Temperature]; t != nil {
		columns := append([][]float64{f.ones}, best.columns...)
		columns = append(columns, t)
		f.perKelvin = amplitude(f.zero, columns...)
		bare := newLeast(t, columns[:len(columns)-1]...)
		f.perKError = math.Sqrt(left.squares() / f.effective / (bare.squares()/n + 1e-9) / n * (n / f.effective))
		f.moved = reach(f.column(func(i int) float64 { return fitted[i] - f.perKelvin*t[i] }))
	} else {
		f.moved = reach(fitted)
	}
}

// effect is what columns add to the zero in a fit of all of them beside the base.
func (f *findings) effect(columns [][]float64) []float64 {
	sum := make([]float64, len(f.zero))
	for k := range columns {
		order := f.base()
		for j := range columns {
			if j != k {
				order = append(order, columns[j])
			}
		}
		a := amplitude(f.zero, append(order, columns[k])...)
		for i, x := range columns[k] {
			sum[i] += a * x
		}
	}
	return sum
}

// shows returns the hour, not before the onset, at which an effect first exceeds
// a twentieth of its range and two microstrain.
func (f *findings) shows(effect []float64, onset float64) float64 {
	least := max(2e-6, 0.05*reach(effect))
	for i, x := range effect {
		if f.at[i] >= onset && math.Abs(x-effect[0]) > least {
			return f.at[i]
		}
	}
	return onset
}

// began returns the hour from which a covariate moves.
func (f *findings) began(x []float64) float64 {
	t := trial{least: newLeast(x, f.ones), best: math.Inf(1)}
	for _, at := range f.starts() {
		for _, tau := range []float64{0.1, 12, 60, 1000} {
			t.try(at, f.grown(at, tau))
		}
	}
	return t.onset
}

type segmented struct {
	squares  float64
	jumps    int
	onset    float64
	sharp    float64
	oneWay   float64 // 1 if all jumps go one way
	residual []float64
}

// jump explains the zero by up to twelve jumps, found one at a time, while each
// pays for itself.
func (f *findings) jump(base *least) segmented {
	var cuts []int
	l := &least{residual: base.residual, basis: base.basis}
	s := segmented{squares: l.squares(), onset: math.Inf(1)}
	l.residual = append([]float64(nil), base.residual...)
	n := len(f.at)
	for s.jumps < 12 {
		// The gain of a jump at i, if the residual had only a mean: good enough to choose by.
		var sum, gain float64
		at := -1
		for i := 0; i < n-1; i++ {
			sum += l.residual[i]
			k := float64(i + 1)
			if g := sum * sum * float64(n) / (k * (float64(n) - k)); g > gain {
				gain, at = g, i+1
			}
		}
		if at < 0 {
			break
		}
		before := l.squares()
		l.take(f.column(func(i int) float64 {
			if i < at {
				return 0
			}
			return 1
		}))
		after := l.squares()
		if after > 0.85*before {
			break
		}
		cuts = append(cuts, at)
		s.squares, s.onset = after, min(s.onset, f.at[at])
		s.jumps++
	}
	s.residual = l.residual
	if sharp := f.sharpJumps(); len(sharp) > s.jumps {
		// One at a time stops where a pair of jumps would pay and none of the two
		// alone: try all that are sharp.
		l := newLeast(f.zero, f.base()...)
		for _, at := range sharp {
			l.take(f.from(f.at[at], func(int) float64 { return 1 }))
		}
		if left := l.squares(); left < 0.5*s.squares {
			s = segmented{squares: left, jumps: len(sharp), onset: f.at[sharp[0]], residual: l.residual}
			cuts = sharp
		}
	}
	s.sharp, s.oneWay = sharpness(base.residual, cuts)
	return s
}

// sharpness compares the differences across cuts over the two values on either
// side with those between the means of the whole pieces.
func sharpness(x []float64, cuts []int) (sharp, oneWay float64) {
	slices.Sort(cuts)
	cuts = append(append([]int{0}, cuts...), len(x))
	var near, whole, net float64
	for k := 1; k < len(cuts)-1; k++ {
		from, at, to := cuts[k-1], cuts[k], cuts[k+1]
		near += math.Abs(mean(x[at:min(at+2, to)]) - mean(x[max(at-2, from):at]))
		net += mean(x[at:to]) - mean(x[from:at])
		whole += math.Abs(mean(x[at:to]) - mean(x[from:at]))
	}
	return near / whole, math.Abs(net) / whole
}

// sharpJumps returns the indices of zeros, in order and mostJumps at most, that
// differ from those before by far more than neighbours do, and by three
// microstrain at least.
func (f *findings) sharpJumps() []int {
	height := func(i int) float64 { return math.Abs(f.zero[i] - f.zero[max(i, 1)-1]) }
	steps := f.column(height)
	slices.Sort(steps)
	least := max(3e-6+9*steps[len(steps)/2], steps[max(0, len(steps)-1-mostJumps)])
	var at []int
	for i := range f.zero {
		if height(i) > least {
			at = append(at, i)
		}
	}
	return at
}

const mostJumps = 24

func (f *findings) countJumps() {
	for _, i := range f.sharpJumps() {
		if f.ups+f.downs == 0 {
			f.firstJump = f.at[i]
		}
		if f.zero[i] > f.zero[i-1] {
			f.ups++
		} else {
			f.downs++
		}
	}
}

// abrupt says that a quantity changed about hour t by far more than its values
// within a few epochs differ by, and by a least amount.
func abrupt(l line, t, least float64) bool {
	var before, after, steps []float64
	for i, at := range l.at {
		switch {
		case at < t-1.2:
			before = append(before, l.y[i])
		case at > t+0.2:
			after = append(after, l.y[i])
		}
		if i > 0 {
			steps = append(steps, math.Abs(l.y[i]-l.y[i-1]))
		}
	}
	const few = 3
	if len(before) < few || len(after) < few {
		return false
	}
	slices.Sort(steps)
	typical := steps[len(steps)/2]
	return math.Abs(mean(after[:few])-mean(before[len(before)-few:])) > max(least, 4*typical)
}

// beforeLoad returns by how much the zero moved from the end of cure to the first
// load beside temperature, as a part of all that it moved; NaN without three
// zeros at either end.
func (f *findings) beforeLoad() float64 {
	var early []float64
	for i, at := range f.at {
		if at >= f.facts.CureHour && at < f.firstUse {
			x := f.zero[i]
			if t := f.with[Temperature]; t != nil {
				x -= f.perKelvin * t[i]
			}
			early = append(early, x)
		}
	}
	const few = 3
	if len(early) < 2*few-1 {
		return math.NaN()
	}
	return math.Abs(mean(early[len(early)-few:])-mean(early[:few])) / f.moved
}

func times(a, b []float64) []float64 {
	c := make([]float64, len(a))
	for i := range c {
		c[i] = a[i] * b[i]
	}
	return c
}

func mean(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

func (f *findings) watchSlope() {
	l := &f.slopes
	if len(l.y) < fewest {
		return
	}
	s := &series{at: l.at}
	s.ones = s.column(func(int) float64 { return 1 })
	t := trial{least: newLeast(l.y, s.ones)}
	total := t.squares()
	t.best = total
	for _, at := range s.at[:len(s.at)-3] {
		for _, tau := range []float64{0.1, 15, 80} {
			t.try(at, s.grown(at-0.01, tau))
		}
	}
	if t.columns == nil {
		return
	}
	left := newLeast(l.y, s.ones, t.columns[0])
	rho := colour(left.residual)
	n := float64(len(l.y))
	effective := max(12, n*(1-rho)/(1+rho))
	var before []float64
	for i, y := range l.y {
		if l.at[i] < t.onset {
			before = append(before, y)
		}
	}
	f.slopeRef = l.y[0]
	if len(before) > 0 {
		f.slopeRef = mean(before)
	}
	// Where it has gone a twentieth of its way.
	f.slope.onset = t.onset
	for i, x := range t.columns[0] {
		if x > 0.05*t.columns[0][len(l.y)-1] {
			f.slope.onset = l.at[i]
			break
		}
	}
	f.slope.amount = amplitude(l.y, s.ones, t.columns[0]) * t.columns[0][len(l.y)-1] / f.slopeRef
	f.slope.score = effective/2*math.Log(total/max(t.best, n*1e-8*f.slopeRef*f.slopeRef)) - 1.5*math.Log(effective)
}

// slopeChanged says that the slope against load is not what it was, by more than
// can be chance.
func (f *findings) slopeChanged() bool {
	bent := math.Abs(f.slope.amount)
	return f.slope.score > 8 && bent > 0.015 || f.slope.score > 3 && bent > 0.04
}

// zeroMoved says so of the zero.
func (f *findings) zeroMoved() bool {
	least := f.facts.tolerance()
	return f.moved > 2*least || f.moved > least && f.best > 12
}

func (f *findings) setOnset() {
	f.onset = f.plain.shows
	best := f.plain.score
	for c, e := range f.zeros {
		if c != Creep && c != Moisture && e.score > best+3 {
			best, f.onset = e.score, e.shows
		}
	}
	if f.slopeChanged() && (!f.zeroMoved() || f.slope.score > best) {
		f.onset = f.slope.onset
	}
	near := func(t, within float64) bool {
		for _, m := range f.maxima {
			if math.Abs(m-t) <= within {
				f.peakAt = m
				return true
			}
		}
		return false
	}
	within := max(2.5, 1.5*float64(f.record.Span)/float64(hour))
	defer func() {
		f.atOnce = f.nearPeak && (abrupt(line{f.at, f.zero}, f.peakAt, 0.2*f.moved) || abrupt(f.slopes, f.peakAt, 0.015*math.Abs(f.slopeRef)))
	}()
	defer func() { f.firstLoads = f.nearPeak && f.firstLoading(f.peakAt) }()
	f.nearPeak = f.slopeChanged() && near(f.slope.onset, within) ||
		f.zeroMoved() && near(f.plain.onset, within+grid/2)
	if e := f.zeros[Structure]; f.zeroMoved() && e.score > f.best-4 && near(e.onset, within) {
		f.nearPeak = true
	}
}

// firstLoading says that the article was new to loads at hour t.
func (f *findings) firstLoading(t float64) bool {
	for i, at := range f.at {
		if at >= t {
			return t < f.firstUse+24 || t < f.firstUse+72 && f.loads[i] <= 12
		}
	}
	return false
}

// answered says that near channels on another source changed at hour t.
func (f *findings) answered(t float64) bool {
	n := f.with[Neighbours]
	if n == nil || reach(n) < 5e-6 {
		return false
	}
	step := f.from(t-0.6, func(int) float64 { return 1 })
	l := newLeast(n, f.base()...)
	return 1-l.with(step)/l.squares() > 0.5
}

func (f *findings) compareAroundOnset() {
	around := func(l line) (before, after []float64) {
		for i, t := range l.at {
			if t < f.onset {
				before = append(before, l.y[i])
			} else if t > f.onset+12 {
				after = append(after, l.y[i])
			}
		}
		return before, after
	}
	deviation := func(x []float64) float64 {
		m, v := mean(x), 0.0
		for _, y := range x {
			v += (y - m) * (y - m)
		}
		return math.Sqrt(v / math.Max(1, float64(len(x)-1)) / float64(len(x)))
	}
	f.widthErr, f.spanErr, f.noise = math.Inf(1), math.Inf(1), 1
	if b, a := around(f.widths); len(b) > 3 && len(a) > 3 {
		f.width, f.widthErr = math.Abs(mean(a))-math.Abs(mean(b)), 2*math.Hypot(deviation(a), deviation(b))+1e-3
	}
	if b, a := around(f.noises); len(b) > 3 && len(a) > 3 {
		f.noise = math.Exp(mean(a) - mean(b))
	}
	var shunts line
	begin := f.record.Epochs[0].From
	for _, n := range f.record.Shunts {
		shunts.add(float64(n.Time-begin)/float64(hour), n.Value)
	}
	if b, a := around(shunts); len(b) > 1 && len(a) > 1 {
		f.span, f.spanErr = mean(a)-mean(b), math.Hypot(deviation(a), deviation(b))+2e-4
	}
	for i, t := range f.at {
		if t >= f.onset {
			last := len(f.at) - 1
			f.wild = (f.spikes[last] - f.spikes[i]) / max(1, f.at[last]-t) * 100
			break
		}
	}
	for _, n := range f.record.Insulation {
		if t := float64(n.Time-begin) / float64(hour); t >= f.onset && !(n.Value >= f.ohm) {
			f.ohm = n.Value
		}
	}
}
