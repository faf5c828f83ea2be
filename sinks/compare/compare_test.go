package compare_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"glueline/pipeline/flag"
	"glueline/sinks/compare"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// row is one sample of a source with one channel.
type row struct {
	time  int64
	value float64
	flags flag.Mask
}

var fields = []segment.Field{
	{Name: "time", Kind: segment.Time},
	{Name: "sample", Kind: segment.Counter},
	{Name: "skin [m/m]", Unit: "m/m", Kind: segment.Float, Metadata: [][2]string{{"quantity", "strain"}, {"of", "skin"}}},
	{Name: "skin flags", Kind: segment.Flags, Metadata: [][2]string{{"quantity", "flags"}, {"of", "skin"}}},
}

// side writes rows into files that end after so many rows.
func side(t *testing.T, rows []row, every int, fields []segment.Field) compare.Side {
	t.Helper()
	s := compare.Side{Dir: t.TempDir()}
	for cut := 0; len(rows) > 0; cut++ {
		n := min(every, len(rows))
		b := segment.Batch{Rows: n, Columns: make([]segment.Column, 2)}
		for i, r := range rows[:n] {
			b.Time = append(b.Time, r.time)
			b.Counter = append(b.Counter, uint64(i))
			b.Columns[0].Float = append(b.Columns[0].Float, r.value)
			b.Columns[1].Flags = append(b.Columns[1].Flags, uint32(r.flags))
		}
		w, err := segment.Create(disk.At(s.Dir), fmt.Sprintf("main.%08d.node.arrow", cut), fields, nil, 7)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Append(b); err != nil {
			t.Fatal(err)
		}
		f, err := w.Commit()
		if err != nil {
			t.Fatal(err)
		}
		s.Files, rows = append(s.Files, f), rows[n:]
	}
	return s
}

// Any rows, missing on either side, in files that end anywhere, give what a walk
// over a table of all times gives.
func TestSidesAreWhatATableOfTimesGives(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 5))
	flags := []flag.Mask{0, 0, 0, flag.Open, flag.AdhesiveRange, flag.Late}
	for round := range 200 {
		var a, b []row
		inA, inB := map[int64]row{}, map[int64]row{}
		last := int64(1 + random.IntN(60))
		for at := int64(1); at <= last; at++ {
			r := row{at, float64(random.IntN(100)), flags[random.IntN(len(flags))]}
			if random.IntN(9) == 0 {
				r.value = math.NaN()
			}
			if random.IntN(5) > 0 {
				a, inA[at] = append(a, r), r
			}
			if random.IntN(3) == 0 {
				r.value += float64(random.IntN(9))
			}
			if random.IntN(4) == 0 {
				r.flags = flags[random.IntN(len(flags))]
			}
			if random.IntN(5) > 0 {
				b, inB[at] = append(b, r), r
			}
		}
		windows := []compare.Window{{From: 10, To: 20}, {From: 15, To: 1 << 60}, {From: -5, To: 0}}
		got, err := compare.Sides(t.Context(), side(t, a, 1+random.IntN(20), fields), side(t, b, 1+random.IntN(20), fields), compare.Options{Windows: windows})
		if err != nil {
			t.Fatal(err)
		}
		if len(a)+len(b) == 0 {
			continue
		}
		var rows compare.Rows
		for at := int64(1); at <= last; at++ {
			_, x := inA[at]
			_, y := inB[at]
			switch {
			case x && y:
				rows.Both++
			case x:
				rows.OnlyA++
			case y:
				rows.OnlyB++
			}
			if x != y && rows.First == 0 {
				rows.First = at
			}
		}
		rows.Source = "node"
		if len(got.Sources) != 1 || got.Sources[0] != rows {
			t.Fatalf("round %d: %+v, want %+v", round, got.Sources, rows)
		}
		c := got.Columns[0]
		if len(got.Columns) != 1 || c.Name != "skin [m/m]" || c.Source != "node" || c.Of != "skin" || c.InA != (len(a) > 0) || c.InB != (len(b) > 0) {
			t.Fatalf("round %d: %+v", round, c)
		}
		for i, w := range append([]compare.Window{{From: 0, To: 1 << 60}}, windows...) {
			change := &c.Whole
			if i > 0 {
				change = &c.In[i-1]
			}
			want := byTable(inA, inB, last, w)
			if !near(change, want) {
				t.Fatalf("round %d, window %d: %+v\nwant %+v", round, i, *change, *want)
			}
		}
	}
}

