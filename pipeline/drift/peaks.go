package drift

import (
	"math"
	"slices"
)

// struck is a new load maximum at which something changed at once and for good.
type struck struct {
	at   float64 // hour
	step float64 // m/m of the zero, beside temperature
	bend float64 // of the slope against load, relative; 0 where it did not change at once
}

// stepsAt returns the step of a quantity across each entry: the mean of the two
// after it less that of the two before, with the entry itself, in which the step
// may lie, left out. At either end it is 0.
func stepsAt(y []float64) []float64 {
	steps := make([]float64, len(y))
	for i := 2; i < len(y)-2; i++ {
		steps[i] = (y[i+1] + y[i+2] - y[i-1] - y[i-2]) / 2
	}
	return steps
}

// typical is the median magnitude.
func typical(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	all := make([]float64, len(x))
	for i, v := range x {
		all[i] = math.Abs(v)
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// median is the middle value, the higher of two, 0 of none.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	all := slices.Sorted(slices.Values(x))
	return all[len(all)/2]
}

// clear is how many typical steps one must exceed to be one; common practice, no
// source: of coloured noise of one spread one step in a thousand is as large.
const clear = 5

// stepNear returns the step of a quantity at hour t, 0 unless it is there that it
// is largest, beyond a least amount and far beyond what is typical.
func stepNear(at, y []float64, t, least float64) float64 {
	steps := stepsAt(y)
	i, ok := slices.BinarySearch(at, t-0.01)
	if i == len(at) {
		return 0
	}
	if !ok && i > 0 && t-at[i-1] < at[i]-t {
		i--
	}
	own := steps[i]
	for k := max(0, i-4); k <= min(len(y)-1, i+4); k++ {
		if math.Abs(own) < 0.85*math.Abs(steps[k]) {
			return 0 // it stepped at another time
		}
	}
	near := append(slices.Clone(steps[max(0, i-12):max(0, i-3)]), steps[min(len(y), i+4):min(len(y), i+13)]...)
	if math.Abs(own) < max(least, clear*typical(steps), 0.8*clear*typical(near)) {
		return 0
	}
	return own
}

// struckIn returns the maxima at which a zero, given beside what explains it, or
// the slope against load stepped.
func (f *findings) struckIn(zero []float64) (all []struck) {
	for _, t := range f.maxima {
		s := struck{at: t, step: stepNear(f.at, zero, t, leastStep)}
		if f.slopeRef != 0 {
			s.bend = stepNear(f.slopes.at, f.slopes.y, t, leastBend*math.Abs(f.slopeRef)) / f.slopeRef
			if f.bentOnTheWayUp(t, s.bend) {
				s.bend = 0
			}
		}
		if s.step != 0 || s.bend != 0 {
			all = append(all, s)
		}
	}
	return all
}

// bentOnTheWayUp says that the slope was already another when the load rose to the
// maximum at hour t: what happened in the night before is not the maximum's doing.
func (f *findings) bentOnTheWayUp(t, bend float64) bool {
	at, ok := slices.BinarySearch(f.rises.at, t)
	if !ok || bend == 0 {
		return false
	}
	var before []float64
	for i, h := range f.slopes.at {
		if h < t {
			before = append(before, f.slopes.y[i])
		}
	}
	if len(before) < 2 {
		return false
	}
	was := mean(before[len(before)-2:])
	return (f.rises.y[at]-was)/(bend*f.slopeRef) > 0.7
}

// Steps below these are nobody's news; common practice, no source.
const (
	leastStep = 4e-6 // m/m
	leastBend = 0.02 // of the slope
)

// large says that what changed at once at a maximum is a good part of all that
// changed.
func (f *findings) large(s struck) bool {
	return f.zeroMoved() && math.Abs(s.step) > partOfMoved*f.moved || f.slopeChanged() && math.Abs(s.bend) > partOfMoved*math.Abs(f.slope.amount)
}

func (s struck) size() float64 { return math.Abs(s.step)/leastStep + math.Abs(s.bend)/leastBend }

// findStruck finds the maximum at which most changed at once, one after the first
// loads before one of them.
func (f *findings) findStruck() {
	beside := f.zero
	if t := f.with[Temperature]; t != nil {
		beside = f.column(func(i int) float64 { return f.zero[i] - f.perKelvin*t[i] })
	}
	f.strikes = slices.DeleteFunc(f.struckIn(beside), func(s struck) bool { return !f.large(s) })
	f.atOnce, f.nearPeak = len(f.strikes) > 0, len(f.strikes) > 0
	var most float64
	for _, s := range f.strikes {
		size, first := s.size(), f.firstLoading(s.at)
		if !first {
			size += 1e6
		}
		if size > most {
			most, f.peakAt, f.firstLoads = size, s.at, first
		}
	}
	f.elsewhere = 0
	for i, step := range stepsAt(beside) {
		if !slices.ContainsFunc(f.strikes, func(s struck) bool { return math.Abs(s.at-f.at[i]) < 4 }) {
			f.elsewhere = max(f.elsewhere, math.Abs(step))
		}
	}
}

// mayBeStructure says that the article may have given at a new load maximum where
// a sensor's fault leads: something changed there at once that the fault does not
// explain. Then no fault is named until a person rules the article out by name.
func (f *findings) mayBeStructure(ranked []Opinion) bool {
	first := ranked[0].Cause
	at := slices.IndexFunc(ranked, func(o Opinion) bool { return o.Cause == Structure })
	if at < 0 || first == Structure || first == Healthy {
		return false
	}
	lead := ranked[0].Score - ranked[at].Score
	strikes := f.strikes
	if e := f.zeros[first]; e.known && e.left != nil && first != Connector && first != Debond {
		strikes = f.struckIn(e.left)
	}
	for _, s := range strikes {
		if !f.large(s) || first == Shakedown && f.firstLoading(s.at) {
			continue
		}
		switch first {
		case Connector: // its jumps come and go, and are as large at other times
			most := f.elsewhere
			if lead > 2*farAhead && min(f.ups, f.downs) >= manyJumps {
				most *= largest
			}
			if math.Abs(s.step) > most || s.bend != 0 || f.answered(s.at) {
				return true
			}
		case Debond:
			// A bond that slips leaves no more than its loop behind.
			loop := max(0, f.width) * math.Abs(f.slopeRef) * f.peak[len(f.peak)-1]
			if lead < farAhead || f.width < 3*f.widthErr || math.Abs(s.step) > loop+leastStep {
				return true
			}
		default:
			if lead < 1.5*farAhead || math.Abs(s.step) > 2*partOfMoved*f.moved {
				return true
			}
		}
	}
	return false
}

// farAhead is the lead of a debond over the article from which it is named although
// it began at a new maximum.
const farAhead = 8

// A contact that has jumped so often either way may do so once more at a new
// maximum, and by this much further than at any other time; common practice, no
// source.
const (
	manyJumps = 4
	largest   = 1.3
)

// partOfMoved is how much of a change must have come at once at a maximum for
// the article to stay in question.
const partOfMoved = 0.2
