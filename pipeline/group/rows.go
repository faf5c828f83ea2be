package group

import (
	"math"

	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/reduce"
)

// frozenRun is how many readings in a row must be equal to the last digit
// before a channel counts as frozen. Common practice, no source: noise moves a
// living channel by a count far more often.
const frozenRun = 256

// clear writes "no value, missing" to a channel's columns; the wires that serve
// it write over it.
func (c *channelRun) clear(b *Batch, rows int) {
	covered := false
	for _, w := range c.wires {
		covered = covered || w.plan.from == math.MinInt64 && w.plan.to == math.MaxInt64
	}
	if covered {
		return
	}
	strain, mask := b.Columns[c.plan.strainAt].Float, b.Columns[c.plan.flagsAt].Flags
	for i := range rows {
		strain[i] = math.NaN()
		mask[i] = uint32(flag.Missing)
	}
	if c.plan.stressAt >= 0 {
		copy(b.Columns[c.plan.stressAt].Float, strain)
	}
}

// reduceRows reduces rows through which no event takes effect.
func (run *sourceRun) reduceRows(f *frame.Frame, b *Batch, from, to int) {
	times := f.Time[from:to]
	for i, c := range run.temps {
		if c != nil {
			c.fill(run.reducer.temps[i], times, run.plan.tolerance)
		}
	}
	in := &run.in
	in.frame, in.batch, in.from, in.to, in.excitation = f, b, from, to, nil
	if run.excitation >= 0 {
		run.volts = append(run.volts[:0], run.reducer.hands[0].readings(&f.Columns[run.excitation], from, to)...)
		in.excitation = run.volts
	}
	run.reduceChannels()
	in.frame, in.batch = nil, nil // they are the caller's
}

func (run *sourceRun) reduceWire(c *channelRun, w *wireRun, in *rowsInHand, h *hand) {
	f, b, from, to, excitation := in.frame, in.batch, in.from, in.to, in.excitation
	rows := to - from
	raw := h.readings(&f.Columns[w.column], from, to)
	strain := b.Columns[c.plan.strainAt].Float[from:to]
	mask := b.Columns[c.plan.flagsAt].Flags[from:to]
	if w.ready == nil && w.state.inForce() != nil {
		w.prepare(c.plan)
	}
	gauge, leads := run.temperaturesOf(c.plan, w, h, rows)
	base := run.baseMask(w, f.Time[from])
	if w.ready == nil {
		base |= flag.ZeroMissing
		for i := range strain {
			strain[i] = math.NaN()
		}
	} else {
		h.ratio = grow(h.ratio, rows)
		h.strain(w, strain, w.raw.Column(h.ratio, raw, excitation), gauge, leads)
	}
	seen := w.judge(mask, raw, strain, base)
	watched := stretch{f.Time[from:to], raw, mask, seen, run.gap, in.apart <= run.gap}
	run.markSpikes(w, &watched)
	run.watchJumps(w, &watched)
	run.judgeExcitation(c.plan, mask, excitation)
	w.judgeTemperature(mask, gauge)
	run.predict(c.plan, mask, strain)
	run.collect(w, f.Time[from:to], raw, mask, excitation, gauge, leads, run.loads(b, from, to))
	if c.plan.stressAt >= 0 {
		k := w.plan.constants.Stiffness()
		stress := b.Columns[c.plan.stressAt].Float[from:to]
		for i, e := range strain {
			stress[i] = k * e
		}
	}
	if run.account != nil {
		run.tellAccount(c, w, in, h, gauge, leads)
	}
}

// strain reduces ratios at the temperatures of their rows.
func (h *hand) strain(w *wireRun, dst, ratio []float64, gauge, leads *temperatureColumn) {
	rows, zero := len(ratio), &w.ready.Zero
	gaugeFlat, leadsFlat := gauge.flat, leads.flat
	if w.blindGauge {
		gaugeFlat = zero.Temperature
	}
	if w.blindLeads {
		leadsFlat = zero.LeadTemperature
	}
	if gaugeFlat == gaugeFlat && leadsFlat == leadsFlat {
		w.ready.SteadyColumn(dst, ratio, gaugeFlat, leadsFlat)
		return
	}
	gaugeAt, leadsAt := gauge.value, leads.value
	if w.blindGauge {
		gaugeAt = flat(&h.flatGauge, gaugeFlat, rows)
	}
	if w.blindLeads {
		leadsAt = flat(&h.flatLeads, leadsFlat, rows)
	}
	w.ready.StrainColumn(dst, ratio, gaugeAt, leadsAt, &h.scratch)
}

