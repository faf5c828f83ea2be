package drift

import "math"

// A Covariate is a quantity that a drift may follow.
type Covariate uint8

// The covariates of a reading, a window and an epoch. What is not measured is NaN
// in a reading.
const (
	Temperature     Covariate = iota // degC, of the gauge's own sensor
	LeadTemperature                  // degC
	Humidity                         // %
	Excitation                       // V
	Reference                        // m/m, what a stable resistor bridge of the same source reads
	Witness                          // m/m, of a gauge on a free coupon: same material, adhesive and coating
	Companions                       // m/m, median zero of the other channels of the source
	Neighbours                       // m/m, median zero of near channels on other sources
	covariates
)

// Reading is what one instant has to say. Strain and load that are NaN leave it
// out; so does the caller with samples whose flags leave them out of summaries.
type Reading struct {
	Time   int64   // ns since 1970
	Strain float64 // m/m from the installation zero
	Load   float64 // any unit, one for the life of a record
	Idle   bool    // by the load state of the journal, or by the load's own band
	Spike  bool
	Cycles float64 // load cycles closed since the last reading
	With   [covariates]float64
}

// Tally is a sum with its count.
type Tally struct {
	N   float64 `json:"n,omitempty"`
	Sum float64 `json:"sum,omitempty"`
}

func (t *Tally) add(x float64) {
	if !math.IsNaN(x) {
		t.N++
		t.Sum += x
	}
}

func (t *Tally) join(o Tally) { t.N += o.N; t.Sum += o.Sum }

// Mean is NaN where nothing was counted.
func (t Tally) Mean() float64 { return t.Sum / t.N }

// Sums are those from which a line of strain against load follows.
type Sums struct {
	N  float64 `json:"n,omitempty"`
	X  float64 `json:"x,omitempty"`
	Y  float64 `json:"y,omitempty"`
	XX float64 `json:"xx,omitempty"`
	XY float64 `json:"xy,omitempty"`
	YY float64 `json:"yy,omitempty"`
}

func (s *Sums) add(x, y float64) {
	s.N++
	s.X += x
	s.Y += y
	s.XX += x * x
	s.XY += x * y
	s.YY += y * y
}

func (s *Sums) join(o Sums) {
	s.N += o.N
	s.X += o.X
	s.Y += o.Y
	s.XX += o.XX
	s.XY += o.XY
	s.YY += o.YY
}

// Slope returns the slope of strain against load and its standard error, NaN for
// fewer than four readings or a load that did not move.
func (s Sums) Slope() (slope, err float64) {
	xx, xy, yy := s.XX-s.X*s.X/s.N, s.XY-s.X*s.Y/s.N, s.YY-s.Y*s.Y/s.N
	if s.N < 4 || !(xx > 1e-9*s.XX) {
		return math.NaN(), math.NaN()
	}
	slope = xy / xx
	return slope, math.Sqrt(max(0, yy-slope*xy)/(s.N-2)) / math.Sqrt(xx)
}

// lags are the time constants, in hours, of the low-passed load that creep
// would follow: within a hold, within a shift, over days.
var lags = [...]float64{1, 6, 36}

// Window sums up what happened in one stretch of time, loaded or idle. Sums can
// be added: an Epoch is a window of windows.
type Window struct {
	From    int64             `json:"from"` // ns
	To      int64             `json:"to"`   // ns, of the last reading
	Idle    Tally             `json:"idle"` // strain while idle
	All     Sums              `json:"all"`  // strain against load
	Rising  Sums              `json:"rising"`
	Falling Sums              `json:"falling"`
	Wobble  Tally             `json:"wobble"`  // squared second differences of idle strain over 6: the variance of white noise
	Still   Tally             `json:"still"`   // changes of strain from one idle reading to the next: what time alone does
	Warming Tally             `json:"warming"` // changes of the gauge's temperature with them, K
	With    [covariates]Tally `json:"with"`
	Lagged  [len(lags)]Tally  `json:"lagged"`     // low-passed load while idle
	LagAll  [len(lags)]Tally  `json:"lagged_all"` // and always
	Highest float64           `json:"highest"`    // largest load, by magnitude
	Cycles  float64           `json:"cycles,omitempty"`
	Spikes  float64           `json:"spikes,omitempty"`
}

