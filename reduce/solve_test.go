package reduce

import (
	"math/rand/v2"
	"testing"
)

func TestSolveColumnIsSolve(t *testing.T) {
	const n = 1500
	odd := []float64{nan, inf, 0, 1e300}
	for i, l := range Layouts() {
		r := rand.New(rand.NewPCG(5, uint64(i)))
		for range 40 {
			b := random(r, l).bridge
			s := State{Thermal: 1e-3 * r.Float64(), GaugeFactor: 2 + 0.2*r.Float64(), Lead: 5 * r.Float64(), Excitation: 3 * float64(r.IntN(2))}
			a := b.Arms(s)
			if r.IntN(4) == 0 {
				a[r.IntN(4)].Slope = odd[r.IntN(len(odd))]
			}
			c := Correction{Zero: 1e-3 * r.Float64(), Span: 1 - 2*float64(r.IntN(2)), Model: 1e-4 * r.Float64()}
			n := 1 + r.IntN(n)
			ratio, _, _, _, _ := columns(r, n)
			for k := range ratio {
				switch {
				case k < 512: // two blocks in which nothing is odd
					ratio[k] = 1e-3 * r.Float64()
				case r.IntN(10) == 0: // to the ends of what the arms can do, and beyond
					ratio[k] *= 100
				}
			}
			apart := a.SolveColumn(make([]float64, n), ratio, c, s.Excitation)
			over := append([]float64(nil), ratio...)
			a.SolveColumn(over, over, c, s.Excitation)
			for k, x := range ratio {
				want := a.Solve(c.Of(x), s.Excitation)
				sameBits(t, l.Name, k, apart[k], want)
				sameBits(t, l.Name+", in place", k, over[k], want)
			}
		}
	}
}
