package thermalfit

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// curve is an invented thermal output in strain at a gauge factor of 2.
var curve = []float64{-31.8e-6, 2.77e-6, -6.55e-8, 3.28e-10}

func valueOf(c []float64, t float64) (y float64) {
	for i := len(c) - 1; i >= 0; i-- {
		y = y*t + c[i]
	}
	return y
}

// day is what the weather does in a made-up record: degC at a minute.
func day(minute int) float64 {
	return 18 + 14*math.Sin(2*math.Pi*float64(minute)/1440) + 2*math.Sin(2*math.Pi*float64(minute)/4000)
}

// record adds days of readings, one a minute, to a series of its own.
func record(r *Readings, channel string, days int, value func(minute int) float64) {
	s := r.Begin(channel)
	for m := range days * 1440 {
		r.Add(s, int64(m)*int64(time.Minute), day(m), value(m))
	}
}

// noise is coloured: a first-order process of the given sd and memory in minutes.
func noise(random *rand.Rand, sd, memory float64) func(int) float64 {
	rho := math.Exp(-1 / memory)
	x := sd * random.NormFloat64()
	return func(int) float64 {
		x = rho*x + sd*math.Sqrt(1-rho*rho)*random.NormFloat64()
		return x
	}
}

func fitted(t *testing.T, r *Readings) *Fit {
	t.Helper()
	f, err := r.Fit()
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// Nearly without noise the curve comes back, whatever the offsets of the series
// are.
func TestTheCurveComesBack(t *testing.T) {
	var r Readings
	white := noise(rand.New(rand.NewPCG(3, 3)), 1e-9, 0.01)
	for i, offset := range []float64{0, 1e-3, -4e-4} {
		record(&r, "web", 2+i, func(m int) float64 { return offset + valueOf(curve, day(m)) + white(m) })
	}
	f := fitted(t, &r)
	if f.Degree != 3 {
		t.Fatalf("degree %d", f.Degree)
	}
	for temperature := f.Low; temperature <= f.High; temperature++ {
		want := valueOf(curve, temperature) - valueOf(curve, f.Anchor)
		if got := f.At(temperature); !(math.Abs(got-want) < 2e-10) {
			t.Errorf("at %.0f degC %.4g, want %.4g", temperature, got, want)
		}
	}
	if f.Anchor != 24 || math.Abs(f.At(24)) > 1e-18 {
		t.Errorf("%g at %g degC", f.At(24), f.Anchor)
	}
}

// Noise that remembers an hour, on two days of readings a minute apart: a band
// that took the readings for independent would be wrong most of the time.
func TestBandsHoldUnderColouredNoise(t *testing.T) {
	const trials = 200
	random := rand.New(rand.NewPCG(4, 4))
	held, everywhere, naive := 0, 0, 0
	for range trials {
		n := noise(random, 3e-6, 60)
		var r Readings
		record(&r, "web", 4, func(m int) float64 { return valueOf(curve, day(m)) + n(m) })
		f := fitted(t, &r)
		off := math.Abs(f.At(30) - f.At(8) - valueOf(curve, 30) + valueOf(curve, 8))
		if off <= f.Band(30, 8) {
			held++
		}
		low, high := math.Inf(1), math.Inf(-1)
		for temperature := f.Low; temperature <= f.High; temperature += 0.5 {
			d := f.At(temperature) - valueOf(curve, temperature)
			low, high = min(low, d), max(high, d)
		}
		if high-low <= f.LargestBand() {
			everywhere++
		}
		if off <= f.Band(30, 8)*math.Sqrt(f.Effective/float64(f.Readings)) {
			naive++
		}
	}
	t.Logf("bands at 95 %% held in %d of %d, everywhere at once in %d; those of independent readings in %d", held, trials, everywhere, naive)
	if held < trials*88/100 || everywhere < trials*88/100 {
		t.Errorf("bands at 95 %% held in %d of %d, everywhere at once in %d", held, trials, everywhere)
	}
	if naive > trials/2 {
		t.Errorf("independent readings would have done (%d of %d): this proves nothing", naive, trials)
	}
}

// A first-order process of correlation rho has tau = (1 + rho)/(1 - rho)
// (M. B. Priestley, Spectral Analysis and Time Series, 1981, 5.3.2).
func TestWorthOfReadings(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 5))
	for _, memory := range []float64{0.01, 5, 30} {
		n := noise(random, 1, memory)
		points, residuals := make([]point, 20000), make([]float64, 20000)
		for i := range points {
			points[i].index = int64(i)
			residuals[i] = n(i)
		}
		rho := math.Exp(-1 / memory)
		want := (1 + rho) / (1 - rho)
		if got := worthOf(points, residuals).inTime; !(math.Abs(got/want-1) < 0.25) {
			t.Errorf("memory %g: tau %.2f, want %.2f", memory, got, want)
		}
	}
	// Four channels that read one and the same error are worth one.
	var points []point
	var residuals []float64
	n := noise(random, 1, 0.01)
	one := make([]float64, 5000)
	for i := range one {
		one[i] = n(i)
	}
	for s := range 4 {
		for i := range one {
			points = append(points, point{series: s, index: int64(i)})
			residuals = append(residuals, one[i])
		}
	}
	if got := worthOf(points, residuals).across; !(math.Abs(got-4) < 0.05) {
		t.Errorf("four of one: across %.3f, want 4", got)
	}
	for i := range residuals {
		residuals[i] = random.NormFloat64()
	}
	if got := worthOf(points, residuals).across; !(got < 1.1) {
		t.Errorf("four of their own: across %.3f, want 1", got)
	}
}

