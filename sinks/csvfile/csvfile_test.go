package csvfile

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

func TestAppendFixed(t *testing.T) {
	cases := []struct {
		x        float64
		decimals int
		want     string
	}{
		{0, 3, "0.000"}, {math.Copysign(0, -1), 3, "0.000"}, {-0.0004, 3, "0.000"}, {-0.0006, 3, "-0.001"},
		{1234.5678, 3, "1234.568"}, {-7, 4, "-7.0000"}, {0.05, 2, "0.05"}, {math.NaN(), 3, ""},
		{math.Inf(1), 3, "+Inf"}, {1e300, 3, "1e+300"},
	}
	for _, c := range cases {
		if got := string(appendFixed(nil, c.x, c.decimals)); got != c.want {
			t.Errorf("%v to %d decimals: %q, want %q", c.x, c.decimals, got, c.want)
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 100000 {
		x := (random.Float64() - 0.5) * math.Pow(10, float64(random.IntN(9)))
		got, err := strconv.ParseFloat(string(appendFixed(nil, x, 3)), 64)
		if err != nil || math.Abs(got-x) > 0.0005*(1+1e-9) {
			t.Fatalf("%v becomes %v, %v", x, got, err)
		}
	}
}
