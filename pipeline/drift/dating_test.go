package drift

import (
	"math"
	"math/rand/v2"
	"testing"
)

// By hand: of four hours with chances 1, 2, 4 and 1 of eight the third is where half
// is passed, the first holds an eighth and the last ends at all of it.
func TestMiddle(t *testing.T) {
	got := middle([]float64{10, 11, 12, 13}, []float64{math.Log(1), math.Log(2), math.Log(4), math.Log(1)})
	if want := (dating{10, 12, 13}); got != want {
		t.Errorf("%+v, by hand %+v", got, want)
	}
}

// What began while nothing was read is put into the middle of that time, and the
// nine tenths span it.
func TestWhatBeganInAGap(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 12))
	s := &series{}
	var y []float64
	for h := range 120 {
		if h > 40 && h < 80 {
			continue
		}
		x := 0.3e-6 * random.NormFloat64()
		if h >= 80 {
			x += 20e-6
		}
		s.at, y = append(s.at, float64(h)), append(y, x)
	}
	s.ones = s.column(func(int) float64 { return 1 })
	hours := s.hours(110)
	l := s.likelihoods(hours, y, [][]float64{s.ones}, func(t float64) [][][]float64 {
		return [][][]float64{{s.from(t, func(int) float64 { return 1 })}}
	}, bestZero)
	if d := middle(hours, l); !(math.Abs(d.at-60) < 3) || !(d.from < 46) || !(d.to > 74) {
		t.Errorf("%+v of a step somewhere from 40 to 80", d)
	}
}

// Of ramps that begin at any time, about nine in ten begin where the nine tenths
// say. The bars are ones that chance fails once in a thousand (binomial, 200).
func TestNineTenthsAreNineTenths(t *testing.T) {
	random := rand.New(rand.NewPCG(13, 14))
	const runs = 200
	var held int
	for range runs {
		began := 60 + 60*random.Float64()
		var at, y []float64
		for h := range 240 {
			x := 0.5e-6 * random.NormFloat64()
			if float64(h) > began {
				x += 0.3e-6 * (float64(h) - began)
			}
			at, y = append(at, float64(h)), append(y, x)
		}
		if d, ok := changePoint(at, y, leastSD, 0); ok && began >= d.from-1 && began <= d.to+1 {
			held++
		}
	}
	if held < 166 {
		t.Errorf("%d of %d ramps began within the nine tenths", held, runs)
	}
}

// Insulation that was good at hour 36 and bad at hour 72 puts a leak between them,
// whatever it was read as later.
func TestInsulationDatesALeak(t *testing.T) {
	r := &Record{Epochs: []Window{{}}}
	for i, ohm := range []float64{5e9, 4e9, 2e7, 6e9, 1e7} {
		r.Insulate(int64(i)*36*hour, ohm)
	}
	f := &findings{record: r}
	if from, to := f.insulated(); from != 36 || to != 72 {
		t.Errorf("from hour %g to %g", from, to)
	}
	f.record = &Record{Epochs: []Window{{}}}
	if from, to := f.insulated(); !math.IsInf(from, -1) || !math.IsInf(to, 1) {
		t.Errorf("of no reading: from hour %g to %g", from, to)
	}
}

// Of four hours at 20 degC and four at 40 the second go by faster, by Arrhenius with
// 60 kJ/mol: exp(7216.7 (1/293.15 - 1/313.15)) = 4.82, by hand.
func TestTheClockOfACure(t *testing.T) {
	f := &findings{series: &series{}}
	for h := range 9 {
		f.at = append(f.at, float64(h))
		warm := 20.0
		if h > 4 {
			warm = 40
		}
		f.with[Temperature] = append(f.with[Temperature], warm)
	}
	hours := f.warmed(0)
	if !(math.Abs(hours[4]-4) < 1e-9) || !(math.Abs(hours[8]-4-4*4.82) < 0.05) {
		t.Errorf("%.3f after four hours, %.3f after eight", hours[4], hours[8])
	}
	if late := f.warmed(2.5); late[2] != 0 || !(math.Abs(late[4]-1.5) < 1e-9) {
		t.Errorf("a cure that ends at hour 2.5: %v", late)
	}
	f.with[Temperature] = nil
	if plain := f.warmed(0); plain[8] != 8 {
		t.Errorf("without a temperature: %g", plain[8])
	}
}

// A witness gauge that moves 0.8 as far as the gauge has that ratio, whatever both
// do with temperature; one that is still has none.
func TestTheWitnessRatio(t *testing.T) {
	f := &findings{series: &series{}, witnessed: true, moved: 50e-6}
	var still []float64
	for h := range 100 {
		warm := 20 + 5*math.Sin(float64(h)/4)
		own := 50e-6 * -math.Expm1(-float64(h)/30)
		f.at, f.ones = append(f.at, float64(h)), append(f.ones, 1)
		f.zero = append(f.zero, own+1e-6*warm)
		f.with[Temperature] = append(f.with[Temperature], warm)
		f.with[Witness] = append(f.with[Witness], 0.8*own+3e-6*warm)
		still = append(still, 3e-6*warm)
	}
	if got := f.coupon(); !(math.Abs(got-0.8) < 1e-6) {
		t.Errorf("ratio %.4f", got)
	}
	f.with[Witness] = still
	if got := f.coupon(); !(math.Abs(got) < 1e-6) {
		t.Errorf("ratio %.4f of one that is still", got)
	}
	f.witnessed = false
	if !math.IsNaN(f.coupon()) {
		t.Error("a ratio without a witness")
	}
}
