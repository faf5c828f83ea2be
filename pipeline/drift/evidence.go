package drift

import "math"

// evidence says for each cause what speaks for it and against it. Amounts are
// natural logarithms of likelihood ratios: those of the fits of the zero and of
// the slope are calculated, tempered for the colour that no short record shows
// whole; the round numbers beside them are judgement, settled on simulated
// channels that the published study does not use.
var evidence = map[Cause]func(*findings, *opine){
	Healthy:     healthy,
	Moisture:    moisture,
	Creep:       creep,
	PostCure:    postCure,
	Connector:   connector,
	LeadHeat:    leadHeat,
	Debond:      debond,
	Fatigue:     fatigue,
	Shakedown:   shakedown,
	SelfHeating: selfHeating,
	Instrument:  instrument,
	Structure:   structure,
	Thermal:     thermal,
}

const (
	tempered   = 0.6
	mostFit    = 40
	mostBend   = 15
	micro      = 1e6 // microstrain, for sentences
	unmeasured = 5   // that what a cause would follow cannot be checked
	ruled      = -15 // what should not be, if it were this
)

func capped(score, most float64) float64 { return tempered * max(-most, min(most, score)) }

// weigh tempers how well the zero is explained. What all explanations share is
// capped, what sets them apart is not.
func (f *findings) weigh(score float64) float64 {
	return tempered * (min(mostFit, f.best) + score - f.best)
}

// fit says how well a cause explains the zero.
func (f *findings) fit(o *opine, c Cause, what string) {
	if !f.zeroMoved() {
		return
	}
	e := f.zeros[c]
	if !e.known {
		// What it would do without that, and a price for what nobody can check.
		o.says(f.weigh(e.score)-unmeasured, "what it would follow (%s) is not measured; alone it explains %.0f %% of what moved", what, 100*e.share)
		return
	}
	o.says(f.weigh(e.score), "%s explains %.0f %% of what moved beside temperature", what, 100*e.share)
}

// rest says whether what a cause does while nothing is loaded was seen there.
func (f *findings) rest(o *opine, c Cause) {
	e := f.zeros[c]
	score, would := f.atRest(&e)
	if !f.zeroMoved() || would < 2*leastRest {
		return
	}
	if score = max(-12, min(12, score)); score > 0 { // changes over rests are independent of each other
		o.says(score, "what it does at rest, %.0f microstrain in all, was seen there", would*micro)
	} else {
		o.says(score, "it would have moved by %.0f microstrain in all while at rest, and the zero did not", would*micro)
	}
}

// bend says whether a change of slope against load is what the cause does.
func (f *findings) bend(o *opine, does bool) {
	if f.slopeChanged() && does {
		o.says(capped(f.slope.score, mostBend), "the slope against load changed by %+.1f %%", 100*f.slope.amount)
	} else if f.slopeChanged() {
		o.says(-3, "the slope against load changed by %+.1f %%, which it does not do", 100*f.slope.amount)
	}
}

// rightShunt says what a changed shunt check means for a cause that leaves it alone.
func (f *findings) rightShunt(o *opine) {
	if math.Abs(f.span) > 4*f.spanErr {
		o.says(-4, "the shunt check changed by %+.2f %%", 100*f.span)
	}
}

func (f *findings) tooWarm() bool {
	return math.Abs(f.perKelvin)-f.perKError > mostPerKelvin && math.Abs(f.perKelvin) > 3*f.perKError
}

// mostPerKelvin is the slope of the zero against temperature that scatter within
// a lot and the restraint of an article still explain; common practice, no source.
const mostPerKelvin = 2.2e-6

func (f *findings) drop() float64 { return f.plain.amount }

func healthy(f *findings, o *opine) {
	switch {
	case f.zeroMoved():
		o.says(ruled, "the zero moved by %.0f microstrain", f.moved*micro)
	default:
		o.says(5, "the zero kept within %.0f microstrain beside temperature", f.moved*micro)
	}
	if f.slopeChanged() {
		o.says(ruled, "the slope against load changed by %+.1f %%", 100*f.slope.amount)
	}
	if f.tooWarm() {
		o.says(ruled, "the zero follows temperature by %+.1f microstrain/K", f.perKelvin*micro)
	}
}

