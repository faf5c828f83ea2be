package drift

import (
	"math"
	"slices"
)

// slowly are the causes that come on slowly: a fit of the whole record dates them
// by what they did when they were large.
var slowly = map[Cause]bool{Moisture: true, Fatigue: true, Instrument: true}

// Of how a departure is seen; common practice, no source.
const (
	learnt     = 36   // hours from which it is known how a quantity wanders
	departure  = 4    // standard deviations
	persistent = 4    // zeros in a row
	afterwards = 12   // hours after it was seen, that are used to date it
	leastSD    = 1e-6 // m/m
)

// departed dates the time from which the zero leaves what it was, for a cause
// whose share of it is taken beside temperature and whatever else moves it; NaN
// where it never clearly does.
func (f *findings) departed(c Cause) float64 {
	e := f.zeros[c]
	x := f.zero
	if c == Instrument && f.instrumentMoved() {
		if x = f.with[Reference]; x == nil {
			x = f.with[Companions]
		}
	}
	y := slices.Clone(x)
	for i := range y {
		if t := f.with[Temperature]; t != nil && c != Instrument {
			y[i] -= f.perKelvin * t[i]
		}
		if e.beside != nil && c != Instrument {
			y[i] -= e.beside[i]
		}
	}
	return changePoint(f.at, y, leastSD)
}

// changePoint returns the hour at which a quantity begins to leave the level of
// its first hours: where a step or a ramp fits best by least squares, over the
// record up to shortly after it was seen to have left. With independent normal
// deviations that is the likeliest time (D. V. Hinkley, "Inference about the
// change-point in a sequence of random variables", Biometrika 57, 1970; and, for
// lines that meet, Biometrika 56, 1969). NaN where it does not leave.
func changePoint(at, y []float64, least float64) float64 {
	n := 0
	for n < len(at) && at[n] < at[0]+learnt {
		n++
	}
	if n < persistent {
		return math.NaN()
	}
	level := median(y[:n])
	off := make([]float64, n)
	for i := range off {
		off[i] = y[i] - level
	}
	sd := max(least, typical(off)/0.6745)
	seen, run := -1, 0
	for i := range y {
		if math.Abs(y[i]-level) > departure*sd {
			run++
		} else {
			run = 0
		}
		if run >= persistent && stays(at[i:], y[i:], level, departure*sd) {
			seen = i
			break
		}
	}
	if seen < 0 {
		return math.NaN()
	}
	end := seen
	for end < len(at)-1 && at[end+1] < at[seen]+afterwards {
		end++
	}
	part := &series{at: at[:end+1]}
	part.ones = part.column(func(int) float64 { return 1 })
	t := trial{least: newLeast(y[:end+1], part.ones), best: math.Inf(1)}
	for k := 1; k <= seen; k++ {
		t.try(at[k], part.from(at[k], func(int) float64 { return 1 }))
		for _, begin := range []float64{(at[k-1] + at[k]) / 2, at[k]} {
			t.try(begin, part.from(begin, func(i int) float64 { return at[i] - begin }))
		}
	}
	return t.onset
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
