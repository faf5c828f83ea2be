package cycles

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"glueline/pipeline/flag"
	"glueline/reduce"
)

const draws = 300

var nan = math.NaN()

// curve has ranges of all sizes do different damage.
var curve = Curve{SN: reduce.PowerRange{Coefficient: 2e6 * 71e6 * 71e6 * 71e6, Exponent: 3}, Stiffness: 205e9}

// strains makes m/m of microstrain, with no flags.
func strains(micro ...float64) (strain []float64, flags []uint32) {
	for _, m := range micro {
		strain = append(strain, m*1e-6)
	}
	return strain, make([]uint32, len(strain))
}

// walk is a random history in m/m, from a few microstrains to thousands, with
// gaps and flagged rows.
func walk(r *rand.Rand, n int) (strain []float64, flags []uint32) {
	strain, flags = make([]float64, n), make([]uint32, n)
	size := math.Pow(10, 4*r.Float64())
	for i := range strain {
		strain[i] = size * r.NormFloat64() * 1e-6
		switch r.IntN(12) {
		case 0:
			strain[i] = nan
		case 1:
			flags[i] = uint32(flag.ShuntOn)
		case 2:
			flags[i] = uint32(flag.OverLimit) // leaves nothing out
		case 3:
			if i > 0 {
				strain[i] = strain[i-1]
			}
		}
	}
	return strain, flags
}

// offline is the history that a counter counts, for reduce.
func offline(strain []float64, flags []uint32) (micro []float64) {
	for i, e := range strain {
		if p, ok := Microstrain(e); ok && flag.Mask(flags[i])&flag.LeavesOut == 0 {
			micro = append(micro, float64(p))
		}
	}
	return micro
}

// sameAs holds a count to the cycles of reduce.
func sameAs(t *testing.T, got Count, cycles []reduce.Cycle) {
	t.Helper()
	var halves uint64
	var stress []reduce.Cycle
	left := map[int]uint64{} // of the bins
	for i, b := range got.Bins {
		left[i] = b.Halves
	}
	for _, c := range cycles {
		halves += uint64(2 * c.Count)
		stress = append(stress, reduce.Cycle{Range: c.Range * 1e-6 * curve.Stiffness, Count: c.Count})
		in := slices.IndexFunc(got.Bins, func(b Bin) bool {
			return float64(b.RangeFrom) <= c.Range && c.Range < float64(b.RangeTo) && float64(b.MeanFrom) <= c.Mean && c.Mean < float64(b.MeanTo)
		})
		if in < 0 {
			t.Fatalf("no class holds %+v", c)
		}
		left[in] -= uint64(2 * c.Count)
	}
	for i, n := range left {
		if n != 0 {
			t.Fatalf("class %+v holds %d half cycles too many", got.Bins[i], int64(n))
		}
	}
	if got.Closed+got.Open != halves {
		t.Fatalf("%d + %d half cycles, want %d", got.Closed, got.Open, halves)
	}
	// The order of adding is another than offline: a few last bits.
	if want := reduce.Miner(stress, curve.SN); !(math.Abs(got.Damage-want) <= 1e-12*want) {
		t.Fatalf("damage %g, want %g", got.Damage, want)
	}
}

// ASTM E1049-85, 5.4.4, the worked example of Fig. 6 (ranges and counts as in
// testdata/published/selfcheck-cases.json; means by hand): history A to I, -2 1 -3 5 -1 3 -4 4 -2, gives half
// cycles A-B 3, B-C 4, C-D 8, a full one E-F 4, and half ones D-G 9, G-H 8, H-I 6.
func TestWorkedExample(t *testing.T) {
	c := New(Curve{})
	c.Add(strains(-2, 1, -3, 5, -1, 3, -4, 4, -2))
	got := c.Count()
	type class struct {
		size   int32
		mean   float64
		halves uint64
	}
	var classes []class
	for _, b := range got.Bins {
		if b.RangeTo != b.RangeFrom+1 || b.MeanTo != b.MeanFrom+1 {
			t.Fatalf("a class of several microstrains for a small history: %+v", b)
		}
		classes = append(classes, class{b.RangeFrom, float64(b.MeanFrom), b.Halves})
	}
	// Means: A-B -0.5, B-C -1, C-D 1, E-F 1, D-G 0.5, G-H 0, H-I 1; classes round down.
	want := []class{{3, -1, 1}, {4, -1, 1}, {4, 1, 2}, {6, 1, 1}, {8, 0, 1}, {8, 1, 1}, {9, 0, 1}}
	if !slices.Equal(classes, want) {
		t.Errorf("%v, want %v", classes, want)
	}
	if got.Largest != 9 || got.Samples != 9 || got.Closed+got.Open != 8 || got.Damage != 0 {
		t.Errorf("%+v", got)
	}
}

