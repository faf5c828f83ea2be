package reduce

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestReversals(t *testing.T) {
	for _, c := range []struct {
		name    string
		x, want []float64
	}{
		{"nothing", nil, nil},
		{"one value", []float64{3}, []float64{3}},
		{"constant", []float64{1, 1, 1}, []float64{1}},
		{"rising", []float64{1, 2, 2, 3}, []float64{1, 3}},
		{"plateaus at the turns", []float64{3, 3, -1, -1, 4, 4, 0}, []float64{3, -1, 4, 0}},
		{"gaps are passed over", []float64{nan, 0, 1, nan, 2, nan, 1, nan}, []float64{0, 2, 1}},
		{"all turn", []float64{0, 1, 0, 1}, []float64{0, 1, 0, 1}},
		{"ends flat", []float64{0, 2, 1, 1}, []float64{0, 2, 1}},
	} {
		if got := Reversals(nil, c.x); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		if got := Reversals(c.x, c.x); !slices.Equal(got, c.want) {
			t.Errorf("%s, in place: %v, want %v", c.name, got, c.want)
		}
	}
}

func walk(r *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Round(20*r.Float64() - 10)
	}
	return x
}

// Every monotonic piece of a history belongs to exactly one counted cycle, so
// the half cycles and the two halves of the full ones add up to the whole way.
func TestRainflowCountsTheWholeWay(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	for range draws {
		x := walk(r, 2+r.IntN(60))
		var way, counted float64
		for i := 1; i < len(x); i++ {
			way += math.Abs(x[i] - x[i-1])
		}
		for _, c := range Rainflow(x) {
			counted += 2 * c.Count * c.Range
			if !(c.Range > 0) {
				t.Fatalf("range %g in %v", c.Range, x)
			}
		}
		near(t, "way", counted, way, 1e-9)

		around := way + math.Abs(x[0]-x[len(x)-1])
		counted = 0
		for _, c := range RainflowRepeating(x) {
			counted += 2 * c.Count * c.Range
			if c.Count != 1 {
				t.Fatalf("count %g of a repeated history", c.Count)
			}
		}
		near(t, "way around", counted, around, 1e-9)
	}
}

// A repeated history counts the same from wherever it is begun, and a negative
// one has the same ranges.
func TestRainflowSymmetries(t *testing.T) {
	r := rand.New(rand.NewPCG(10, 10))
	ranges := func(cycles []Cycle) []float64 {
		var out []float64
		for _, c := range cycles {
			out = append(out, c.Range)
		}
		slices.Sort(out)
		return out
	}
	for range draws {
		x := walk(r, 2+r.IntN(40))
		k := r.IntN(len(x))
		turned := append(append([]float64(nil), x[k:]...), x[:k]...)
		if a, b := ranges(RainflowRepeating(x)), ranges(RainflowRepeating(turned)); !slices.Equal(a, b) {
			t.Fatalf("%v: ranges %v, begun at %d %v", x, a, k, b)
		}
		if a, b := ranges(Rainflow(x)), ranges(Rainflow(scaled(x, -1))); !slices.Equal(a, b) {
			t.Fatalf("%v: ranges %v, mirrored %v", x, a, b)
		}
		largest := ranges(Rainflow(x))
		if len(largest) > 0 {
			near(t, "largest range", largest[len(largest)-1], PeakToPeak(x), 0)
		}
	}
}

func TestRepeatingWorkedHistory(t *testing.T) {
	// ASTM E1049-85, 5.4.5, the history of Fig. 7 (from memory: the one of
	// Fig. 6 begun at its maximum): four full cycles of ranges 3, 4, 7, 9 can be
	// followed by hand: 5 -1 3 -4 4 -3 1 -2 5... closes -1..3, 1..-2, 4..-3, 5..-4.
	got := RainflowRepeating([]float64{-2, 1, -3, 5, -1, 3, -4, 4, -2})
	want := []Cycle{{4, 1, 1}, {3, -0.5, 1}, {7, 0.5, 1}, {9, 0.5, 1}}
	if !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	for _, short := range [][]float64{nil, {1}, {2, 2}, {nan}} {
		if c := RainflowRepeating(short); len(c) != 0 {
			t.Errorf("%v has cycles %v", short, c)
		}
		if c := Rainflow(short); len(c) != 0 {
			t.Errorf("%v has cycles %v", short, c)
		}
	}
}

func TestDamage(t *testing.T) {
	// By hand: N = 1e12/100^3 = 1e6, so 1000 cycles do 1e-3; half a cycle half of one.
	curve := PowerRange{1e12, 3}
	near(t, "damage", Miner([]Cycle{{Range: 100, Count: 1000}, {Range: 100, Count: 0.5}}, curve), 1.0005e-3, 1e-15)
	near(t, "equivalent", EquivalentRange([]Cycle{{Range: 100, Count: 7}}, 3), 100, 1e-12)
	near(t, "no range", Miner([]Cycle{{Range: 0, Count: 1000}}, Basquin{900, -0.1}), 0, 0)
	if !math.IsNaN(EquivalentRange(nil, 3)) {
		t.Error("an equivalent range without cycles")
	}
	c := Cycle{Range: 200, Mean: 100, Count: 0.5}
	near(t, "tensile mean", c.Goodman(500).Range, 250, 1e-12)
	near(t, "count", c.Goodman(500).Count, 0.5, 0)
	if got := Miner([]Cycle{c.Goodman(100)}, curve); !math.IsInf(got, 1) {
		t.Errorf("damage %g at a mean of the ultimate strength", got)
	}
}
