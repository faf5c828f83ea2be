package channel_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"glueline/pipeline/channel"
	"glueline/reduce"
)

// Temperatures come as in life, one reading for a stretch of rows, of lengths
// on either side of every border; or not at all.
func TestStrainColumnIsStrain(t *testing.T) {
	const n = 4000
	rng := rand.New(rand.NewPCG(7, 7))
	var scratch channel.Scratch
	for _, layout := range reduce.Layouts() {
		for range 6 {
			c, zero := drawChannel(rng, layout)
			if rng.IntN(3) == 0 {
				c.Leads.Ohm20 = 0
			}
			ch, err := channel.New(c, zero)
			if err != nil {
				t.Fatal(err)
			}
			ratio, gauge, leads := make([]float64, n), make([]float64, n), make([]float64, n)
			for i := range ratio {
				ratio[i] = zero.Ratio + uniform(rng, -4e-3, 4e-3)
				if rng.IntN(50) == 0 {
					ratio[i] = math.NaN()
				}
			}
			stretches(rng, gauge, -40, 120)
			stretches(rng, leads, -30, 60)
			got := ch.StrainColumn(make([]float64, n), ratio, gauge, leads, &scratch)
			over := append([]float64(nil), ratio...)
			ch.StrainColumn(over, over, gauge, leads, &scratch)
			for rows := range 6 { // the beginning again, as short columns
				from := 10 * rows
				ch.StrainColumn(got[from:from+rows], ratio[from:from+rows], gauge[from:], leads[from:], &scratch)
			}
			numbers := 0
			for i := range ratio {
				want := ch.Strain(ratio[i], gauge[i], leads[i])
				if want == want {
					numbers++
				}
				for _, x := range []float64{got[i], over[i]} {
					if math.Float64bits(x) != math.Float64bits(want) && !(x != x && want != want) {
						t.Fatalf("%s, row %d at %g and %g degC: %.17g, want the bits of %.17g",
							layout.Name, i, gauge[i], leads[i], x, want)
					}
				}
			}
			if numbers < n/4 {
				t.Errorf("%s: only %d of %d rows have a strain", layout.Name, numbers, n)
			}
		}
	}
}

func stretches(rng *rand.Rand, temperature []float64, low, high float64) {
	for len(temperature) > 0 {
		rows := min([]int{1, 3, 4, 31, 32, 33, 511, 512, 513, 700}[rng.IntN(10)], len(temperature))
		at := uniform(rng, low, high)
		if rng.IntN(30) == 0 {
			at = math.NaN()
		}
		for i := range rows {
			temperature[i] = at
		}
		temperature = temperature[rows:]
	}
}
