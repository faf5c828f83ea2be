package thermalfit

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// What keeps a fit from being made. Every one is told with the figures that it
// goes by.
var (
	ErrNarrow       = errors.New("the temperature range is too narrow")
	ErrTooFew       = errors.New("too few readings that do not repeat each other")
	ErrOneDirection = errors.New("temperature was not both rising and falling over half of the range")
)

const (
	leastRange   = 10.0 // K. Common practice, no source
	leastFreedom = 5    // degrees of freedom. Common practice, no source
	confidence   = 0.95 // of bands, two-sided
	anchor       = 24.0 // degC, where the curve is 0 if it reaches there. Common practice, no source
)

// Highest is the highest degree that is tried: packages state curves up to the
// fourth power.
const Highest = 4

// Candidate is a degree that was tried.
type Candidate struct {
	Degree int
	SD     float64 // residual standard deviation
	AICc   float64 // less is better
	Weight float64 // what speaks for it beside the others; all together 1

	solution *solution
	unit     float64 // variance of one independent reading
}

// Gauge is what the fit says of one channel.
type Gauge struct {
	Channel  string
	Readings int     // means
	Slope    float64 // by which it differs from the curve, per K
	SD       float64 // of its residuals
}

// Fit is a polynomial in temperature. Values are in the unit of the readings.
type Fit struct {
	Degree       int
	Coefficients []float64 // ascending powers of degC; the curve is 0 at Anchor
	Errors       []float64 // their standard errors; of the first, of which only differences count, NaN
	Anchor       float64   // degC
	Low, High    float64   // degC, range of the readings
	Candidates   []Candidate

	Readings  int     // means that were fitted
	Effective float64 // of how many independent ones they are worth
	Freedom   int     // degrees of freedom, truncated
	Coverage  float64 // factor from standard deviation to the half width of a band, for one difference
	CoverAll  float64 // the same for all differences at once
	SD        float64 // of the residuals

	Lag1            float64 // autocorrelation of neighbouring residuals
	Largest         float64 // residual, with its sign
	LargestAt       float64 // degC
	PerDay          float64 // slope of the residuals against time
	Rising, Falling int     // means
	Hysteresis      float64 // falling less rising at one temperature, mean over the range
	LargestLoop     float64 // the same where it is largest, with its sign
	Gauges          []Gauge
	Scatter         float64 // standard deviation of the gauges' slopes, per K; NaN for one gauge

	centre, half float64
	residuals    []point     // y is the residual
	rising       []Direction // of residuals
}

// Fit fits a polynomial of first to fourth degree. The degree is the one of least
// AICc (C. M. Hurvich and C.-L. Tsai, Biometrika 76, 1989) with the number of
// effective readings in place of their number; all degrees are compared at the
// effective number that the residuals of the highest have. Errors are ErrNarrow,
// ErrTooFew or ErrOneDirection.
func (r *Readings) Fit() (*Fit, error) {
	f, points := &Fit{Low: math.Inf(1), High: math.Inf(-1)}, []point(nil)
	var names []string
	for _, s := range r.series {
		if len(s.cells) < 2 { // its offset takes all that it says
			continue
		}
		for _, c := range s.cells {
			c = c.mean()
			points = append(points, point{series: len(names), index: c.Index, temperature: c.Temperature, y: c.Value})
			f.Low, f.High = min(f.Low, c.Temperature), max(f.High, c.Temperature)
		}
		names = append(names, s.Channel)
	}
	if len(points) == 0 {
		return nil, fmt.Errorf("%w: %d in %d series", ErrTooFew, r.cells, len(r.series))
	}
	if f.High-f.Low < leastRange {
		return nil, fmt.Errorf("%w: %.1f to %.1f degC; at least %g K", ErrNarrow, f.Low, f.High, leastRange)
	}
	f.centre, f.half = (f.Low+f.High)/2, (f.High-f.Low)/2
	for i := range points {
		points[i].x = (points[i].temperature - f.centre) / f.half
	}
	f.Readings = len(points)
	f.rising = directions(points, r.width)
	if err := f.bothWays(points); err != nil {
		return nil, err
	}
	solutions, err := f.choose(points, len(names))
	if err != nil {
		return nil, err
	}
	f.take(solutions, points, names, r.width)
	return f, nil
}