func TestEqualToTheOfflineCount(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 4))
	for range draws {
		strain, flags := walk(r, r.IntN(200))
		c := New(curve)
		c.Add(strain, flags)
		got := c.Count()
		points := offline(strain, flags)
		if int(got.Samples) != len(points) || int(got.Samples+got.LeftOut) != len(strain) {
			t.Fatalf("%d points and %d left out, want %d of %d", got.Samples, got.LeftOut, len(points), len(strain))
		}
		sameAs(t, got, reduce.Rainflow(points))
		if again := c.Count(); !equal(again, got) {
			t.Fatalf("counting changed the count: %+v, then %+v", got, again)
		}
	}
}

func equal(a, b Count) bool {
	bins := slices.Equal(a.Bins, b.Bins)
	a.Bins, b.Bins = nil, nil
	return bins && a.Samples == b.Samples && a.LeftOut == b.LeftOut && a.Clipped == b.Clipped && a.Closed == b.Closed && a.Open == b.Open &&
		a.Largest == b.Largest && math.Float64bits(a.Damage) == math.Float64bits(b.Damage)
}

// A counter that is stored and restored at any sample, with zeros and breaks in
// between, counts the same to the last bit as one that never was.
func TestSplitAnywhere(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 4))
	for range draws {
		strain, flags := walk(r, 1+r.IntN(60))
		happens := func(c *Counter, i int) { // before sample i
			switch {
			case i%23 == 11:
				c.Rezero(float64(i) * 1.7e-5)
			case i%31 == 17:
				c.Break()
			}
		}
		whole, parts := New(curve), New(curve)
		for i := range strain {
			happens(whole, i)
			whole.Add(strain[i:i+1], flags[i:i+1])
		}
		for i := range strain {
			happens(parts, i)
			text, err := parts.State()
			if err != nil {
				t.Fatal(err)
			}
			if parts, err = Restore(text, curve); err != nil {
				t.Fatalf("%v\n%s", err, text)
			}
			parts.Add(strain[i:i+1], flags[i:i+1])
		}
		if a, b := whole.Count(), parts.Count(); !equal(a, b) {
			t.Fatalf("%+v, restored at every sample %+v", a, b)
		}
	}
}

// A new zero shifts what is measured and not what is counted.
func TestZerosMakeNoCycle(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range draws {
		strain, flags := walk(r, 2+r.IntN(60))
		for i := range strain { // whole microstrains, so that a shift by some rounds alike
			strain[i] = math.Round(strain[i]*1e6) * 1e-6
		}
		at, moved := r.IntN(len(strain)), float64(r.IntN(4000)-2000)*1e-6
		still, zeroed := New(curve), New(curve)
		still.Add(strain, flags)
		zeroed.Add(strain[:at], flags[:at])
		zeroed.Rezero(moved)
		rest := slices.Clone(strain[at:])
		for i := range rest {
			rest[i] -= moved
		}
		zeroed.Add(rest, flags[at:])
		if a, b := still.Count(), zeroed.Count(); !equal(a, b) {
			t.Fatalf("%+v, with a zero at %d by %g %+v", a, at, moved, b)
		}
	}
}