// baseMask is what holds for all rows until something happens.
func (run *sourceRun) baseMask(w *wireRun, at int64) flag.Mask {
	m := run.clock
	if run.late {
		m |= flag.Late
	}
	if run.state.ExcitationOff || at < run.state.WarmUntil {
		m |= flag.ExcitationOff
	}
	if w.state.ShuntOn {
		m |= flag.ShuntOn
	}
	if w.state.Handled {
		m |= flag.Handled
	}
	if at < w.plan.curedAt {
		m |= flag.Uncured | flag.Outside
	}
	if w.plan.broken {
		m |= flag.InstallationRule
	}
	if w.plan.unsigned && m&(flag.Uncured|flag.InstallationRule) != 0 {
		m |= flag.Unsigned
	}
	if w.blindGauge || w.blindLeads {
		m |= flag.TemperatureMissing
	}
	if w.plan.from != math.MinInt64 && w.ready == nil || w.state.Restarted {
		m |= flag.Replaced
	}
	if w.state.Jumps.Size > w.floor {
		m |= flag.Jump
	}
	return m
}

// flat fills a buffer with one value.
func flat(buffer *[]float64, value float64, rows int) []float64 {
	*buffer = grow(*buffer, rows)
	for i := range *buffer {
		(*buffer)[i] = value
	}
	return *buffer
}

// temperaturesOf returns the columns of a channel's gauge and lead temperature.
// A channel without a temperature, or before its first reading, is reduced as
// if it were still at that of its zero.
func (run *sourceRun) temperaturesOf(c *channelPlan, w *wireRun, h *hand, rows int) (gauge, leads *temperatureColumn) {
	at := noTemperature * 1.0
	leadsAt := at
	if w.ready != nil {
		at, leadsAt = w.ready.Zero.Temperature, w.ready.Zero.LeadTemperature
	}
	return run.temperatureOf(c.temperature, &h.still, at, rows), run.temperatureOf(w.plan.leads, &h.stillLeads, leadsAt, rows)
}

func (run *sourceRun) temperatureOf(i int, still *temperatureColumn, at float64, rows int) *temperatureColumn {
	if i >= 0 && run.temps[i].any&flag.TemperatureMissing == 0 {
		return run.temps[i]
	}
	same := still.flat == at && len(still.value) >= rows
	still.value, still.mask = grow(still.value, rows), grow(still.mask, rows)
	if !same { // else it was filled for a channel before
		for row := range rows {
			still.value[row], still.mask[row] = at, 0
		}
	}
	still.low, still.high, still.any, still.flat = at, at, 0, at
	if i < 0 {
		still.low, still.high = math.Inf(1), math.Inf(-1) // nothing is known, so nothing is judged
		return still
	}
	still.flat = math.NaN()
	still.any = run.temps[i].any
	for row, v := range run.temps[i].value {
		still.mask[row] = run.temps[i].mask[row]
		if !math.IsNaN(v) {
			still.value[row] = v
			still.low, still.high = math.Min(still.low, v), math.Max(still.high, v)
		}
	}
	return still
}

// judge sets the flags that follow from one reading, the readings before it and
// the strain it gives. It returns all that it set.
func (w *wireRun) judge(mask []uint32, raw, strain []float64, base flag.Mask) (seen flag.Mask) {
	s, l := w.state, &w.plan.limit
	alarm := math.Min(math.Min(l.strain, l.elongation), math.Min(l.yield, 0.01))
	rail := w.raw.Range * (1 - 1e-6)
	strain, mask = strain[:len(raw)], mask[:len(raw)]
	last, run := float64(s.LastRaw), s.Run // in registers
	seen = base
	for i := 0; i < len(raw); {
		// There is nothing to say of readings inside the range, and of strain within
		// all limits; nothing is frozen yet either, so many rows on.
		if unfrozen := frozenRun - 1 - run; unfrozen > 0 && s.Rail == 0 && last == last {
			to := min(len(raw), i+unfrozen)
			if n := reduce.Inside(mask[i:to], uint32(base), raw[i:to], strain[i:to], rail, alarm); n > 0 {
				run = equalAtEnd(raw[i:i+n], last, run)
				last = raw[i+n-1]
				if i += n; i == to {
					continue
				}
			}
		}
		x := raw[i]
		m := base
		if x == last {
			run++
			if run >= frozenRun {
				m |= flag.Frozen
			}
		} else {
			run = 1
		}
		if s.Rail != 0 || !(math.Abs(x) < rail) || last != last {
			s.LastRaw = Real(last)
			m |= s.rails(x, rail, w.raw.Range, w.reversed())
		}
		last = x
		// A value that is left out of limits is not held against them.
		if e := math.Abs(strain[i]); !(e <= alarm) && m&flag.LeavesOut == 0 {
			if e != e {
				m |= flag.Missing // no strain gives this ratio, or no excitation
			}
			m |= l.judge(e)
		}
		mask[i] = uint32(m)
		seen |= m
		i++
	}
	s.LastRaw, s.Run = Real(last), run
	return seen
}

