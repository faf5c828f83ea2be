package drift

import (
	"math"
)

const (
	hour      = int64(3600e9)
	mostKept  = 512 // epochs; two are joined into one beyond it
	mostNotes = 256 // shunt checks, insulation readings; every second goes beyond it
	learning  = 48  // epochs from which the normal state is learnt
)

// A Note is one value that somebody took.
type Note struct {
	Time  int64   `json:"time"`
	Value float64 `json:"value"`
}

// Record is what is kept of one channel, of bounded size whatever the length of
// the test. Its fields are its state, for JSON. The zero value is ready.
type Record struct {
	Epochs     []Window `json:"epochs"`     // in order, each Span long or empty
	Span       int64    `json:"span"`       // ns of an epoch: an hour, doubled when the record is full
	Shunts     []Note   `json:"shunts"`     // span factor: predicted step over measured
	Insulation []Note   `json:"insulation"` // ohm
	Offset     float64  `json:"offset"`     // m/m, what later zeros took away
	Zeroed     []Note   `json:"zeroed"`     // m/m, each later zero from the installation zero

	// The detectors, fed an epoch at a time while the span is one hour and after.
	Zeros  Detector `json:"zeros"`
	Slopes Detector `json:"slopes"`
	Noises Detector `json:"noises"`
}

// Detector learns how a quantity behaves with temperature over the first epochs
// and then watches it.
type Detector struct {
	Seen   int          `json:"seen"`
	Taught [][2]float64 `json:"taught"` // temperature and value, while learning
	Centre float64      `json:"centre"`
	PerK   float64      `json:"per_k"`
	SD     float64      `json:"sd"` // of an epoch, widened for the colour of the noise
	Sum    Cusum        `json:"sum"`
}

// Add takes the value of an epoch, which ends at a time. floor is the least
// standard deviation that is believed.
func (d *Detector) Add(at int64, temperature, value, floor float64) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return
	}
	if math.IsNaN(temperature) {
		temperature = 0
	}
	if d.Seen++; d.Seen <= learning {
		d.Taught = append(d.Taught, [2]float64{temperature, value})
		if d.Seen == learning {
			d.learn(floor)
		}
		return
	}
	d.Sum.Add(at, (value-d.Centre-d.PerK*temperature)/d.SD)
}

func (d *Detector) learn(floor float64) {
	n := float64(len(d.Taught))
	var t, y, tt, ty float64
	for _, p := range d.Taught {
		t += p[0] / n
		y += p[1] / n
	}
	for _, p := range d.Taught {
		tt += (p[0] - t) * (p[0] - t)
		ty += (p[0] - t) * (p[1] - y)
	}
	if tt > n { // a kelvin at least, else it teaches nothing
		d.PerK = ty / tt
	}
	d.Centre = y - d.PerK*t
	var squares, products, last float64
	for i, p := range d.Taught {
		r := p[1] - d.Centre - d.PerK*p[0]
		squares += r * r
		if i > 0 {
			products += r * last
		}
		last = r
	}
	// The mean of deviations with lag-1 correlation rho scatters as if each had
	// a variance (1 + rho)/(1 - rho) times as large.
	rho := 0.0
	if squares > 0 {
		rho = max(0, min(0.9, products/squares))
	}
	d.SD = max(floor, math.Sqrt(squares/(n-2)*(1+rho)/(1-rho)))
	d.Taught = nil
}

// Add takes the next window, in order of time. Its strain is from the zero in
// force; see Zero.
func (r *Record) Add(w Window) {
	w = w.moved(r.Offset)
	if r.Span == 0 {
		r.Span = hour
	}
	last := len(r.Epochs) - 1
	if last >= 0 && r.Epochs[last].From/r.Span == w.From/r.Span {
		r.Epochs[last].join(&w)
		return
	}
	if last >= 0 {
		r.watch(&r.Epochs[last])
	}
	if r.Epochs = append(r.Epochs, w); len(r.Epochs) > mostKept {
		r.halve()
	}
}

// moved returns the window as if its strain were higher by offset.
func (w Window) moved(offset float64) Window {
	if offset == 0 {
		return w
	}
	w.Idle.Sum += w.Idle.N * offset
	for _, s := range []*Sums{&w.All, &w.Rising, &w.Falling} {
		s.YY += 2*offset*s.Y + s.N*offset*offset
		s.XY += offset * s.X
		s.Y += s.N * offset
	}
	return w
}

func (r *Record) halve() {
	r.Span *= 2
	kept := r.Epochs[:0]
	for i := range r.Epochs {
		e := r.Epochs[i]
		if n := len(kept); n > 0 && kept[n-1].From/r.Span == e.From/r.Span {
			kept[n-1].join(&e)
		} else {
			kept = append(kept, e)
		}
	}
	r.Epochs = kept
}

// The least standard deviations that the detectors believe: two days cannot show
// how a quantity wanders over weeks, nor its slope against temperature well. They
// are found fastest when they shift by as much; common practice, no source.
const (
	leastZero  = 4e-6 // m/m
	leastSlope = 0.01 // of itself
	leastNoise = 0.4  // of its logarithm
)

// watch feeds a finished epoch to the detectors.
func (r *Record) watch(e *Window) {
	t := e.With[Temperature].Mean()
	r.Zeros.Add(e.To, t, r.zero(e), leastZero)
	slope, _ := e.Slope()
	if math.IsNaN(slope) && e.Idle.N > 0 {
		slope, _ = e.All.Slope() // the load steps between readings
	}
	r.Slopes.Add(e.To, math.NaN(), slope, math.Abs(slope)*leastSlope)
	r.Noises.Add(e.To, math.NaN(), math.Log(math.Sqrt(e.Wobble.Mean())), leastNoise)
}

// zero returns the zero of an epoch: its mean strain while idle or, where the
// article is never idle, the mean strain less what the load explains by the
// slope of the first two days.
func (r *Record) zero(e *Window) float64 {
	if e.Idle.N > 0 {
		return e.Idle.Mean()
	}
	for i := range r.Epochs[:min(len(r.Epochs), learning)] {
		if r.Epochs[i].Idle.N > 0 {
			return math.NaN() // it idles at times: wait for them
		}
	}
	var all Sums
	for i := range r.Epochs[:min(len(r.Epochs), learning)] {
		all.join(r.Epochs[i].All)
	}
	slope, _ := all.Slope()
	return (e.All.Y - slope*e.All.X) / e.All.N
}

// Shunt notes a shunt check: the step that it should have made over the one it
// made. It speaks of instrument, leads and wiring, never of gauge factor or bond.
func (r *Record) Shunt(at int64, span float64) { r.Shunts = note(r.Shunts, Note{at, span}) }

// Insulate notes an insulation reading, gauge to article, in ohm.
func (r *Record) Insulate(at int64, ohm float64) { r.Insulation = note(r.Insulation, Note{at, ohm}) }

// Zero notes a zero that was taken: readings fall by moved, in m/m, from here
// on. The record goes on from the installation zero, which nothing resets.
func (r *Record) Zero(at int64, moved float64) {
	r.Offset += moved
	r.Zeroed = note(r.Zeroed, Note{at, r.Offset})
}

// note appends, and drops every second of the older ones when there are too many.
func note(notes []Note, n Note) []Note {
	notes = append(notes, n)
	if len(notes) <= mostNotes {
		return notes
	}
	kept := notes[:0]
	for i, n := range notes {
		if i%2 == 0 || i == len(notes)-1 {
			kept = append(kept, n)
		}
	}
	return kept
}