func TestWhatMakesNoCycle(t *testing.T) {
	halves := func(c *Counter) uint64 { n := c.Count(); return n.Closed + n.Open }
	rising := func(c *Counter) { c.Add(strains(0, 100, 200)) }

	c := New(curve)
	rising(c)
	c.Add([]float64{-2000e-6, nan, math.Inf(1), 5}, []uint32{uint32(flag.ShuntOn), uint32(flag.Missing), 0, uint32(flag.Open | flag.Late)})
	c.Add(strains(210))
	if n := c.Count(); halves(c) != 1 || n.Largest != 210 || n.LeftOut != 4 {
		t.Errorf("over a shunt and a gap: %+v", n)
	}

	c = New(curve)
	rising(c)
	c.Rezero(200e-6)
	c.Add(strains(0, 10))
	if n := c.Count(); halves(c) != 1 || n.Largest != 210 {
		t.Errorf("over a zero: %+v", n)
	}

	for name, happens := range map[string]func(*Counter){
		"another gauge":             (*Counter).Break,
		"a zero that is not known":  func(c *Counter) { c.Rezero(nan) },
		"another gauge, then zeros": func(c *Counter) { c.Break(); c.Rezero(3e-4) },
	} {
		c = New(curve)
		rising(c)
		happens(c)
		c.Add([]float64{nan}, []uint32{uint32(flag.Replaced)})
		c.Add(strains(-1500, -1490))
		if n := c.Count(); halves(c) != 1 || n.Largest != 210 {
			t.Errorf("over %s: %+v", name, n)
		}
	}

	c = New(curve)
	rising(c)
	c.Add([]float64{nan}, []uint32{uint32(flag.Replaced)}) // says it by itself
	c.Rezero(7e-4)
	c.Add(strains(-1500, -1490))
	if n := c.Count(); halves(c) != 1 || n.Largest != 210 {
		t.Errorf("over rows that are flagged replaced: %+v", n)
	}

	c = New(curve)
	c.Break() // before there is anything to go on from
	c.Add(strains(500, 700))
	if n := c.Count(); n.Largest != 200 {
		t.Errorf("after a break at the beginning: %+v", n)
	}
}

func TestLimit(t *testing.T) {
	c := New(curve)
	c.Add(strains(0, 2*Limit, -2*Limit, 1e300))
	if n := c.Count(); n.Clipped != 3 || n.Largest != 2*Limit {
		t.Errorf("%+v", n)
	}
	for _, test := range []struct {
		strain float64
		want   int32
		ok     bool
	}{
		{0, 0, true}, {1.4e-6, 1, true}, {1.6e-6, 2, true}, {-1.6e-6, -2, true}, {0.5e-6, 0, true}, {1.5e-6, 2, true},
		{0.1, Limit, true}, {7, Limit, true}, {-7, -Limit, true}, {nan, 0, false}, {math.Inf(-1), 0, false},
	} {
		if p, ok := Microstrain(test.strain); p != test.want || ok != test.ok {
			t.Errorf("%g: %d %t, want %d %t", test.strain, p, ok, test.want, test.ok)
		}
	}
}

// The open turning points have ranges that fall strictly, whatever comes, so
// that there are 2 Limit + 1 of them at most; a spiral from end to end reaches it.
func TestOpenTurningPointsAreBounded(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 4))
	for range draws {
		strain, flags := walk(r, 400)
		c := New(curve)
		for i := range strain {
			c.Add(strain[i:i+1], flags[i:i+1])
			for k := 2; k < len(c.turns); k++ {
				if apart(c.turns[k], c.turns[k-1]) >= apart(c.turns[k-1], c.turns[k-2]) {
					t.Fatalf("ranges that do not fall: %v", c.turns)
				}
			}
		}
	}
	c := New(curve)
	micro := -float64(Limit)
	for size := float64(2 * Limit); size > 0; size-- {
		c.Add([]float64{micro * 1e-6}, []uint32{0})
		if micro < 0 || micro == 0 && int(size)%2 == 0 {
			micro += size
		} else {
			micro -= size
		}
	}
	longest := len(c.turns)
	for i := range 1000 { // what follows cannot make it longer
		c.Add(strains(float64(i%3), 0))
		longest = max(longest, len(c.turns))
	}
	t.Logf("longest: %d of %d", longest, 2*Limit+1)
	if longest > 2*Limit+1 || longest < 2*Limit-2 {
		t.Errorf("%d turning points", longest)
	}
}