// equalAtEnd counts the equal readings at the end of raw, those before it
// included: so many of the value before.
func equalAtEnd(raw []float64, before float64, run int) int {
	last := raw[len(raw)-1]
	for i := len(raw) - 2; i >= 0; i-- {
		if raw[i] != last {
			return len(raw) - 1 - i
		}
	}
	if before == last {
		return run + len(raw)
	}
	return len(raw)
}

// rails judges readings at the end of the range. A gauge that opens or shorts
// takes the bridge there in one step; an amplifier that is too small gets there
// with the load. Which end is which holds for a gauge of arm 1.
func (s *InputState) rails(x, rail, limit float64, reversed bool) (m flag.Mask) {
	before := int8(0)
	side := s.Rail
	switch {
	case math.IsNaN(x):
		s.Rail = 0
		return flag.Missing
	case x >= rail:
		s.Rail = 1
	case x <= -rail:
		s.Rail = -1
	default:
		s.Rail, s.Jumped = 0, false
		return 0
	}
	if side == before {
		from := float64(s.LastRaw)
		s.Jumped = math.IsNaN(from) || math.Abs(from) < jumpFrom*limit
	}
	m = flag.Saturated
	if s.Jumped {
		if (s.Rail > 0) != reversed {
			m |= flag.Open
		} else {
			m |= flag.Shorted
		}
	}
	return m
}

// reversed reports whether readings fall when a gauge's resistance rises: signal
// wires are swapped, or the logger counts tension negative, but not both.
func (w *wireRun) reversed() bool {
	return (w.plan.constants.Polarity < 0) != (w.raw.Logger != nil && w.raw.Logger.Sign < 0)
}

// jumpFrom is the part of the range below which a channel must have been one
// reading earlier to have jumped to its end. Common practice, no source.
const jumpFrom = 0.8

// judge compares the magnitude of one strain with the limits.
func (l *thresholds) judge(e float64) (m flag.Mask) {
	if e > l.strain {
		m |= flag.OverLimit
	}
	if e > l.elongation {
		m |= flag.OverElongation
	}
	if e >= l.yield {
		m |= flag.BeyondYield
	}
	if e > 0.01 {
		m |= flag.LargeStrain
	}
	return m
}

func (run *sourceRun) judgeExcitation(c *channelPlan, mask []uint32, excitation []float64) {
	nominal := run.plan.source.Excitation
	if excitation == nil || !nominal.Given || !c.limits.Excitation.Given {
		return
	}
	allowed := c.limits.Excitation.Value * nominal.Value
	for i, v := range excitation {
		if !(math.Abs(v-nominal.Value) <= allowed) {
			mask[i] |= uint32(flag.ExcitationBand)
		}
	}
}

