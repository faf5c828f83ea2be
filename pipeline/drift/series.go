package drift

import "math"

// series are the columns of a record: an entry an epoch that has a zero.
type series struct {
	at     []float64 // hours from the first epoch
	zero   []float64 // m/m
	ones   []float64
	with   [covariates][]float64 // nil where it is not known; gaps hold their last value
	lagged [len(lags)][]float64
	wet    [2][]float64 // humidity, low-passed over 3 h and 12 h
	cycles []float64    // load cycles so far
	loads  []float64    // times that it was loaded so far
	peak   []float64    // largest load so far
	spikes []float64
	rested []bool // no load since the entry before, nor in either

	still   []float64 // m/m by which the strain changed at rest since the entry before
	warming []float64 // K by which the gauge warmed meanwhile
	idle    []float64 // part of the time since then that was rest

	slopes   line      // of strain against load
	rises    line      // slope on the way up to a new maximum
	widths   line      // hysteresis over the range of the load, of strain
	noises   line      // logarithm of the standard deviation
	maxima   []float64 // hours at which the load reached a new maximum
	firstUse float64   // hour of the first load
}

// line is a quantity with the hours at which it is known.
type line struct{ at, y []float64 }

func (l *line) add(at, y float64) {
	if !math.IsNaN(y) && !math.IsInf(y, 0) {
		l.at = append(l.at, at)
		l.y = append(l.y, y)
	}
}

// maximum is by how much a load must exceed all before it to count as a new one.
const maximum = 1.02

// sureSlope is the standard error of a slope, as a part of it, up to which it is
// counted: an hour of one long hold says nothing. Common practice, no source.
const sureSlope = 0.05

func (r *Record) series() *series {
	s := &series{firstUse: math.Inf(1)}
	if len(r.Epochs) == 0 {
		return s
	}
	begin := r.Epochs[0].From
	var cycles, loads, highest, spikes float64
	var all float64
	for i := range r.Epochs {
		all = max(all, r.Epochs[i].Highest)
	}
	var whole line
	wet := [2]float64{math.NaN(), math.NaN()}
	resting, restless := true, true
	var still, warming, idle Tally
	var known [covariates]bool
	var last [covariates]float64
	for c := range last {
		last[c] = math.NaN()
	}
	for i := range r.Epochs {
		e := &r.Epochs[i]
		at := float64((e.From+e.To)/2-begin) / float64(hour)
		cycles += e.Cycles
		spikes += e.Spikes
		loaded := e.Highest > 0.2*all
		if loaded && resting {
			loads++
		}
		if loaded {
			loads += max(0, math.Round(float64(r.Span)/float64(hour))-1)
			s.firstUse = min(s.firstUse, at)
		}
		resting = e.Idle.N > 0
		if e.Highest > maximum*highest && e.Highest > 0.2*all {
			s.maxima = append(s.maxima, at)
			rise, _ := e.Rising.Slope()
			s.rises.add(at, rise)
		}
		highest = max(highest, e.Highest)
		for c := range e.With {
			if v := e.With[c].Mean(); !math.IsNaN(v) {
				if !known[c] {
					for j := range s.with[c] {
						s.with[c][j] = v
					}
				}
				last[c], known[c] = v, true
			}
		}
		for j, tau := range [2]float64{3, 12} {
			if h := last[Humidity]; !math.IsNaN(h) {
				if math.IsNaN(wet[j]) {
					wet[j] = h
				}
				wet[j] += (h - wet[j]) * -math.Expm1(-float64(r.Span)/float64(hour)/tau)
			}
		}
		if e.Highest > 0.3*all {
			if slope, err := e.Slope(); e.Rising.N >= 3 && e.Falling.N >= 3 && err < sureSlope*math.Abs(slope) {
				s.slopes.add(at, slope)
				s.widths.add(at, e.Hysteresis()/(math.Abs(slope)*e.Highest))
			}
			if slope, _ := e.All.Slope(); e.Idle.N > 0 {
				whole.add(at, slope)
			}
		}
		if e.Wobble.N > 0 {
			s.noises.add(at, math.Log(math.Sqrt(e.Wobble.Mean())))
		}
		zero := r.zero(e)
		if e.Idle.N < e.All.N {
			restless = true
		}
		still.join(e.Still)
		warming.join(e.Warming)
		idle.join(Tally{e.All.N, e.Idle.N})
		if math.IsNaN(zero) {
			continue
		}
		s.rested = append(s.rested, !restless)
		restless = e.Idle.N < e.All.N
		s.still = append(s.still, still.Sum)
		s.warming = append(s.warming, warming.Sum)
		s.idle = append(s.idle, idle.Mean())
		still, warming, idle = Tally{}, Tally{}, Tally{}
		s.at = append(s.at, at)
		s.ones = append(s.ones, 1)
		s.zero = append(s.zero, zero)
		s.cycles = append(s.cycles, cycles)
		s.loads = append(s.loads, loads)
		s.peak = append(s.peak, highest)
		s.spikes = append(s.spikes, spikes)
		for c := range last {
			s.with[c] = append(s.with[c], last[c])
		}
		for j := range wet {
			s.wet[j] = append(s.wet[j], wet[j])
		}
		for j := range lags {
			t := e.Lagged[j]
			if e.Idle.N == 0 {
				t = e.LagAll[j]
			}
			s.lagged[j] = append(s.lagged[j], t.Mean())
		}
	}
	// Loads that step faster than readings come have no ramps: then the slope is
	// that from rest to load, with what relaxes at load in it.
	if len(s.slopes.at) < len(whole.at)/2 {
		s.slopes = whole
	}
	for c := range known {
		if !known[c] {
			s.with[c] = nil
		}
	}
	return s
}

// column makes one of a function of the index.
func (s *series) column(f func(i int) float64) []float64 {
	c := make([]float64, len(s.at))
	for i := range c {
		c[i] = f(i)
	}
	return c
}

// from returns a column that is zero before hour t and that of f from then on.
func (s *series) from(t float64, f func(i int) float64) []float64 {
	return s.column(func(i int) float64 {
		if s.at[i] < t {
			return 0
		}
		return f(i)
	})
}
