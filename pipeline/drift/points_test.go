package drift

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// norris are the data as the repository has them, with their source.
func norris(t *testing.T) (x, y []float64) {
	t.Helper()
	text, err := os.ReadFile("../../testdata/published/published-values.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Cases []struct {
			ID     string
			Inputs json.RawMessage
		}
	}
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	for _, v := range file.Cases {
		if v.ID != "strd-norris" {
			continue
		}
		var in struct{ X, Y []float64 }
		if err := json.Unmarshal(v.Inputs, &in); err != nil || len(in.X) != 36 || len(in.Y) != 36 {
			t.Fatalf("%d and %d values: %v", len(in.X), len(in.Y), err)
		}
		return in.X, in.Y
	}
	t.Fatal("no data")
	return nil, nil
}

// Norris, NIST Statistical Reference Datasets, linear regression: slope
// 1.00211681802045 with the standard error 0.429796848199937E-03, R-squared
// 0.999993745883712. An epoch has each pair as its temperature and its zero.
func TestWithTemperatureOfNorris(t *testing.T) {
	x, y := norris(t)
	var r Record
	for i := range x {
		w := Window{From: int64(i) * hour, To: int64(i)*hour + 1}
		w.Idle.add(y[i])
		w.All.add(0, y[i])
		w.With[Temperature].add(x[i])
		r.Add(w)
	}
	l := r.WithTemperature()
	near := func(got, want, tol float64) bool { return math.Abs(got-want) <= tol }
	if l.N != 36 || !near(l.Slope, 1.00211681802045, 1e-13) || !near(l.Error, 0.429796848199937e-3, 1e-13) || !near(l.R*l.R, 0.999993745883712, 1e-14) {
		t.Errorf("%+v, R-squared %.15g", l, l.R*l.R)
	}
	// Sums of raw numbers would cancel: all zeros a million away.
	for i := range r.Epochs {
		r.Epochs[i].Idle.Sum += 1e6
	}
	if l := r.WithTemperature(); !near(l.Slope, 1.00211681802045, 1e-9) {
		t.Errorf("far from zero: %+v", l)
	}
}

// A line that nothing can be said of has no number.
func TestLineOfNothing(t *testing.T) {
	for name, points := range map[string][]Point{
		"nothing":          nil,
		"three points":     {{Temperature: 1, Rest: 1}, {Temperature: 2, Rest: 2}, {Temperature: 3, Rest: 3}, {Temperature: math.NaN(), Rest: 4}, {Temperature: 5, Rest: math.NaN()}},
		"one temperature":  {{Temperature: 1, Rest: 1}, {Temperature: 1, Rest: 2}, {Temperature: 1, Rest: 3}, {Temperature: 1, Rest: 4}},
		"no reading known": {{Temperature: math.NaN(), Rest: math.NaN()}},
	} {
		l := lineThrough(points, func(p *Point) (x, y float64) { return p.Temperature, p.Rest })
		if !math.IsNaN(l.Slope) || !math.IsNaN(l.Error) || !math.IsNaN(l.R) {
			t.Errorf("%s: %+v", name, l)
		}
	}
	flat := lineThrough([]Point{{Temperature: 1}, {Temperature: 2}, {Temperature: 3}, {Temperature: 4}}, func(p *Point) (x, y float64) { return p.Temperature, p.Rest })
	if flat.Slope != 0 || flat.Error != 0 || !math.IsNaN(flat.R) {
		t.Errorf("a zero that never moves: %+v", flat)
	}
}

// A point is what its epoch held, from the installation zero; a later zero does not
// bring it back.
func TestPoints(t *testing.T) {
	var r Record
	for i := range int64(12) {
		if i == 6 {
			r.Zero(hour, 5e-6)
		}
		r.Add(plainWindow(i*hour/6, 1e-6, 1e-3))
	}
	points := r.Points(nil)
	near := func(got, want float64) bool { return math.Abs(got-want) < 1e-15 }
	if len(points) != 2 || !near(points[0].Rest, 1e-6) || !near(points[1].Rest, 6e-6) {
		t.Fatalf("%+v", points)
	}
	p := points[1]
	if !near(p.Load, 0.55) || !near(p.Live, 6e-6+0.55e-3) || !near(p.Slope, 1e-3) || !(p.SlopeError < 1e-11) || p.From != hour || p.To != 2*hour {
		t.Errorf("%+v", p)
	}
	if !math.IsNaN(p.Noise) || !math.IsNaN(p.Temperature) || !math.IsNaN(p.Humidity) {
		t.Errorf("what was not measured: %+v", p)
	}
	if again := r.Points(points[:1]); len(again) != 3 {
		t.Errorf("%d points appended", len(again))
	}
}