func (w *Window) join(o *Window) {
	w.To = o.To
	w.Idle.join(o.Idle)
	w.All.join(o.All)
	w.Rising.join(o.Rising)
	w.Falling.join(o.Falling)
	w.Wobble.join(o.Wobble)
	w.Still.join(o.Still)
	w.Warming.join(o.Warming)
	for i := range w.With {
		w.With[i].join(o.With[i])
	}
	for i := range lags {
		w.Lagged[i].join(o.Lagged[i])
		w.LagAll[i].join(o.LagAll[i])
	}
	w.Highest = max(w.Highest, o.Highest)
	w.Cycles += o.Cycles
	w.Spikes += o.Spikes
}

// Slope returns the slope of strain against load and its standard error from the
// rising and the falling branch, each with an intercept of its own: a zero that
// steps between them, a hold that relaxes, leave it alone.
func (w *Window) Slope() (slope, err float64) {
	var n, xx, xy, yy float64
	for _, s := range []*Sums{&w.Rising, &w.Falling} {
		if s.N > 0 {
			n += s.N - 1
			xx += s.XX - s.X*s.X/s.N
			xy += s.XY - s.X*s.Y/s.N
			yy += s.YY - s.Y*s.Y/s.N
		}
	}
	if n < 4 || !(xx > 1e-9*(w.Rising.XX+w.Falling.XX)) {
		return math.NaN(), math.NaN()
	}
	slope = xy / xx
	return slope, math.Sqrt(max(0, yy-slope*xy)/(n-1)) / math.Sqrt(xx)
}

// Hysteresis returns by how much strain is higher while the load falls than while
// it rises, at one load; NaN unless both happened.
func (w *Window) Hysteresis() float64 {
	slope, _ := w.Slope()
	up, down := w.Rising, w.Falling
	return (down.Y/down.N - up.Y/up.N) - slope*(down.X/down.N-up.X/up.N)
}

// Gatherer makes windows of readings. Its fields are its state, for JSON; the
// zero value with a Length is ready.
type Gatherer struct {
	Length int64              `json:"length"` // ns of a window; windows begin at multiples of it
	Now    Window             `json:"now"`
	Lag    [len(lags)]float64 `json:"lag"` // low-passed load
	Last   [2]float64         `json:"last"`
	Warm   float64            `json:"warm"` // degC at the newest idle reading, 0 for not known
	Run    int                `json:"run"`  // idle readings in a row, up to 2
	Load   float64            `json:"load"`
	Begun  bool               `json:"begun"`
}

// Add takes the next reading, in order of time. When it lies beyond the window
// under way, that window is returned as done.
func (g *Gatherer) Add(r *Reading) (done Window, ok bool) {
	if math.IsNaN(r.Strain) || math.IsNaN(r.Load) {
		return Window{}, false
	}
	if g.Begun && r.Time/g.Length != g.Now.From/g.Length {
		done, ok = g.Now, true
		g.Now = Window{From: r.Time / g.Length * g.Length, To: g.Now.To}
	}
	if !g.Begun {
		g.Now = Window{From: r.Time / g.Length * g.Length, To: r.Time}
		g.Load, g.Begun = r.Load, true
	}
	w := &g.Now
	hours := float64(r.Time-w.To) / 3600e9
	w.To = r.Time
	for i, tau := range lags {
		g.Lag[i] += (r.Load - g.Lag[i]) * -math.Expm1(-hours/tau)
		w.LagAll[i].add(g.Lag[i])
		if r.Idle {
			w.Lagged[i].add(g.Lag[i])
		}
	}
	w.All.add(r.Load, r.Strain)
	if r.Idle {
		w.Idle.add(r.Strain)
		warm := r.With[Temperature]
		if math.IsNaN(warm) {
			warm = 0
		}
		if g.Run > 0 {
			w.Still.add(r.Strain - g.Last[1])
			if warm != 0 && g.Warm != 0 {
				w.Warming.add(warm - g.Warm)
			}
		}
		g.Warm = warm
		if g.Run == 2 {
			d := r.Strain - 2*g.Last[1] + g.Last[0]
			w.Wobble.add(d * d / 6)
		}
		g.Last[0], g.Last[1], g.Run = g.Last[1], r.Strain, min(g.Run+1, 2)
	} else {
		g.Run = 0
	}
	switch {
	case r.Load > g.Load && !r.Idle:
		w.Rising.add(r.Load, r.Strain)
	case r.Load < g.Load && !r.Idle:
		w.Falling.add(r.Load, r.Strain)
	}
	g.Load = r.Load
	w.Highest = max(w.Highest, math.Abs(r.Load))
	w.Cycles += r.Cycles
	if r.Spike {
		w.Spikes++
	}
	for i, x := range r.With {
		w.With[i].add(x)
	}
	return done, ok
}