// A straight response is not dressed up: the criterion errs on few of many.
func TestDegreeOfALine(t *testing.T) {
	random := rand.New(rand.NewPCG(6, 6))
	line := 0
	for range 100 {
		n := noise(random, 3e-6, 30)
		var r Readings
		record(&r, "web", 6, func(m int) float64 { return 5e-6*day(m) + n(m) })
		if f := fitted(t, &r); f.Degree == 1 {
			line++
		}
	}
	if line < 70 {
		t.Errorf("a line in %d of 100", line)
	}
}

// A sensor that lags makes a loop: its half width is the slope times what it
// lags by. The gauge is behind here, so it reads low while temperature rises.
func TestLagIsHysteresis(t *testing.T) {
	const lag = 20 // minutes
	var r Readings
	record(&r, "web", 4, func(m int) float64 { return 5e-6 * day(m-lag) })
	f := fitted(t, &r)
	// The mean rate over the middle of a day's sine is some 14 x 2 pi / 1440 K a minute.
	most := 2 * 5e-6 * lag * 14 * 2 * math.Pi / 1440
	if !(f.Hysteresis > 0.6*most && f.Hysteresis < 1.1*most) {
		t.Errorf("hysteresis %.3g, at most some %.3g", f.Hysteresis, most)
	}
	var none Readings
	white := noise(rand.New(rand.NewPCG(9, 9)), 1e-7, 0.01)
	record(&none, "web", 4, func(m int) float64 { return 5e-6*day(m) + white(m) })
	if f := fitted(t, &none); math.Abs(f.LargestLoop) > most/50 {
		t.Errorf("hysteresis %.3g without a lag", f.LargestLoop)
	}
}

// Gauges of a lot differ; their scatter is found and widens the band.
func TestScatterOfALot(t *testing.T) {
	var r Readings
	for _, g := range []struct {
		name  string
		slope float64
	}{{"a", 2e-7}, {"b", -3e-7}, {"c", 1e-7}} {
		record(&r, g.name, 3, func(m int) float64 { return valueOf(curve, day(m)) + g.slope*day(m) })
	}
	f := fitted(t, &r)
	if want := math.Sqrt((4+9+1)/2.0) * 1e-7; !(math.Abs(f.Scatter/want-1) < 1e-6) || len(f.Gauges) != 3 {
		t.Errorf("scatter %g of %d gauges, want %g", f.Scatter, len(f.Gauges), want)
	}
	if f.Band(30, 8) < 1.9*f.Scatter*22/math.Sqrt(3) {
		t.Errorf("band %g does not hold the scatter", f.Band(30, 8))
	}
}

