package thermalfit

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// The certified linear regressions of the NIST Statistical Reference Datasets that
// are polynomials: one series, whose offset is their constant term.
func TestCertifiedPolynomials(t *testing.T) {
	text, err := os.ReadFile("../../testdata/published/published-values.json")
	if err != nil {
		t.Fatal(err)
	}
	type figure struct{ Value, Tol float64 }
	var file struct {
		Cases []struct {
			ID, Group, Source string
			Inputs            json.RawMessage
			Expected          json.RawMessage
		}
	}
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, c := range file.Cases {
		name, ok := strings.CutPrefix(c.ID, "strd-")
		if !ok || c.Group != "polynomial fit" {
			continue
		}
		seen[name] = true
		var in struct {
			X, Y   []float64
			Degree int
		}
		var want struct {
			Coefficients []figure
			SE           []figure
			SD           figure `json:"residual_sd"`
		}
		if err := json.Unmarshal(c.Inputs, &in); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(c.Expected, &want); err != nil {
			t.Fatal(err)
		}
		t.Run(name, func(t *testing.T) {
			coefficients, errs, sd := regression(t, in.X, in.Y, in.Degree)
			near := func(what string, got float64, want figure) {
				if !(math.Abs(got-want.Value) <= want.Tol) {
					t.Errorf("%s is %.15g, certified %.15g within %g (%s)", what, got, want.Value, want.Tol, c.Source)
				}
			}
			if len(want.Coefficients) != in.Degree+1 || len(want.SE) != in.Degree+1 {
				t.Fatalf("%d coefficients and %d errors of degree %d", len(want.Coefficients), len(want.SE), in.Degree)
			}
			for k := range coefficients {
				near("coefficient", coefficients[k], want.Coefficients[k])
				near("standard error", errs[k], want.SE[k])
			}
			near("residual sd", sd, want.SD)
		})
	}
	for _, name := range []string{"norris", "pontius", "filip", "wampler1", "wampler2", "wampler3", "wampler4", "wampler5"} {
		if !seen[name] {
			t.Errorf("no data of %s", name)
		}
	}
}

// regression is the solution of one series in powers of x itself, with the
// constant term that its offset is.
func regression(t *testing.T, x, y []float64, degree int) (coefficients, errs []float64, sd float64) {
	t.Helper()
	low, high, n := math.Inf(1), math.Inf(-1), float64(len(x))
	for _, v := range x {
		low, high = min(low, v), max(high, v)
	}
	centre, half := (low+high)/2, (high-low)/2
	points := make([]point, len(x))
	means := make([]float64, degree)
	var mean float64
	for i := range x {
		points[i] = point{index: int64(i), x: (x[i] - centre) / half, y: y[i]}
		mean += y[i] / n
		for k, p := 0, points[i].x; k < degree; k, p = k+1, p*points[i].x {
			means[k] += p / n
		}
	}
	s, ok := solve(points, degree)
	if !ok {
		t.Fatal("not determined")
	}
	sd = math.Sqrt(s.squares / (n - float64(degree) - 1))
	coefficients, errs = expanded(s.slopes, centre, half), make([]float64, degree+1)
	coefficients[0] += mean
	rows := make([][]float64, degree)
	for k := range rows {
		coefficients[0] -= s.slopes[k] * means[k]
		one := make([]float64, degree)
		one[k] = 1
		rows[k] = expanded(one, centre, half)
		rows[k][0] -= means[k]
	}
	for j := range errs {
		v := 0.0
		if j == 0 {
			v = 1 / n
		}
		for a := range rows {
			for b := range rows {
				v += rows[a][j] * s.inverse[a][b] * rows[b][j]
			}
		}
		errs[j] = sd * math.Sqrt(v)
	}
	return coefficients, errs, sd
}

// Factors of Student's distribution for 95 % (JCGM 100:2008, table G.2).
func TestFactorsOfStudent(t *testing.T) {
	for freedom, want := range map[float64]float64{1: 12.71, 2: 4.30, 5: 2.57, 10: 2.23, 20: 2.09, 50: 2.01, 100: 1.984} {
		got := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile((1 + confidence) / 2)
		if !(math.Abs(got-want) < 0.006) {
			t.Errorf("%g degrees of freedom: %.4f, want %.3f", freedom, got, want)
		}
	}
}