func byTable(inA, inB map[int64]row, last int64, w compare.Window) *compare.Change {
	out := &compare.Change{}
	var sum, sumA, sumB float64
	values := func(v *compare.Values, r row, sum *float64) bool {
		if r.value != r.value || r.flags&flag.LeavesOut != 0 {
			return false
		}
		if v.N == 0 {
			v.Min, v.Max = r.value, r.value
		}
		v.N++
		*sum += r.value
		v.Min, v.Max, v.Mean = math.Min(v.Min, r.value), math.Max(v.Max, r.value), *sum/float64(v.N)
		return true
	}
	for at := max(w.From, 1); at <= last && at < w.To; at++ {
		a, isA := inA[at]
		b, isB := inB[at]
		useA, useB := isA && values(&out.A, a, &sumA), isB && values(&out.B, b, &sumB)
		if !isA || !isB {
			continue
		}
		if a.value == a.value && b.value != b.value {
			out.OnlyA++
		}
		if a.value != a.value && b.value == b.value {
			out.OnlyB++
		}
		if a.flags != b.flags {
			out.Flags++
		}
		for bit := range 32 {
			if m := flag.Mask(1) << bit; a.flags&m != 0 && b.flags&m == 0 {
				out.Lost[bit]++
			} else if b.flags&m != 0 && a.flags&m == 0 {
				out.Gained[bit]++
			}
		}
		if useA && useB {
			d := b.value - a.value
			sum += d
			out.Rows++
			out.Mean = sum / float64(out.Rows)
			if math.Abs(d) > math.Abs(out.Largest) {
				out.Largest, out.When = d, at
			}
		}
	}
	return out
}

func near(got, want *compare.Change) bool {
	g, w := *got, *want
	for _, p := range [][2]*float64{{&g.Mean, &w.Mean}, {&g.A.Mean, &w.A.Mean}, {&g.B.Mean, &w.B.Mean}} {
		if !(math.Abs(*p[0]-*p[1]) <= 1e-12*math.Max(1, math.Abs(*p[1]))) {
			return false
		}
		*p[0] = *p[1]
	}
	return g == w
}