// choose tries the degrees, and leaves the best in f.Degree.
func (f *Fit) choose(points []point, series int) ([]*solution, error) {
	var solutions []*solution
	for d := 1; d <= Highest; d++ {
		s, ok := solve(points, d)
		if !ok {
			break
		}
		solutions = append(solutions, s)
	}
	if len(solutions) == 0 {
		return nil, fmt.Errorf("%w: %d means", ErrTooFew, len(points))
	}
	w := worthOf(points, solutions[len(solutions)-1].residuals)
	f.Lag1 = w.lag1
	n := float64(len(points))
	f.Effective = n / w.inTime / w.across
	best := math.Inf(1)
	for i, s := range solutions {
		d := i + 1
		k := float64(d + series + 1) // the variance is a parameter too
		if f.Effective-k < leastFreedom {
			break
		}
		c := Candidate{Degree: d, solution: s, SD: math.Sqrt(s.squares / n * f.Effective / (f.Effective - k + 1))}
		c.AICc = f.Effective*math.Log(s.squares/n) + 2*k*f.Effective/(f.Effective-k-1)
		c.unit = c.SD * c.SD * n / f.Effective // each of n counts for Effective/n of an independent one
		f.Candidates = append(f.Candidates, c)
		if c.AICc < best || f.Degree == 0 {
			best, f.Degree = c.AICc, d
		}
	}
	if f.Degree == 0 {
		return nil, fmt.Errorf("%w: %d means are worth %.1f, for %d offsets and a slope at least %d are needed; wait for more cycles of temperature",
			ErrTooFew, len(points), f.Effective, series, series+2+leastFreedom)
	}
	var sum float64
	for i := range f.Candidates {
		c := &f.Candidates[i]
		c.Weight = math.Exp((best - c.AICc) / 2)
		sum += c.Weight
	}
	for i := range f.Candidates {
		f.Candidates[i].Weight /= sum
	}
	return solutions, nil
}

func (f *Fit) take(solutions []*solution, points []point, names []string, width int64) {
	s := solutions[f.Degree-1]
	free := f.Effective - float64(f.Degree+len(names))
	f.Freedom = int(free)
	f.Coverage = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(f.Freedom)}.Quantile((1 + confidence) / 2)
	d := float64(f.Degree)
	f.CoverAll = math.Sqrt(d * distuv.F{D1: d, D2: float64(f.Freedom)}.Quantile(confidence))
	f.SD = f.Candidates[f.Degree-1].SD

	f.Coefficients = expanded(s.slopes, f.centre, f.half)
	f.Anchor = min(max(anchor, f.Low), f.High)
	f.Coefficients[0] -= f.At(f.Anchor)
	f.Errors = make([]float64, f.Degree+1)
	f.Errors[0] = math.NaN()
	rows := make([][]float64, f.Degree) // coefficients of each power of x
	for k := range rows {
		one := make([]float64, f.Degree)
		one[k] = 1
		rows[k] = expanded(one, f.centre, f.half)
	}
	for j := 1; j <= f.Degree; j++ {
		var v float64
		for a := range rows {
			for b := range rows {
				v += rows[a][j] * s.inverse[a][b] * rows[b][j]
			}
		}
		f.Errors[j] = math.Sqrt(f.Candidates[f.Degree-1].unit * v)
	}

	f.residuals = slices.Clone(points)
	for i := range f.residuals {
		f.residuals[i].y = s.residuals[i]
		if math.Abs(s.residuals[i]) > math.Abs(f.Largest) {
			f.Largest, f.LargestAt = s.residuals[i], points[i].temperature
		}
	}
	f.loops()
	f.gauges(names)
	f.PerDay = f.perDay(width)
}

// At returns the curve at a temperature in degC; outside Low to High it is an
// extrapolation that nothing bears out.
func (f *Fit) At(temperature float64) (y float64) {
	for i := len(f.Coefficients) - 1; i >= 0; i-- {
		y = y*temperature + f.Coefficients[i]
	}
	return y
}

// Band returns the half width at 95 % of the difference of the curve between two
// temperatures in degC: what a zero at one leaves of error at the other. That the
// degree was chosen is in it. With several gauges it is that of their mean, and
// their scatter is in it. The lag that Hysteresis shows is not.
func (f *Fit) Band(temperature, zero float64) float64 {
	return f.Coverage * f.deviation(temperature, zero)
}