func moisture(f *findings, o *opine) {
	f.fit(o, Moisture, "a leak that grows and follows humidity")
	f.bend(o, false)
	f.rightShunt(o)
	switch {
	case !f.zeroMoved():
		o.says(-8, "the zero did not move")
	case f.zeros[Moisture].onset < max(0, f.facts.CureHour)+6:
		o.says(-2, "it began with the record, as other things do")
	}
	if f.noise > 1.5 {
		o.says(1.5, "the noise grew to %.1f times what it was", f.noise)
	}
	if f.drop() < 0 {
		o.says(0.7, "the zero fell, as with a leak across the gauge")
	} else {
		o.says(-0.7, "the zero rose, as only a leak in the other arm would")
	}
	if math.IsNaN(f.ohm) {
		return
	}
	would := f.facts.Gauge / (f.facts.GaugeFactor * f.ohm)
	switch {
	case would > 0.15*f.moved && would < 8*f.moved:
		o.says(8, "insulation fell to %.3g Mohm, which reads as %.0f microstrain", f.ohm/1e6, would*micro)
	case would < 0.05*f.moved:
		o.says(ruled, "insulation of %.3g Mohm would read as %.1f microstrain only", f.ohm/1e6, would*micro)
	}
}

func creep(f *findings, o *opine) {
	f.fit(o, Creep, "the load as an adhesive remembers it")
	f.bend(o, f.slope.amount < 0 && f.slope.amount > -0.25)
	f.rightShunt(o)
	if !f.zeroMoved() {
		o.says(-6, "the zero did not move")
		return
	}
	e := f.zeros[Creep]
	if free := f.coupon(); free > mostly {
		o.says(-8, "the witness gauge moves too, %.0f %% as far, and bears no load", 100*free)
	}
	if e.amount*f.slopeRef > 0 {
		o.says(-8, "it moved with the load, not against it")
	} else if share := math.Abs(e.amount / f.slopeRef); share > 0.01 && share < 0.5 {
		o.says(2, "%.1f %% of the strain relaxes and comes back", 100*share)
	}
}

func postCure(f *findings, o *opine) {
	f.fit(o, PostCure, "the logarithm of time since cure")
	f.bend(o, false)
	f.rightShunt(o)
	f.rest(o, PostCure)
	if f.zeroMoved() && f.beforeLoad() > 0.15 {
		o.says(3, "%.0f %% of it happened before the first load", 100*f.beforeLoad())
	}
	if f.zeroMoved() && f.plain.onset < max(0, f.facts.CureHour)+24 {
		o.says(1, "it began soon after the cure")
	}
	switch free := f.coupon(); {
	case free > mostly:
		o.says(5, "the witness gauge moves too, %.0f %% as far", 100*free)
	case free < 0.25:
		o.says(-8, "the witness gauge does not move")
	}
}

// mostly is the part of what a gauge does, from which on a witness gauge does the
// same. A leak under the same coating may be half as large.
const mostly = 0.75

// coupon returns how far a witness gauge on a free coupon moves with the zero, as
// a part of it, beside temperature; NaN without one, or where nothing moved.
func (f *findings) coupon() float64 {
	if !f.witnessed || !f.zeroMoved() {
		return math.NaN()
	}
	return amplitude(f.with[Witness], append(f.base(), f.zero)...)
}

func connector(f *findings, o *opine) {
	f.fit(o, Connector, "jumps")
	f.bend(o, false)
	switch {
	case f.ups+f.downs == 0:
		o.says(-6, "no jump is sharp")
	case f.jumps >= 3 && f.oneWay < 0.8 && min(f.ups, f.downs) > 0:
		o.says(3, "%d jumps up and down", f.jumps)
	case f.jumps > 1 && f.oneWay > 0.9:
		o.says(-10, "the jumps all go one way")
	case f.jumps == 1 && f.atOnce && f.ups+f.downs <= 2:
		o.says(-8, "one jump only, at a new load maximum")
	case f.jumps == 1 && f.ups+f.downs <= 2:
		o.says(-5, "one jump only")
	}
	if both := min(f.ups, f.downs); both >= 2 && f.steps.share > 0.6 {
		o.says(6, "%d sharp jumps up, %d down, from one epoch to the next", f.ups, f.downs)
	}
	if f.sharp < 0.6 && f.jumps > 0 && min(f.ups, f.downs) < 2 && f.zeroMoved() {
		o.says(-8, "the jumps are not sharp: %.0f %% of them within two hours", 100*f.sharp)
	}
	if f.settled < -1 {
		o.says(max(-12, f.settled), "it jumped at first and not since, as a bad contact would with a chance of %.2g", math.Exp(f.settled))
	}
	if f.driven < -1 {
		o.says(max(-12, f.driven), "it jumped under load and not at rest, as a bad contact would with a chance of %.2g", math.Exp(f.driven))
	}
	if f.wild > 2 {
		o.says(4, "%.0f spikes in a hundred hours", f.wild)
	} else if f.zeroMoved() {
		o.says(-2, "no spikes")
	}
	if math.Abs(f.span) > 4*f.spanErr {
		o.says(1, "the shunt check changed by %+.2f %%", 100*f.span)
	}
}

