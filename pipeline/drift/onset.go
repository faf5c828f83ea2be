package drift

import (
	"math"
	"slices"
)

// Of how a departure is seen; common practice, no source.
const (
	learnt     = 36   // hours from which it is known how a quantity wanders
	departure  = 4    // standard deviations
	persistent = 4    // values in a row
	leastSD    = 1e-6 // m/m
	bestZero   = 2e-7 // m/m, better than which no zero is
	bestSlope  = 2e-3 // of itself
)

// dated says when a cause began that comes on slowly, by its own law; false where
// that does not tell. A fit of the whole record dates it by what it did when it
// was large.
func (f *findings) dated(c Cause) (dating, bool) {
	switch c {
	case Moisture:
		return f.wettedFrom()
	case Fatigue:
		return changePoint(f.at, f.beside(c), leastSD, f.moved)
	case Instrument:
		x := f.beside(c)
		switch {
		case f.referred:
			x = f.with[Reference]
		case f.instrumentMoved():
			x = f.with[Companions]
		}
		return changePoint(f.at, x, leastSD, reach(x))
	case Creep:
		hours := f.hours(f.at[len(f.at)-1] - 6)
		l := f.likelihoods(hours, f.alone(c), f.base(), f.remembered, bestZero)
		if l == nil {
			return dating{}, false
		}
		return middle(hours, l), true
	case Debond:
		return f.loosened()
	}
	return dating{}, false
}

// beside is the zero without what temperature and another trouble do to it.
func (f *findings) beside(c Cause) []float64 {
	y := f.alone(c)
	if t := f.with[Temperature]; t != nil {
		for i := range y {
			y[i] -= f.perKelvin * t[i]
		}
	}
	return y
}

func (f *findings) alone(c Cause) []float64 {
	y := slices.Clone(f.zero)
	if other := f.zeros[c].beside; other != nil {
		for i := range y {
			y[i] -= other[i]
		}
	}
	return y
}

// What dates a leak: the zero up to a day and a half after it was seen, for later
// on a law that is a little wrong would weigh most.
const (
	leakShows = 0.2 // of what the zero moves by in the end
	leakDates = 36  // hours
)

// wettedFrom dates a leak, by the law of one and by what insulation was read.
func (f *findings) wettedFrom() (dating, bool) {
	y := f.beside(Moisture)
	last, g := f.at[len(f.at)-1]-6, f
	if seen, ok := left(f.at, y, leastSD, leakShows*f.moved); ok {
		last, g = f.at[seen], f.until(f.at[seen]+leakDates)
	}
	hours := g.hours(last)
	l := g.likelihoods(hours, y[:len(g.at)], [][]float64{g.ones}, g.wetted, bestZero)
	if l == nil {
		return dating{}, false
	}
	from, to := f.insulated()
	for i, t := range hours {
		if t < from || t > to {
			l[i] -= otherwise
		}
	}
	return middle(hours, l), true
}

// otherwise is how sure, as a logarithm, a series of insulation readings is about
// the time between its last good and its first bad one.
const otherwise = 5

// insulated returns the hours of the last insulation reading that was as good as
// the first ones, and of the one after it, which was not; infinite where there is
// none.
func (f *findings) insulated() (from, to float64) {
	const worse = 1.0 / 3 // it is read to a factor of two, no better
	from, to = math.Inf(-1), math.Inf(1)
	begin := f.record.Epochs[0].From
	var good []float64
	for _, n := range f.record.Insulation {
		at := float64(n.Time-begin) / float64(hour)
		if len(good) > 0 && n.Value < worse*median(good) {
			return from, at
		}
		good, from = append(good, n.Value), at
	}
	return from, to
}

// loosened dates a bond that lets go, by the slope against load and, where the zero
// moved too, by that: in a pause nothing but the zero shows it.
func (f *findings) loosened() (dating, bool) {
	s := &series{at: f.slopes.at}
	if len(s.at) < fewest || f.slopeRef == 0 {
		return dating{}, false
	}
	s.ones = s.column(func(int) float64 { return 1 })
	relative := s.column(func(i int) float64 { return f.slopes.y[i] / f.slopeRef })
	hours := f.hours(s.at[len(s.at)-3])
	grows := []float64{0.1, 4, 10, 25, 60, 150} // hours
	l := s.likelihoods(hours, relative, [][]float64{s.ones}, s.levels(grows...), bestSlope)
	if l == nil {
		return dating{}, false
	}
	if f.zeroMoved() {
		for i, z := range f.likelihoods(hours, f.zero, f.base(), f.levels(grows...), bestZero) {
			l[i] += z
		}
	}
	return middle(hours, l), true
}

// left returns the index at which it is seen that a quantity left what it was in
// its first hours, by far more than it wandered there and by an amount at least.
func left(at, y []float64, least, amount float64) (int, bool) {
	n := 0
	for n < len(at) && at[n] < at[0]+learnt {
		n++
	}
	if n < persistent {
		return 0, false
	}
	level := median(y[:n])
	wander := make([]float64, n)
	for i := range wander {
		wander[i] = y[i] - level
	}
	off := max(amount, departure*max(least, typical(wander)/0.6745))
	run := 0
	for i := range y {
		if math.Abs(y[i]-level) > off {
			run++
		} else {
			run = 0
		}
		if run >= persistent && stays(at[i:], y[i:], level, off) {
			return i, true
		}
	}
	return 0, false
}

// Of dating a change: how long after it was seen the record is used, and what part
// of what it comes to it must do to be seen.
const (
	afterwards = 12 // hours
	partly     = 0.05
)

// changePoint dates when a quantity began to leave the level of its first hours, by
// how well a step or a ramp from there on fits, over the record up to shortly after
// it was seen to have left (D. V. Hinkley, "Inference about the change-point in a
// sequence of random variables", Biometrika 57, 1970; for lines that meet,
// Biometrika 56, 1969; both from memory). False where it does not leave.
func changePoint(at, y []float64, least, comesTo float64) (dating, bool) {
	seen, ok := left(at, y, least, partly*comesTo)
	if !ok {
		return dating{}, false
	}
	end := seen
	for end < len(at)-1 && at[end+1] < at[seen]+afterwards {
		end++
	}
	part := &series{at: at[:end+1]}
	part.ones = part.column(func(int) float64 { return 1 })
	hours := part.hours(at[seen])
	l := part.likelihoods(hours, y[:end+1], [][]float64{part.ones}, func(t float64) [][][]float64 {
		return [][][]float64{{part.from(t, func(int) float64 { return 1 })}, {part.from(t, func(i int) float64 { return at[i] - t })}}
	}, least/5)
	if l == nil {
		return dating{}, false
	}
	return middle(hours, l), true
}

// stays says that a quantity which has left a level keeps off it, on the same
// side, for a good part of two days: what wanders comes back, a leak may dry.
func stays(at, y []float64, level, off float64) bool {
	var n, out float64
	for i := range y {
		if at[i] > at[0]+48 {
			break
		}
		if n++; (y[i]-level)*math.Copysign(1, y[0]-level) > off {
			out++
		}
	}
	return out > 0.3*n
}