// deviation is the standard deviation of a difference of the curve: the mean over
// the degrees, by their weights, of that of each about the curve that was chosen
// (S. T. Buckland, K. P. Burnham and N. H. Augustin, Biometrics 53, 1997, eq. 9).
func (f *Fit) deviation(temperature, zero float64) (deviation float64) {
	x, from := (temperature-f.centre)/f.half, (zero-f.centre)/f.half
	chosen := f.Candidates[f.Degree-1].solution.difference(x, from)
	for _, c := range f.Candidates {
		off := c.solution.difference(x, from) - chosen
		deviation += c.Weight * math.Sqrt(c.unit*c.solution.variance(x, from)+off*off)
	}
	if !math.IsNaN(f.Scatter) {
		deviation = math.Hypot(deviation, f.Scatter*(temperature-zero)/math.Sqrt(float64(len(f.Gauges))))
	}
	return deviation
}

// LargestBand is the half width at 95 % within which the curve is everywhere at
// once, for any zero and reading in the range (H. Scheffé, Biometrika 40, 1953).
func (f *Fit) LargestBand() (largest float64) {
	const steps = 40
	for i := range steps + 1 {
		for j := range i {
			step := (f.High - f.Low) / steps
			largest = max(largest, f.CoverAll*f.deviation(f.Low+step*float64(i), f.Low+step*float64(j)))
		}
	}
	return largest
}

// Outliers lists the channels, of three or more, whose residuals are much larger than
// those of most: more than three times the median (common practice, no source). A
// faulty gauge draws the curve of all to itself.
func (f *Fit) Outliers() (names []string) {
	if len(f.Gauges) < 3 {
		return nil
	}
	var all []float64
	for _, g := range f.Gauges {
		all = append(all, g.SD)
	}
	slices.Sort(all)
	median := (all[(len(all)-1)/2] + all[len(all)/2]) / 2
	for _, g := range f.Gauges {
		if g.SD > 3*median {
			names = append(names, g.Channel)
		}
	}
	return names
}

// gauges compares every channel with the curve.
func (f *Fit) gauges(names []string) {
	type sums struct{ tt, tr, rr float64 }
	of := map[string]*sums{}
	means := make([]float64, len(names))
	counts := make([]float64, len(names))
	for _, p := range f.residuals {
		means[p.series] += p.temperature
		counts[p.series]++
	}
	for _, p := range f.residuals {
		name := names[p.series]
		if of[name] == nil {
			of[name] = &sums{}
			f.Gauges = append(f.Gauges, Gauge{Channel: name})
		}
		s, d := of[name], p.temperature-means[p.series]/counts[p.series]
		s.tt += d * d
		s.tr += d * p.y
		s.rr += p.y * p.y
	}
	for i := range f.Gauges {
		g := &f.Gauges[i]
		for s, name := range names {
			if name == g.Channel {
				g.Readings += int(counts[s])
			}
		}
		s := of[g.Channel]
		g.Slope, g.SD = s.tr/s.tt, math.Sqrt(s.rr/float64(g.Readings))
	}
	f.Scatter = math.NaN()
	if n := float64(len(f.Gauges)); n > 1 {
		var mean, squares float64
		for _, g := range f.Gauges {
			mean += g.Slope / n
		}
		for _, g := range f.Gauges {
			squares += (g.Slope - mean) * (g.Slope - mean)
		}
		f.Scatter = math.Sqrt(squares / (n - 1))
	}
}

// perDay is the slope of the residuals against time, of all series together.
func (f *Fit) perDay(width int64) float64 {
	var tt, tr float64
	for from := 0; from < len(f.residuals); {
		to, mean := from, 0.0
		for to < len(f.residuals) && f.residuals[to].series == f.residuals[from].series {
			mean += float64(f.residuals[to].index - f.residuals[from].index)
			to++
		}
		mean /= float64(to - from)
		for _, p := range f.residuals[from:to] {
			d := float64(p.index-f.residuals[from].index) - mean
			tt += d * d
			tr += d * p.y
		}
		from = to
	}
	const day = 24 * 60 * 60 * 1e9
	return tr / tt * day / float64(width)
}

// Direction is which way temperature went at a mean.
type Direction int8

// The directions. Still is also where it cannot be told.
const (
	Falling Direction = -1
	Still   Direction = 0
	Rising  Direction = 1
)

// Points visits the means that were fitted, series after series in order of time,
// each with its offset taken from it, so that they lie about the curve.
func (f *Fit) Points(visit func(temperature, value float64, way Direction)) {
	for i, p := range f.residuals {
		visit(p.temperature, f.At(p.temperature)+p.y, f.rising[i])
	}
}