func leadHeat(f *findings, o *opine) {
	if !f.facts.TwoWire {
		o.says(ruled, "no arm has two leads: their heat cancels")
		return
	}
	f.fit(o, LeadHeat, "the lead's temperature")
	f.bend(o, false)
	if f.facts.LeadOhm > 0 {
		const copper = 0.00393 // 1/K
		would := 2 * f.facts.LeadOhm * copper / (f.facts.Gauge * f.facts.GaugeFactor)
		if is := f.zeros[LeadHeat].amount; is > 0.5*would && is < 1.6*would && would > 1e-6 {
			o.says(5, "%.1f microstrain/K of the lead, where its copper would show %.1f", is*micro, would*micro)
		} else if would < 1e-6 {
			o.says(-6, "its copper would show %.1f microstrain/K only", would*micro)
		}
	}
}

func debond(f *findings, o *opine) {
	switch beside := f.best - joining; {
	case f.zeroMoved() && f.lost() > f.moved && beside > f.plain.score:
		o.says(f.weigh(beside)-1, "something else may move the zero, by less than the %.0f microstrain that are missing under load", f.lost()*micro)
	case f.zeroMoved():
		o.says(f.weigh(f.plain.score)-1, "a drift from one time on explains %.0f %% of what moved", 100*f.plain.share)
	}
	f.bend(o, f.slope.amount < 0)
	switch {
	case !f.slopeChanged():
		o.says(ruled, "the slope against load is what it was (%+.1f %%)", 100*f.slope.amount)
	case f.slope.amount > 0:
		o.says(ruled, "the slope against load rose")
	default:
		o.says(2, "the slope fell by %.1f %%", -100*f.slope.amount)
	}
	if f.atOnce && !f.firstLoads {
		o.says(-3, "it began at a new load maximum")
	}
	if f.width > 3*f.widthErr {
		o.says(5, "hysteresis grew by %.1f %% of the strain", 100*f.width)
	} else {
		o.says(-3, "hysteresis did not grow")
	}
	if math.Abs(f.span) > 4*f.spanErr && math.Abs(f.span) > 0.2*math.Abs(f.slope.amount) {
		o.says(-8, "the shunt check changed by %+.2f %%", 100*f.span)
	} else {
		o.says(1, "the shunt check stays good")
	}
}

func fatigue(f *findings, o *opine) {
	f.fit(o, Fatigue, "the number of load cycles")
	f.bend(o, f.slope.amount > 0 && f.slope.amount < 0.04)
	f.rightShunt(o)
	if f.zeros[Fatigue].amount < 0 {
		o.says(ruled, "the zero fell: cracks in a grid raise it")
	}
	if n := len(f.cycles); f.cycles[n-1] < 1e4 {
		o.says(-6, "%.0f cycles only", f.cycles[n-1])
	}
}

func shakedown(f *findings, o *opine) {
	f.fit(o, Shakedown, "the number of loadings since the first")
	if f.zeroMoved() && f.beforeLoad() > 0.15 {
		o.says(-6, "%.0f %% of it happened before the first load", 100*f.beforeLoad())
	}
	if free := f.coupon(); free > mostly {
		o.says(-8, "the witness gauge moves too, %.0f %% as far, and bears no load", 100*free)
	}
	if f.firstLoading(f.plain.onset) && f.zeroMoved() {
		o.says(1, "it began under the first loads")
		if f.answered(f.plain.onset) || f.answered(f.peakAt) {
			o.says(5, "neighbours on another source answered")
		}
	}
	if f.slope.onset > f.firstUse+24 {
		f.bend(o, false)
	}
	f.rightShunt(o)
}

func selfHeating(f *findings, o *opine) {
	if !f.zeroMoved() {
		o.says(-6, "the zero did not move")
		return
	}
	f.fit(o, SelfHeating, "the square of the excitation")
	f.bend(o, false)
	switch v := f.with[Excitation]; {
	case v == nil:
		if f.noise < 0.8 {
			o.says(6, "the noise fell to %.0f %%, as with a higher excitation", 100*f.noise)
		} else if f.noise > 0.93 {
			o.says(-6, "the noise did not fall, as with a higher excitation it would")
		}
	case f.zeros[SelfHeating].known:
		o.says(3, "the excitation changed")
		if math.Abs(f.zeros[SelfHeating].onset-f.plain.onset) < 3+grid {
			o.says(5, "and the zero moved then")
		}
	default:
		o.says(ruled, "the excitation did not change")
	}
}

