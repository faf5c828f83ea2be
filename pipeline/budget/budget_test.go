package budget_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"glueline/pipeline/budget"
	"glueline/reduce"
)

// Of a product, relative uncertainties add up by their squares (JCGM 100:2008,
// 5.1.6); of a sum, absolute ones (5.1.2).
func TestFirstOrder(t *testing.T) {
	inputs := []budget.Input{{Name: "x", Value: 3, U: 0.003}, {Name: "y", Value: -2, U: 0.004}, {Name: "z", Value: 5}}
	r := budget.FirstOrder(inputs, func(v []float64) []float64 { return []float64{v[0] * v[1], v[0] - v[1] + v[2]} })
	for i, want := range []budget.Result{{Value: -6, U: 6 * math.Hypot(0.001, 0.002)}, {Value: 10, U: 0.005}} {
		if math.Abs(r[i].Value-want.Value) > 1e-15 || math.Abs(r[i].U-want.U) > 1e-12 {
			t.Errorf("%d: %+v, want %+v", i, r[i], want)
		}
	}
	if p := r[0].Parts; p[0] > 0 || p[1] < 0 || p[2] != 0 {
		t.Errorf("signs of the parts: %v", p)
	}
	if u := budget.Rectangular(math.Sqrt(3)); math.Abs(u-1) > 1e-15 {
		t.Error(u)
	}
}

// The stress of a rosette against drawn samples of its inputs (JCGM 101:2008): two
// ways to the same uncertainty that share no formula.
func TestRosetteStressAgainstDraws(t *testing.T) {
	angles, kt := []float64{0, math.Pi / 4, math.Pi / 2}, []float64{0.012, 0.012, 0.012}
	f := func(v []float64) []float64 {
		solver, err := reduce.NewRosette(angles, kt, 0.285)
		if err != nil {
			t.Fatal(err)
		}
		s, _ := solver.Strain([]float64{v[0] / v[3], v[1] / v[3], v[2] / v[3]})
		p := s.Principal()
		s1, s2 := reduce.Elastic{Young: v[4], Poisson: v[5]}.Principal(p.Max, p.Min)
		return []float64{s1, s2, reduce.VonMises(s1, s2)}
	}
	inputs := []budget.Input{{Name: "a", Value: 400e-6, U: 2e-6}, {Name: "b", Value: 250e-6, U: 2e-6}, {Name: "c", Value: -100e-6, U: 2e-6}, {Name: "gauge factor", Value: 1, U: 0.003}, {Name: "E", Value: 205e9, U: 2e9}, {Name: "nu", Value: 0.29, U: 0.01}}
	want := budget.FirstOrder(inputs, f)
	const draws = 40_000
	random := rand.New(rand.NewPCG(1, 2))
	var sum, squares [3]float64
	for range draws {
		v := make([]float64, len(inputs))
		for i, in := range inputs {
			v[i] = in.Value + in.U*random.NormFloat64()
		}
		for k, x := range f(v) {
			sum[k] += x - want[k].Value
			squares[k] += (x - want[k].Value) * (x - want[k].Value)
		}
	}
	for k := range want {
		mean := sum[k] / draws
		sd := math.Sqrt(squares[k]/draws - mean*mean)
		if math.Abs(sd/want[k].U-1) > 0.02 { // 40,000 draws know it to 0.35 %
			t.Errorf("%d: drawn %g, first order %g", k, sd, want[k].U)
		}
	}
}
