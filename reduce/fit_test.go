package reduce

import (
	"errors"
	"math"
	"testing"
)

func TestPolyFitThroughEveryPoint(t *testing.T) {
	f, err := PolyFit([]float64{0, 1, 2}, []float64{1, 2, 5}, 2) // 1 + x^2
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{1, 0, 1} {
		near(t, "coefficient", f.Coefficients[i], want, 1e-14)
	}
	near(t, "value", f.At(3), 10, 1e-13)
	if !math.IsNaN(f.ResidualSD) || !math.IsNaN(f.Errors[0]) {
		t.Error("an error estimate without degrees of freedom")
	}
}

func TestPolyFitOfAConstant(t *testing.T) {
	f, err := PolyFit([]float64{5, 5, 5}, []float64{1, 2, 3}, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", f.Coefficients[0], 2, 1e-15)
	near(t, "sd", f.ResidualSD, 1, 1e-15)
	near(t, "error", f.Errors[0], 1/math.Sqrt(3), 1e-15)
}

func TestPolyFitAgreesWithDrift(t *testing.T) {
	x, y := []float64{100, 101, 103, 104, 109}, []float64{3, 1, 4, 1, 5}
	f, err := PolyFit(x, y, 1)
	if err != nil {
		t.Fatal(err)
	}
	l := Drift(x, y)
	near(t, "intercept", l.Intercept, f.Coefficients[0], 1e-11)
	near(t, "slope", l.Slope, f.Coefficients[1], 1e-13)
	near(t, "slope error", l.SlopeError, f.Errors[1], 1e-13)
	near(t, "residual", l.ResidualSD, f.ResidualSD, 1e-13)
}

func TestPolyFitRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		x, y   []float64
		degree int
	}{
		"too few points":      {[]float64{1, 2}, []float64{1, 2}, 2},
		"one abscissa":        {[]float64{1, 1, 1}, []float64{1, 2, 3}, 1},
		"two abscissae":       {[]float64{1, 1, 2, 2}, []float64{1, 2, 3, 4}, 2},
		"lengths":             {[]float64{1, 2, 3}, []float64{1, 2}, 1},
		"negative degree":     {[]float64{1, 2, 3}, []float64{1, 2, 3}, -1},
		"abscissa NaN":        {[]float64{1, nan, 3}, []float64{1, 2, 3}, 1},
		"abscissa infinite":   {[]float64{1, inf, 3}, []float64{1, 2, 3}, 1},
		"value NaN":           {[]float64{1, 2, 3}, []float64{1, nan, 3}, 1},
		"no points, degree 0": {nil, nil, 0},
	} {
		if f, err := PolyFit(c.x, c.y, c.degree); !errors.Is(err, ErrFit) {
			t.Errorf("%s: %v, %v", name, f, err)
		}
	}
}