// A frame that came late has its rows where they came, on both sides.
func TestRowsOutOfOrderArePaired(t *testing.T) {
	rows := []row{{time: 5, value: 1}, {time: 6, value: 2}, {time: 3, value: 3}, {time: 4, value: 4}, {time: 7, value: 5}}
	got, err := compare.Sides(t.Context(), side(t, rows, 2, fields), side(t, rows, 3, fields), compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r := got.Sources[0]; r.Both != 5 || r.OnlyA != 0 || r.OnlyB != 0 || got.Columns[0].Whole.Differs() {
		t.Errorf("%+v, %+v", r, got.Columns[0].Whole)
	}
}

// A column that one side has under another name is on one side only.
func TestAColumnOfOneSide(t *testing.T) {
	other := append([]segment.Field(nil), fields...)
	other[2].Name, other[2].Metadata = "bush [m/m]", [][2]string{{"quantity", "strain"}, {"of", "bush"}}
	rows := []row{{time: 1, value: 1}, {time: 2, value: 2}}
	got, err := compare.Sides(t.Context(), side(t, rows, 2, fields), side(t, rows, 2, other), compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Columns) != 2 || !got.Columns[0].InA || got.Columns[0].InB || got.Columns[1].InA || !got.Columns[1].InB {
		t.Fatalf("%+v", got.Columns)
	}
	if a, b := got.Columns[0].Whole, got.Columns[1].Whole; a.A.N != 2 || a.B.N != 0 || b.A.N != 0 || b.B.Max != 2 {
		t.Errorf("%+v, %+v", a, b)
	}
}

// A principal direction that goes through 90 degrees turned by little; strain of
// the same size did not.
func TestAnAxisTurnsTheShorterWay(t *testing.T) {
	a := []row{{1, 1.55, 0}, {2, 0.3, 0}, {3, -1.5, 0}}
	b := []row{{1, -1.56, 0}, {2, 0.2, 0}, {3, 1.5, 0}}
	turned := append([]segment.Field(nil), fields...)
	turned[2].Name, turned[2].Unit = "skin angle [rad]", "rad"
	of := func(f []segment.Field) *compare.Column {
		got, err := compare.Sides(t.Context(), side(t, a, 3, f), side(t, b, 3, f), compare.Options{Bins: 1, Span: compare.Window{From: 1, To: 4}})
		if err != nil {
			t.Fatal(err)
		}
		return got.Columns[0]
	}
	if c := of(turned); !(math.Abs(c.Whole.Largest-(3-math.Pi)) <= 1e-15) || c.Whole.When != 3 || c.Trace[0].Difference.Max > math.Pi-3.1 {
		t.Errorf("%+v, %+v", c.Whole, c.Trace)
	}
	if c := of(fields); !(math.Abs(c.Whole.Largest+3.11) <= 1e-15) || c.Whole.When != 1 {
		t.Errorf("%+v", c.Whole)
	}
}

// Directions on both sides of 90 degrees have their mean there, not at 0, and where
// each turned by ten degrees so did the mean.
func TestTheMeanOfAnAxisTurnsWithIt(t *testing.T) {
	const degree = math.Pi / 180
	angles := append([]segment.Field(nil), fields...)
	angles[2].Name, angles[2].Unit = "knee angle [rad]", "rad"
	for _, by := range []float64{10, -10, 45, 88} {
		var a, b []row
		for i, at := range []float64{80, 84, 88, -88, -84} { // mean 88
			a = append(a, row{int64(i + 1), at * degree, 0})
			b = append(b, row{int64(i + 1), math.Remainder((at+by)*degree, math.Pi), 0})
		}
		got, err := compare.Sides(t.Context(), side(t, a, 2, angles), side(t, b, 3, angles), compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		c := got.Columns[0]
		if x := c.Whole; !(math.Abs(c.Less(x.A.Mean, 88*degree)) < 1e-14) || !(math.Abs(c.Less(x.A.Mean, x.B.Mean)-by*degree) < 1e-14) || !(math.Abs(x.Mean-by*degree) < 1e-14) {
			t.Errorf("turned by %v: from %v to %v, mean %v degrees", by, x.A.Mean/degree, x.B.Mean/degree, x.Mean/degree)
		}
	}
}

// What differs by the rounding of float64 is told from what differs by more, and from
// what differs in its flags.
func TestRoundingOnly(t *testing.T) {
	for _, c := range []struct {
		change float64
		flags  flag.Mask
		want   bool
	}{{0, 0, false}, {1e-19, 0, true}, {-9e-16, 0, true}, {2e-15, 0, false}, {1e-19, flag.Late, false}} {
		a := []row{{1, 1e-3, 0}, {2, 1e-5, 0}}
		b := []row{{1, 1e-3, 0}, {2, 1e-5 + c.change, c.flags}}
		got, err := compare.Sides(t.Context(), side(t, a, 2, fields), side(t, b, 2, fields), compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if x := got.Columns[0]; x.RoundingOnly(&x.Whole) != c.want {
			t.Errorf("%+v: %+v", c, x.Whole)
		}
	}
}

// Flags are counted by which side has them.
func TestFlagsGainedAndLost(t *testing.T) {
	a := []row{{1, 1, 0}, {2, 5, 0}, {3, 2, flag.Late}, {4, -3, 0}}
	b := []row{{1, 2, 0}, {2, 4, flag.Late}, {3, 2, 0}, {4, -9, 0}}
	got, err := compare.Sides(t.Context(), side(t, a, 4, fields), side(t, b, 4, fields), compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	c := got.Columns[0]
	if f := c.Whole.FlagChanges(); len(f) != 1 || f[0] != (compare.FlagChange{Flag: "late", Gained: 1, Lost: 1}) {
		t.Errorf("flags %+v", f)
	}
}

// Bins hold the extremes of what falls into them.
func TestTrace(t *testing.T) {
	a := []row{{10, 1, 0}, {11, 5, 0}, {15, 2, 0}, {19, 7, flag.Open}}
	b := []row{{10, 2, 0}, {11, 3, 0}, {19, 7, 0}}
	got, err := compare.Sides(t.Context(), side(t, a, 4, fields), side(t, b, 4, fields), compare.Options{Bins: 2, Span: compare.Window{From: 10, To: 20}})
	if err != nil {
		t.Fatal(err)
	}
	bins := got.Columns[0].Trace
	if bins[0].A != (compare.Extremes{Min: 1, Max: 5}) || bins[0].B != (compare.Extremes{Min: 2, Max: 3}) || bins[0].Difference != (compare.Extremes{Min: -2, Max: 1}) {
		t.Errorf("first bin %+v", bins[0])
	}
	if bins[1].A != (compare.Extremes{Min: 2, Max: 2}) || bins[1].B != (compare.Extremes{Min: 7, Max: 7}) || !bins[1].Difference.Empty() {
		t.Errorf("second bin %+v", bins[1])
	}
}