func instrument(f *findings, o *opine) {
	if f.instrumentMoved() {
		best := max(f.zeros[Instrument].score, f.plain.score-2, f.steps.score-2)
		o.says(f.weigh(best), "an offset and a gain that move explain %.0f %% of what moved", 100*max(f.zeros[Instrument].share, f.plain.share))
	} else {
		f.fit(o, Instrument, "what the source's other inputs read")
	}
	f.bend(o, math.Abs(f.span) > 4*f.spanErr)
	if math.Abs(f.span) > 4*f.spanErr {
		o.says(2, "the shunt check changed by %+.2f %%", 100*f.span)
	}
	with, name := f.with[Reference], "reference input"
	if with == nil {
		with, name = f.with[Companions], "source's other channels"
	}
	if with == nil || !f.zeroMoved() {
		return
	}
	switch moved, is := spread(with), f.zeros[Instrument].amount; {
	case moved < 0.3*f.moved:
		o.says(ruled, "the %s did not move", name)
	case f.instrumentMoved():
		o.says(8, "the %s moved at the same time", name)
	case is > 0.6 && is < 1.5:
		o.says(4, "the %s moved alike", name)
	default:
		o.says(-4, "the %s moved otherwise", name)
	}
}

// instrumentMoved says that what else the source reads moved by as much, to an
// order, and from the same time on.
func (f *findings) instrumentMoved() bool {
	x := f.with[Reference]
	if x == nil {
		x = f.with[Companions]
	}
	if x == nil || !f.zeroMoved() || spread(x) < max(4e-6, 0.3*f.moved) || spread(x) > 5*f.moved {
		return false
	}
	l := newLeast(f.zero, f.base()...)
	return math.Abs(f.began(x)-f.plain.onset) < 9 && 1-l.with(x)/l.squares() > 0.7
}

func structure(f *findings, o *opine) {
	if f.referred && f.instrumentMoved() {
		o.says(-6, "the reference input moved at the same time")
	}
	if f.zeroMoved() {
		f.fit(o, Structure, "a step at a new load maximum")
	}
	if !f.firstLoads || !f.firstLoading(f.slope.onset) {
		f.bend(o, true)
	}
	if !f.nearPeak {
		o.says(ruled, "nothing began at a new load maximum")
		return
	}
	switch {
	case !f.atOnce:
		o.says(-8, "it began near a new load maximum, at hour %.0f, but nothing changed at once", f.peakAt)
	case f.firstLoads:
		o.says(-8, "it began under the first loads, at hour %.0f", f.peakAt)
	default:
		o.says(5, "it began at a new load maximum, at hour %.0f", f.peakAt)
	}
	if f.answered(f.peakAt) {
		o.says(5, "neighbours on another source answered")
	}
	if f.width > 3*f.widthErr && f.width > 0.015 {
		o.says(-3, "hysteresis grew by %.1f %% of the strain: rather a bond that slips", 100*f.width)
	}
}

func thermal(f *findings, o *opine) {
	if !f.tooWarm() {
		o.says(ruled, "the zero follows temperature by %+.1f microstrain/K, which is in order", f.perKelvin*micro)
		return
	}
	o.says(8, "the zero follows temperature by %+.1f ± %.1f microstrain/K", f.perKelvin*micro, f.perKError*micro)
	f.bend(o, false)
}

// since returns the hour at which a cause would have begun whose own law does not
// date it (see dated).
func (f *findings) since(c Cause) float64 {
	switch {
	case c == Debond && f.zeroMoved() && f.plain.score > f.slope.score:
		return min(f.slope.onset, f.plain.shows)
	case c == Debond || c == Structure && !f.zeroMoved():
		return f.slope.onset
	case c == Structure:
		return f.peakAt
	case c == Thermal:
		return f.at[0]
	case c == Shakedown:
		return f.zeros[c].onset // the load that it settled under
	case c == SelfHeating && !f.zeros[c].known || c == Instrument && f.instrumentMoved():
		return f.plain.shows
	case c == Connector && f.ups+f.downs > 0:
		return f.firstJump
	case c == Healthy || c == CannotTell || c == Connector:
		return f.onset
	}
	return f.zeros[c].shows
}