// A gauge that wanders stands out among its lot.
func TestOddGauge(t *testing.T) {
	random := rand.New(rand.NewPCG(12, 12))
	var r Readings
	for _, g := range []struct {
		name string
		sd   float64
	}{{"a", 1e-6}, {"b", 1.5e-6}, {"c", 2e-5}, {"d", 1e-6}} {
		white := noise(random, g.sd, 0.01)
		record(&r, g.name, 3, func(m int) float64 { return valueOf(curve, day(m)) + white(m) })
	}
	if odd := fitted(t, &r).Outliers(); len(odd) != 1 || odd[0] != "c" {
		t.Errorf("odd are %v, want c", odd)
	}
}

// Drift of the zero shows in the residuals, and does not pass for nothing.
func TestDriftShows(t *testing.T) {
	var r Readings
	white := noise(rand.New(rand.NewPCG(10, 10)), 1e-6, 0.01)
	record(&r, "web", 5, func(m int) float64 { return valueOf(curve, day(m)) + 2e-7*float64(m)/1440 + white(m) })
	if f := fitted(t, &r); !(math.Abs(f.PerDay-2e-7) < 4e-8) {
		t.Errorf("%g a day, want 2e-7", f.PerDay)
	}
}

func TestRefusals(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	add := func(n int, at func(i int) (temperature, value float64)) *Readings {
		var r Readings
		s := r.Begin("web")
		for i := range n {
			temperature, value := at(i)
			r.Add(s, int64(i)*int64(time.Minute), temperature, value)
		}
		return &r
	}
	for _, c := range []struct {
		name string
		r    *Readings
		want error
	}{
		{"nothing", add(0, nil), ErrTooFew},
		{"nothing finite", add(100, func(int) (float64, float64) { return math.NaN(), 1 }), ErrTooFew},
		{"one mean", add(1, func(int) (float64, float64) { return 20, 1 }), ErrTooFew},
		{"9 K", add(2880, func(i int) (float64, float64) { return 20 + 4.5*math.Sin(float64(i)/200), 0 }), ErrNarrow},
		{"warming only", add(2880, func(i int) (float64, float64) { return float64(i) / 100, float64(i) }), ErrOneDirection},
		{"warming, and a little cooling", add(2880, func(i int) (float64, float64) {
			return 28.8 - math.Abs(float64(i)-2280)/100, 0
		}), ErrOneDirection},
		{"one cycle that wanders", func() *Readings {
			n := noise(random, 5e-6, 600)
			return add(1440, func(i int) (float64, float64) { return day(i), n(i) })
		}(), ErrTooFew},
	} {
		if _, err := c.r.Fit(); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}

// However long a record is, memory is bounded, and the curve stays what it is.
func TestMemoryIsBounded(t *testing.T) {
	r := Readings{most: 500}
	white := noise(rand.New(rand.NewPCG(11, 11)), 1e-7, 0.01)
	record(&r, "web", 20, func(m int) float64 { return valueOf(curve, day(m)) + white(m) })
	if r.cells > 500 || r.Width() != 64*time.Minute {
		t.Errorf("%d means of %v", r.cells, r.Width())
	}
	f := fitted(t, &r)
	readings := 0
	r.Each(func(_ *Series, c Cell) { readings += c.Readings })
	if readings != 20*1440 {
		t.Errorf("%d readings of %d", readings, 20*1440)
	}
	if d := f.At(30) - f.At(8) - valueOf(curve, 30) + valueOf(curve, 8); math.Abs(d) > 0.1e-6 {
		t.Errorf("off by %g", d)
	}
}

// Readings in any order give the same means.
func TestOrderDoesNotMatter(t *testing.T) {
	random := rand.New(rand.NewPCG(8, 8))
	var r, shuffled Readings
	record(&r, "web", 2, func(m int) float64 { return valueOf(curve, day(m)) })
	s := shuffled.Begin("web")
	for _, m := range random.Perm(2 * 1440) {
		shuffled.Add(s, int64(m)*int64(time.Minute), day(m), valueOf(curve, day(m)))
	}
	var a, b []Cell
	r.Each(func(_ *Series, c Cell) { a = append(a, c) })
	shuffled.Each(func(_ *Series, c Cell) { b = append(b, c) })
	if len(a) != len(b) {
		t.Fatalf("%d and %d means", len(a), len(b))
	}
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("mean %d: %+v and %+v", i, a[i], b[i])
		}
	}
}