// judgeTemperature sets the flags that the gauge's temperature gives, and
// remembers its extremes since the last signed check.
func (w *wireRun) judgeTemperature(mask []uint32, t *temperatureColumn) {
	s, l := w.state, &w.plan.limit
	if t.any != 0 {
		for i, m := range t.mask[:len(mask)] {
			mask[i] |= uint32(m)
		}
	}
	coldest, hottest := float64(s.Coldest), float64(s.Hottest)
	inside := t.low >= l.adhesiveLow && t.high <= l.adhesiveHigh && coldest >= l.adhesiveLow && hottest <= l.adhesiveHigh
	fitted := t.low >= l.polynomialLow && t.high <= l.polynomialHigh
	if (inside && fitted) || t.low > t.high {
		s.Coldest, s.Hottest = Real(math.Min(coldest, t.low)), Real(math.Max(hottest, t.high))
		return
	}
	for i, v := range t.value[:len(mask)] {
		var m flag.Mask
		switch {
		case v < l.adhesiveLow || v > l.adhesiveHigh:
			m |= flag.AdhesiveRange | flag.Outside
		case coldest < l.adhesiveLow || hottest > l.adhesiveHigh:
			m |= flag.WasOutside
		}
		if w.plan.unsigned && m != 0 {
			m |= flag.Unsigned
		}
		if v < l.polynomialLow || v > l.polynomialHigh {
			m |= flag.PolynomialRange
		}
		coldest, hottest = math.Min(coldest, v), math.Max(hottest, v)
		mask[i] |= uint32(m)
	}
	s.Coldest, s.Hottest = Real(coldest), Real(hottest)
}

// predict compares strain with the band that the test file predicts for the
// step that holds.
func (run *sourceRun) predict(c *channelPlan, mask []uint32, strain []float64) {
	if run.state.Step == "" {
		return
	}
	for _, b := range c.predictions {
		if b.step != run.state.Step {
			continue
		}
		for i, e := range strain {
			if e < b.low || e > b.high {
				mask[i] |= uint32(flag.BeyondPrediction)
			}
		}
	}
}

// collect adds rows to the zeros that are being taken, and to the readings of
// pairs.
func (run *sourceRun) collect(w *wireRun, times []int64, raw []float64, mask []uint32, excitation []float64, gauge, leads *temperatureColumn, load []float64) {
	if len(w.state.InProgress) == 0 {
		return
	}
	for _, kind := range windowKinds {
		z := w.state.InProgress[kind]
		if z == nil {
			continue
		}
		z.NotIdle = z.NotIdle || run.state.LoadState != "idle"
		for i, x := range raw {
			z.Flags |= mask[i]
			if flag.Mask(mask[i])&flag.LeavesOutOfZero != 0 {
				z.LeftOut++
				continue
			}
			z.add(float64(times[i]-z.From)/1e9, x)
			if load != nil {
				z.Load.Add(load[i])
			} else if newest := run.reducer.state.Load; newest != nil {
				z.Load.Add(*newest)
			}
			if excitation != nil {
				z.Excitation.Add(excitation[i])
			}
			if gauge.low <= gauge.high && gauge.mask[i]&flag.TemperatureMissing == 0 {
				z.Temperature.Add(gauge.value[i])
			}
			if leads.low <= leads.high && leads.mask[i]&flag.TemperatureMissing == 0 {
				z.LeadTemperature.Add(leads.value[i])
			}
		}
	}
}

// windowKinds are the keys of InputState.InProgress.
var windowKinds = [...]string{"installation", "test", "tare", statedKind, pairKind}

// add takes a reading and its time.
func (z *ZeroRecord) add(seconds, x float64) {
	before := seconds - z.Seconds.Mean
	z.Seconds.Add(seconds)
	z.Raw.Add(x)
	z.Joint += before * (x - z.Raw.Mean)
}

// rosettes solves the frame's rosettes from their grids' indicated strains.
func (run *sourceRun) rosettes(b *Batch) {
	for _, r := range run.plan.rosettes {
		run.indicated = run.indicated[:0]
		mask := b.Columns[r.flagsAt].Flags
		for i := range mask {
			mask[i] = 0
		}
		for _, grid := range r.grids {
			run.indicated = append(run.indicated, b.Columns[grid.strainAt].Float)
			for i, m := range b.Columns[grid.flagsAt].Flags {
				mask[i] |= m
			}
		}
		column := func(i int) []float64 { return b.Columns[r.at+i].Float }
		ex, ey, gxy := column(0), column(1), column(2)
		r.rosette.Columns(ex, ey, gxy, column(7), run.indicated)
		reduce.PrincipalColumns(column(3), column(4), column(5), column(6), ex, ey, gxy)
		if !r.stress {
			continue
		}
		s1, s2, mises := column(8), column(9), column(10)
		r.elastic.PrincipalColumns(s1, s2, column(3), column(4))
		reduce.VonMisesColumn(mises, s1, s2)
		reduce.TrescaColumn(column(11), s1, s2)
		for i, v := range mises {
			if v >= r.yield {
				mask[i] |= uint32(flag.BeyondYield)
			}
		}
	}
}