// Classes widen by what comes and not by its order.
func TestClassesDoNotDependOnTheOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 4))
	for range draws {
		type cycle struct{ size, mean int32 }
		var all []cycle
		for range 1 + r.IntN(30) {
			reach := int32(1) << r.IntN(17)
			all = append(all, cycle{r.Int32N(reach) + 1, r.Int32N(2*reach) - reach})
		}
		var a, b histogram
		for i := range all {
			a.add(all[i].size, all[i].mean, 1)
			b.add(all[len(all)-1-i].size, all[len(all)-1-i].mean, 1)
		}
		if !slices.Equal(a.list(), b.list()) {
			t.Fatalf("%v\n%v", a.list(), b.list())
		}
		if a.rangeShift > 0 && a.largest>>a.rangeShift < Bins/2 {
			t.Fatalf("classes of %d microstrain for a largest range of %d", 1<<a.rangeShift, a.largest)
		}
	}
}

func TestNoAllocationPerSample(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 4))
	strain, flags := walk(r, 4096)
	c := New(curve)
	c.Add(strain, flags)
	if n := testing.AllocsPerRun(20, func() { c.Add(strain, flags) }); n != 0 {
		t.Errorf("%g allocations for 4096 samples", n)
	}
}

func TestStatesThatAreNone(t *testing.T) {
	for name, text := range map[string]string{
		"nothing":              ``,
		"no JSON":              `{`,
		"an unknown key":       `{"turns":[],"lost":1}`,
		"something behind":     `{"turns":[]} {}`,
		"a point too far":      `{"turns":[200000],"last":0}`,
		"a last point too far": `{"turns":[0],"last":-100001}`,
		"a closed cycle":       `{"turns":[0,10,0],"last":10}`,
		"no turn":              `{"turns":[0,10,15],"last":3}`,
		"no way":               `{"turns":[0,10],"last":12}`,
		"a negative damage":    `{"turns":[],"damage":-1}`,
		"a class too far":      `{"turns":[],"mean_shift":1,"cells":[[4096,1]]}`,
		"classes out of order": `{"turns":[],"mean_shift":1,"cells":[[5,1],[5,1]]}`,
		"classes of no width":  `{"turns":[],"cells":[[5,1]]}`,
		"classes too wide":     `{"turns":[],"range_shift":40,"mean_shift":1,"cells":[[5,1]]}`,
	} {
		if _, err := Restore([]byte(text), curve); !errors.Is(err, ErrState) {
			t.Errorf("%s: %v", name, err)
		}
	}
	endless := New(Curve{SN: reduce.PowerRange{Coefficient: 0, Exponent: 3}, Stiffness: 1})
	endless.Add(strains(0, 5, 0, 9))
	if _, err := endless.State(); !errors.Is(err, ErrState) {
		t.Errorf("an infinite damage: %v", err)
	}
}

// Whatever text is restored, a counter goes on from it and can be stored again.
func FuzzRestore(f *testing.F) {
	c := New(curve)
	c.Add(walk(rand.New(rand.NewPCG(8, 4)), 40))
	text, err := c.State()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"turns":[0,10],"last":5,"mean_shift":13,"range_shift":13,"cells":[[4095,18446744073709551615]]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := Restore(text, curve)
		if err != nil {
			return
		}
		c.Add(strains(-2*Limit, 2*Limit, 5, 7, -1e5))
		c.Count()
		if again, err := c.State(); err == nil {
			if _, err := Restore(again, curve); err != nil {
				t.Fatalf("%v\n%s\n%s", err, text, again)
			}
		}
	})
}

func BenchmarkAdd(b *testing.B) {
	strain, flags := walk(rand.New(rand.NewPCG(9, 4)), 4096)
	c := New(curve)
	b.ReportAllocs()
	for b.Loop() {
		c.Add(strain, flags)
	}
	b.ReportMetric(float64(b.N)*4096/1e6/b.Elapsed().Seconds(), "Msamples/s")
}
