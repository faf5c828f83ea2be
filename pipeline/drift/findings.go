package drift

import (
	"maps"
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
	settled   float64 // log of the chance that a contact would jump so early only
	driven    float64 // and so seldom at rest
	best      float64 // score of the best explanation
	single    float64 // of the best one that is one trouble
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
	strikes    []struck  // maxima at which something did
	elsewhere  float64   // m/m, the largest step of the zero at other times
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
	effect []float64 // what it adds to each zero
	beside []float64 // what the other trouble adds, where there is one
	known  bool      // what it would follow was measured
	joined bool      // by another trouble, which is not named
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

// A law gives what a cause might add to the zero if it began at hour t: sets of
// columns, each a fit of its own.
type law func(t float64) [][][]float64

func (t *trial) all(onset float64, l law) {
	for _, columns := range l(onset) {
		t.try(onset, columns...)
	}
}

// search tries a law from every fourth hour, and from every hour about the best.
func (s *series) search(t *trial, l law) {
	for _, at := range s.starts() {
		t.all(at, l)
	}
	if about := t.onset; t.columns != nil {
		for by := 1 - grid; by < grid; by++ {
			if by != 0 {
				t.all(about+float64(by), l)
			}
		}
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

// levels are drifts that level off with given time constants, or hardly, in hours.
func (s *series) levels(taus ...float64) law {
	return func(t float64) (all [][][]float64) {
		for _, tau := range taus {
			all = append(all, [][]float64{s.grown(t, tau)})
		}
		return all
	}
}

// candidate is a cause with the laws that it may follow.
type candidate struct {
	trial
	parameters float64
	known      bool
	laws       func(*trial)
	alone      float64     // what it leaves
	second     [][]float64 // columns of another trouble, not named, beside it; nil for none
	solo       [][]float64 // those of the cause without that
	soloOnset  float64
}

const plain, jumpy = Cause("plain"), Cause("jumpy")

func (f *findings) explainZero() {
	base := newLeast(f.zero, f.base()...)
	total := base.squares()
	all := map[Cause]*candidate{}
	for c, k := range f.candidates() {
		k.trial = trial{least: base, best: total}
		k.laws(&k.trial)
		k.alone = k.best
		all[c] = k
	}
	contact := f.jump(base)
	all[jumpy] = &candidate{trial: trial{least: base, best: total}, alone: total, known: true}
	best := all[plain]
	for _, c := range slices.Sorted(maps.Keys(all)) { // some fit equally well: in one order, for one verdict
		k := all[c]
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
	effective := func(rho float64) float64 { return min(mostEffective, max(15, n*(1-rho)/(1+rho))) }
	f.effective = effective(rho)
	// No model of a cause is better than a few per cent, nor than half a microstrain.
	floor := n*0.25e-12 + 0.01*total
	likely := func(left float64) float64 { return f.effective / 2 * math.Log((total+floor)/(left+floor)) }
	f.single = math.Inf(-1)
	for _, k := range all {
		f.single = max(f.single, likely(k.best)-k.parameters/2*math.Log(f.effective))
	}
	for _, c := range slices.Sorted(maps.Keys(all)) {
		k := all[c]
		if !slices.Contains(joined, c) || !k.known || k.columns == nil {
			continue
		}
		f.join(k)
		if k.second != nil && k.best < 0.5*best.best {
			best = k
			left = newLeast(f.zero, append(f.base(), append(k.columns, k.second...)...)...)
			rho = min(rho, colour(left.residual))
		}
	}
	f.effective = effective(rho)
	for c, k := range all {
		e := explanation{known: k.known, onset: k.onset, left: k.residual}
		price := k.parameters / 2 * math.Log(f.effective)
		e.score = likely(k.alone) - price
		e.share = 1 - k.alone/total
		columns := k.columns
		if k.second != nil {
			both := append(columns[:len(columns):len(columns)], k.second...)
			own, other := reach(f.effect(both, len(columns))), reach(f.effect(append(k.second[:len(k.second):len(k.second)], columns...), len(k.second)))
			more := likely(k.best) - price - 1.5*math.Log(f.effective) - joining - 4*max(0, math.Log(other/own))
			if more > e.score {
				e.score, e.joined, e.share = more, true, 1-k.best/total
				columns = both
			} else {
				k.second, k.columns, k.onset = nil, k.solo, k.soloOnset
				columns = k.columns
				e.onset = k.onset
			}
		}
		if k.columns != nil {
			full := append(f.base(), columns...)
			e.left = newLeast(f.zero, full...).residual
			order := append(f.base(), columns[len(k.columns):]...)
			order = append(order, k.columns...)
			e.amount = amplitude(f.zero, order...)
			if c == Creep && len(k.columns) == 2 { // two memories, which may have two signs
				e.amount += amplitude(f.zero, append(order[:len(order)-2:len(order)-2], k.columns[1], k.columns[0])...)
			}
			e.effect = f.effect(columns, len(k.columns))
			if e.joined { // what is not named explains nothing
				other := f.effect(append(k.second[:len(k.second):len(k.second)], k.columns...), len(k.second))
				e.beside = other
				for i := range e.left {
					e.left[i] += other[i]
				}
			}
			e.shows = f.shows(e.effect, k.onset)
		}
		f.zeros[c] = e
	}
	f.plain = f.zeros[plain]
	f.jumps = contact.jumps
	f.steps = explanation{known: true, onset: contact.onset, shows: contact.onset, share: 1 - contact.squares/total,
		// A jump that is sharp shows itself: it costs its size, not its place.
		score: likely(contact.squares) - (float64(contact.jumps)-0.5*float64(min(contact.jumps, len(f.sharpJumps()))))*math.Log(f.effective)}
	f.zeros[Connector] = f.steps
	f.sharp, f.oneWay = contact.sharp, contact.oneWay
	f.settled, f.driven = f.early(contact.cuts), f.underLoad(contact.cuts)
	f.best = f.plain.score
	for _, e := range f.zeros {
		f.best = max(f.best, e.score)
	}

	fitted := f.column(func(i int) float64 { return f.zero[i] - left.residual[i] })
	// What temperature explains beside the best explanation of the rest.
	if t := f.with[Temperature]; t != nil {
		columns := append([][]float64{f.ones}, best.columns...)
		columns = append(append(columns, best.second...), t)
		f.perKelvin = amplitude(f.zero, columns...)
		bare := newLeast(t, columns[:len(columns)-1]...)
		f.perKError = math.Sqrt(left.squares() / f.effective / (bare.squares()/n + 1e-9) / n * (n / f.effective))
		f.moved = reach(f.column(func(i int) float64 { return fitted[i] - f.perKelvin*t[i] }))
	} else {
		f.moved = reach(fitted)
	}
}

// joined are the causes beside which another trouble may be.
var joined = []Cause{Moisture, Creep, PostCure, LeadHeat, Fatigue, Shakedown, SelfHeating, Instrument, Structure}

// joining is the price, as a logarithm, of a second trouble in one channel beside
// that of its parameters.
const joining = 6

// join looks for a drift from any time on, of whatever cause, beside what the
// cause of a candidate does, and fits both.
func (f *findings) join(k *candidate) {
	second := trial{least: newLeast(f.zero, append(f.base(), k.columns...)...), best: 0.7 * k.best}
	f.search(&second, f.levels(0.1, 30, 1000))
	if second.columns == nil {
		return
	}
	k.solo, k.soloOnset = k.columns, k.onset
	again := trial{least: newLeast(f.zero, append(f.base(), second.columns...)...), best: math.Inf(1)}
	k.laws(&again)
	k.best, k.onset, k.columns, k.second = again.best, again.onset, again.columns, second.columns
}

// candidates are the causes that the zero alone may tell of.
func (f *findings) candidates() map[Cause]*candidate {
	all := map[Cause]*candidate{}
	open := func(c Cause, parameters float64, laws func(*trial)) *candidate {
		all[c] = &candidate{parameters: parameters, known: true, laws: laws}
		return all[c]
	}
	follow := func(l law) func(*trial) { return func(t *trial) { f.search(t, l) } }

	open(plain, 3, follow(f.levels(0.1, 12, 60, 1000)))
	open(Moisture, 3, follow(f.wetted)).known = f.with[Humidity] != nil
	open(Creep, 3, func(t *trial) {
		f.search(t, f.remembered)
		t.all(f.firstUse, f.remembered)
	})
	begin := max(f.at[0], f.facts.CureHour)
	warmed, hours := f.warmed(begin), f.from(begin, func(i int) float64 { return f.at[i] - begin })
	open(PostCure, 2, func(t *trial) {
		for _, tau := range []float64{1, 4, 16, 60} {
			for _, hours := range [][]float64{warmed, hours} {
				t.try(begin, f.column(func(i int) float64 { return math.Log1p(hours[i] / tau) }))
				t.try(begin, f.column(func(i int) float64 { return -math.Expm1(-math.Sqrt(hours[i] / tau)) }))
			}
		}
	})
	f.cable = f.with[LeadTemperature]
	if f.cable == nil {
		f.cable = f.with[Temperature] // the best guess of it
	}
	hot := open(LeadHeat, 3, func(*trial) {})
	hot.known = f.cable != nil && f.facts.TwoWire
	switch {
	case hot.known && f.with[LeadTemperature] != nil:
		hot.laws = follow(func(t float64) [][][]float64 {
			was, n := f.cable[0], 1.0 // what it was before
			for i := 1; i < len(f.at) && f.at[i] < t; i++ {
				was, n = was+f.cable[i], n+1
			}
			return [][][]float64{{f.from(t, func(i int) float64 { return f.cable[i] - was/n })}}
		})
	case hot.known: // what the cable was before is not known
		hot.laws = follow(func(t float64) [][][]float64 {
			return [][][]float64{{f.from(t, func(int) float64 { return 1 }), f.from(t, func(i int) float64 { return f.cable[i] })}}
		})
	}
	open(Fatigue, 3, follow(f.tired))
	open(Shakedown, 2, func(t *trial) {
		for _, n := range []float64{0.3, 1, 2.5, 6, 12} {
			t.try(f.firstUse, f.column(func(i int) float64 { return -math.Expm1(-f.loads[i] / n) }))
			t.try(f.firstUse, f.column(func(i int) float64 { return -math.Expm1(-math.Sqrt(f.loads[i] / n)) }))
		}
		f.gave(t, f.firstLoading) // there the article that gives is one that settles
	})
	power := open(SelfHeating, 1, nil)
	if power.known = f.with[Excitation] != nil && spread(f.with[Excitation]) > 0.05*mean(f.with[Excitation]); power.known {
		v := f.with[Excitation]
		at := f.at[0]
		for i := range v {
			if math.Abs(v[i]/v[0]-1) > 0.05 {
				at = f.at[i]
				break
			}
		}
		power.laws = func(t *trial) { t.try(at, times(v, v)) }
	} else {
		power.laws, power.parameters = follow(f.levels(0.3)), 2
	}
	unit := open(Instrument, 1, nil)
	switch {
	case f.referred:
		at := f.began(f.with[Reference])
		unit.laws = func(t *trial) { t.try(at, f.with[Reference]) }
	case f.with[Companions] != nil:
		// What they share with the temperature is what it does to all of them, a
		// witness gauge among them: only what they do beside it is the instrument's.
		beside := newLeast(f.with[Companions], f.base()...).residual
		at := f.began(beside)
		unit.laws = func(t *trial) { t.try(at, beside) }
	default:
		unit.known = false
		unit.laws, unit.parameters = follow(f.levels(0.1, 12, 60, 1000)), 3
	}
	open(Structure, 3, func(t *trial) { f.gave(t, func(float64) bool { return true }) })
	return all
}

// wetted is a leak that grows and follows humidity.
func (f *findings) wetted(t float64) (all [][][]float64) {
	for _, tau := range []float64{20, 100, 1000} {
		g := f.grown(t, tau)
		if f.with[Humidity] == nil {
			all = append(all, [][]float64{g})
			continue
		}
		for j := range f.wet {
			all = append(all, [][]float64{g, times(g, f.wet[j])})
			if tau == 100 {
				all = append(all, [][]float64{times(g, f.wet[j]), times(g, times(f.wet[j], f.wet[j]))})
			}
		}
	}
	return all
}

// remembered is the load as an adhesive remembers it.
func (f *findings) remembered(t float64) (all [][][]float64) {
	var since [len(lags)][]float64
	for j := range lags {
		since[j] = f.from(t, func(i int) float64 { return f.lagged[j][i] })
		all = append(all, [][]float64{since[j]})
	}
	return append(all, [][]float64{since[0], since[1]}, [][]float64{since[1], since[2]})
}

// tired is a grid that cracks with cycles.
func (f *findings) tired(t float64) (all [][][]float64) {
	at, _ := slices.BinarySearch(f.at, t)
	for _, power := range []float64{0.7, 1, 1.4} {
		all = append(all, [][]float64{f.from(t, func(i int) float64 { return math.Pow(f.cycles[i]-f.cycles[at], power) })})
	}
	return all
}

// gave tries a step, and one that goes on, at the new maxima that count.
func (f *findings) gave(trial *trial, counts func(t float64) bool) {
	for _, t := range f.maxima {
		if !counts(t) {
			continue
		}
		for _, by := range []float64{-1.6, -0.6, 0.4} {
			step := f.from(t+by, func(int) float64 { return 1 })
			trial.try(t, step)
			trial.try(t, step, f.grown(t+by, 30))
		}
	}
}

// activation is how strongly a cure is driven by temperature, in kelvin: 60 kJ/mol
// over the gas constant, in the middle of what room-temperature adhesives show;
// common practice, no source.
const activation = 60e3 / 8.314

// warmed returns the hours since one, each counted by how fast a cure goes at its
// temperature (Arrhenius), against 20 degC.
func (f *findings) warmed(begin float64) []float64 {
	hours := make([]float64, len(f.at))
	for i := 1; i < len(f.at); i++ {
		rate := 1.0
		if t := f.with[Temperature]; t != nil {
			rate = math.Exp(activation * (1/293.15 - 1/max(200, t[i]+273.15)))
		}
		hours[i] = hours[i-1] + rate*max(0, f.at[i]-max(begin, f.at[i-1]))
	}
	return hours
}

// effect is what the first few of columns add to the zero in a fit of all of them
// beside the base.
func (f *findings) effect(columns [][]float64, few int) []float64 {
	sum := make([]float64, len(f.zero))
	for k := range columns[:few] {
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
	f.search(&t, func(at float64) (all [][][]float64) {
		for _, tau := range []float64{0.1, 12, 60, 1000} {
			all = append(all, [][]float64{f.grown(at, tau)})
		}
		return all
	})
	return t.onset
}

type segmented struct {
	squares  float64
	jumps    int
	onset    float64
	sharp    float64
	oneWay   float64 // 1 if all jumps go one way
	cuts     []int   // in order
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
	slices.Sort(cuts)
	s.cuts = cuts
	s.sharp, s.oneWay = sharpness(base.residual, cuts)
	return s
}

// sharpness compares the differences across cuts over the two values on either
// side with those between the means of the whole pieces.
func sharpness(x []float64, cuts []int) (sharp, oneWay float64) {
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

// sharpJumps returns the indices of zeros, in order and mostJumps at most, the
// largest, that differ from those before by far more than neighbours do.
func (f *findings) sharpJumps() []int {
	all := f.allJumps()
	if len(all) <= mostJumps {
		return all
	}
	heights := make([]float64, len(all))
	for k, i := range all {
		heights[k] = f.height(i)
	}
	slices.Sort(heights)
	least := heights[len(heights)-mostJumps]
	return slices.DeleteFunc(all, func(i int) bool { return f.height(i) < least })
}

func (f *findings) height(i int) float64 { return math.Abs(f.zero[i] - f.zero[max(i, 1)-1]) }

// allJumps are those however many they are, of three microstrain at least.
func (f *findings) allJumps() (at []int) {
	steps := f.column(f.height)
	slices.Sort(steps)
	least := 3e-6 + 9*steps[len(steps)/2]
	for i := range f.zero {
		if h := f.height(i); h > least && h > 4*f.restless(i) {
			at = append(at, i)
		}
	}
	return at
}

// restless returns the median difference of zeros about one, but for it and the
// ones beside it: a leak that flickers while it is wet jumps up and down all the
// time, a contact rests between its jumps.
func (f *findings) restless(at int) float64 {
	var all []float64
	for i := max(1, at-5); i <= min(len(f.zero)-1, at+5); i++ {
		if i < at-1 || i > at+1 {
			all = append(all, f.zero[i]-f.zero[i-1])
		}
	}
	return typical(all)
}

const mostJumps = 24

// firstOfJumps is how large the first jump of a contact is at least, as a part of
// the middle one: a smaller one before it is the noise's. Common practice, no source.
const firstOfJumps = 0.25

func (f *findings) countJumps() {
	var heights []float64
	for _, i := range f.sharpJumps() {
		heights = append(heights, f.height(i))
		if f.zero[i] > f.zero[i-1] {
			f.ups++
		} else {
			f.downs++
		}
	}
	for _, i := range f.allJumps() {
		if f.height(i) >= firstOfJumps*median(heights) {
			f.firstJump = f.at[i]
			break
		}
	}
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
	for _, at := range s.at[3 : len(s.at)-3] {
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
	return f.moved > 2*least || f.moved > least && f.single > 12
}

func (f *findings) setOnset() {
	f.onset = f.plain.shows
	best := f.plain.score
	for _, c := range slices.Sorted(maps.Keys(f.zeros)) {
		if e := f.zeros[c]; c != Creep && c != Moisture && e.score > best+3 {
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
	f.findStruck()
	if f.atOnce {
		return
	}
	f.nearPeak = f.slopeChanged() && near(f.slope.onset, within) ||
		f.zeroMoved() && near(f.plain.onset, within+grid/2)
	if e := f.zeros[Structure]; f.zeroMoved() && e.score > f.best-4 && near(e.onset, within) {
		f.nearPeak = true
	}
	f.firstLoads = f.nearPeak && f.firstLoading(f.peakAt)
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

// lost is by how much less the grid shows at the highest load than it did, in m/m.
func (f *findings) lost() float64 {
	if !f.slopeChanged() || f.slope.amount > 0 {
		return 0
	}
	return math.Abs(f.slope.amount*f.slopeRef) * f.peak[len(f.peak)-1]
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
