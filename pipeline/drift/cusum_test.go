package drift

import (
	"math"
	"math/rand/v2"
	"testing"
)

// markov is the run length by the chain of D. Brook and D. A. Evans, "An approach
// to the probability distribution of cusum run length", Biometrika 59 (1972):
// the sum is cut into states, and the expected steps until it leaves solve a
// linear system. It shares nothing with RunLength.
func markov(k, h, shift float64) float64 {
	const states = 200
	width := 2 * h / (2*states - 1)
	normal := func(x float64) float64 { return 0.5 * math.Erfc(-(x-shift)/math.Sqrt2) }
	// (I - P) a = 1, by elimination.
	rows := make([][]float64, states)
	for i := range rows {
		rows[i] = make([]float64, states+1)
		rows[i][states] = 1
		for j := range states {
			p := normal(float64(j-i)*width + width/2 + k)
			if j > 0 {
				p -= normal(float64(j-i)*width - width/2 + k)
			}
			rows[i][j] = -p
		}
		rows[i][i]++
	}
	for i := range rows {
		for j := i + 1; j < states; j++ {
			f := rows[j][i] / rows[i][i]
			for c := i; c <= states; c++ {
				rows[j][c] -= f * rows[i][c]
			}
		}
	}
	a := make([]float64, states)
	for i := states - 1; i >= 0; i-- {
		a[i] = rows[i][states]
		for j := i + 1; j < states; j++ {
			a[i] -= rows[i][j] * a[j]
		}
		a[i] /= rows[i][i]
	}
	return a[0]
}

// The table is that of two-sided cumulative sums with k = 1/2 that textbooks of
// quality control print after J. M. Lucas and R. B. Crosier, Technometrics 24
// (1982): from memory, so that the chain of Brook and Evans stands beside it as
// a second witness. Siegmund's approximation is good to a few per cent.
func TestRunLengthAgainstPublishedTable(t *testing.T) {
	for _, c := range []struct{ h, shift, want float64 }{
		{4, 0, 168}, {4, 0.25, 74.2}, {4, 0.5, 26.6}, {4, 0.75, 13.3}, {4, 1, 8.38}, {4, 1.5, 4.75}, {4, 2, 3.34},
		{5, 0, 465}, {5, 0.25, 139}, {5, 0.5, 38.0}, {5, 0.75, 17.0}, {5, 1, 10.4}, {5, 1.5, 5.75}, {5, 2, 4.01},
	} {
		two := func(one func(k, h, shift float64) float64) float64 {
			return 1 / (1/one(0.5, c.h, c.shift) + 1/one(0.5, c.h, -c.shift))
		}
		if got := two(markov); !(math.Abs(got/c.want-1) < 0.015) {
			t.Errorf("h %g, shift %g: the chain gives %.4g, the table has %g", c.h, c.shift, got, c.want)
		}
		if got := two(RunLength); !(math.Abs(got/c.want-1) < 0.06) {
			t.Errorf("h %g, shift %g: %.4g, the table has %g", c.h, c.shift, got, c.want)
		}
	}
}

// The detector itself, on independent normal values, runs as long as its table
// says.
func TestCusumRunsAsLongAsItShould(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, shift := range []float64{0.75, 1, 1.5, -1} {
		want := markov(allowance, decision, math.Abs(shift))
		const runs = 3000
		var sum float64
		for range runs {
			var c Cusum
			n := int64(0)
			for c.Alarm == 0 {
				n++
				c.Add(n, shift+random.NormFloat64())
			}
			sum += float64(n)
			if (c.Sign > 0) != (shift > 0) {
				t.Fatalf("shift %g is told as %d", shift, c.Sign)
			}
		}
		if got := sum / runs; !(math.Abs(got/want-1) < 0.04) {
			t.Errorf("shift %g: %.2f epochs on average, the chain gives %.2f", shift, got, want)
		}
	}
}

func TestCusumDatesTheChange(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	var sum float64
	const runs = 500
	for range runs {
		var c Cusum
		n := int64(0)
		for c.Alarm == 0 {
			n++
			shift := 0.0
			if n > 100 {
				shift = 1.5
			}
			c.Add(n, shift+random.NormFloat64())
		}
		if c.Onset < 100-12 || c.Onset > 100+12 {
			sum++
		}
	}
	if sum > 0.03*runs {
		t.Errorf("%.0f of %d changes of 1.5 standard deviations are dated more than 12 epochs off", sum, runs)
	}
}

func TestCusumIgnoresWhatIsNoNumber(t *testing.T) {
	var c Cusum
	c.Add(1, math.NaN())
	c.Add(2, math.Inf(1))
	if c.Up != 3.5 || c.Alarm != 0 {
		t.Errorf("%+v", c)
	}
}
