package drift

import (
	"encoding/json"
	"math"
	"testing"
)

// plainWindow has an idle strain and two ramps of a slope.
func plainWindow(at int64, zero, slope float64) Window {
	w := Window{From: at, To: at + hour/6, Highest: 1}
	for i := range 10 {
		x := float64(i+1) / 10
		w.Rising.add(x, zero+slope*x)
		w.Falling.add(x, zero+slope*x)
		w.All.add(x, zero+slope*x)
		w.Idle.add(zero)
	}
	return w
}

// Whatever the length of a test, a record stays small, and its sums lose nothing.
func TestRecordIsBounded(t *testing.T) {
	var r Record
	const windows = 6 * 24 * 400
	for i := range int64(windows) {
		r.Add(plainWindow(i*hour/6, 1e-6, 1e-3))
		if i%50 == 0 {
			r.Shunt(i*hour/6, 0)
			r.Insulate(i*hour/6, 1e9)
		}
	}
	var idle float64
	for i := range r.Epochs {
		idle += r.Epochs[i].Idle.N
		if i > 0 && r.Epochs[i].From <= r.Epochs[i-1].From {
			t.Fatal("epochs out of order")
		}
	}
	if len(r.Epochs) > mostKept || len(r.Shunts) > mostNotes || len(r.Insulation) > mostNotes {
		t.Errorf("%d epochs, %d shunt checks, %d insulation readings", len(r.Epochs), len(r.Shunts), len(r.Insulation))
	}
	if idle != 10*windows {
		t.Errorf("%g idle readings of %d", idle, 10*windows)
	}
	b, err := json.Marshal(&r)
	if err != nil || len(b) > 2<<20 {
		t.Errorf("%d bytes of state: %v", len(b), err)
	}
}

// A later zero takes away what is reported, never what is recorded.
func TestALaterZeroResetsNothing(t *testing.T) {
	var plain, zeroed Record
	for i := range int64(600) {
		zero := float64(i) * 1e-7
		plain.Add(plainWindow(i*hour/6, zero, 1e-3))
		if i == 300 {
			zeroed.Zero(i*hour/6, zero)
		}
		if i >= 300 {
			zero -= 300 * 1e-7
		}
		zeroed.Add(plainWindow(i*hour/6, zero, 1e-3))
	}
	for i := range plain.Epochs {
		a, b := &plain.Epochs[i], &zeroed.Epochs[i]
		if !(math.Abs(a.Idle.Mean()-b.Idle.Mean()) < 1e-15) {
			t.Fatalf("epoch %d: %g against %g", i, a.Idle.Mean(), b.Idle.Mean())
		}
		sa, _ := a.Slope()
		if sb, _ := b.Slope(); !(math.Abs(sa-1e-3) < 1e-12) || !(math.Abs(sb-1e-3) < 1e-12) {
			t.Fatalf("epoch %d: slopes %g and %g", i, sa, sb)
		}
	}
}

// Loaded up and down with a loop: by hand, slope 2 and 0.5 of hysteresis.
func TestSlopeAndHysteresis(t *testing.T) {
	var w Window
	for _, x := range []float64{1, 2, 3, 4} {
		w.Rising.add(x, 2*x)
		w.Falling.add(x, 2*x+0.5)
	}
	slope, err := w.Slope()
	if !(math.Abs(slope-2) < 1e-12) || !(err < 1e-7) || !(math.Abs(w.Hysteresis()-0.5) < 1e-12) {
		t.Errorf("slope %g ± %g, hysteresis %g", slope, err, w.Hysteresis())
	}
	if s, _ := (&Window{}).Slope(); !math.IsNaN(s) || !math.IsNaN((&Window{}).Hysteresis()) {
		t.Error("a window without ramps has a slope")
	}
}

// A load that steps between two readings has no ramps; its slope is known all
// the same, and so is that it fell.
func TestSlopeOfALoadThatSteps(t *testing.T) {
	var r Record
	g := Gatherer{Length: hour / 6}
	for m := range int64(8 * 1440) {
		load, slope := float64(m/30%2), 500e-6
		if m > 5*1440 {
			slope = 400e-6
		}
		reading := Reading{Time: m * hour / 60, Strain: slope*load + 1e-8*float64(m%7), Load: load, Idle: load == 0}
		for c := range reading.With {
			reading.With[c] = math.NaN()
		}
		if w, ok := g.Add(&reading); ok {
			r.Add(w)
		}
	}
	f := newFindings(&r, Facts{Gauge: 350, GaugeFactor: 2})
	if !f.slopeChanged() || !(math.Abs(f.slope.amount+0.2) < 0.01) || !(math.Abs(f.slope.onset-120) < 2) {
		t.Errorf("%d slopes, changed by %.3f at hour %.0f", len(f.slopes.at), f.slope.amount, f.slope.onset)
	}
	if r.Slopes.Sum.Alarm == 0 || r.Slopes.Sum.Sign != -1 {
		t.Errorf("no alarm on line: %+v", r.Slopes.Sum)
	}
}

// Where an article never idles, the zero comes from what the load does not explain.
func TestZeroOfAnArticleThatNeverIdles(t *testing.T) {
	var r Record
	for i := range int64(400) {
		w := plainWindow(i*hour/6, 0, 1e-3)
		drift := float64(i) * 1e-8
		r.Add(Window{From: w.From, To: w.To, All: w.moved(drift).All, Highest: 1})
	}
	s := r.series()
	if n := len(s.zero); n < 60 || !(math.Abs((s.zero[n-1]-s.zero[0])-float64(n-1)*6e-8) < 1e-8) {
		t.Errorf("%d zeros over %g", n, s.zero[n-1]-s.zero[0])
	}
}

func TestJudgeSaysNothingOfLittle(t *testing.T) {
	var r Record
	if v := Judge(&r, Facts{}); v.Named != CannotTell {
		t.Errorf("of nothing: %s", v.Named)
	}
	for i := range int64(60) {
		r.Add(plainWindow(i*hour/6, 0, 1e-3))
	}
	if v := Judge(&r, Facts{Gauge: 350, GaugeFactor: 2}); v.Named != CannotTell {
		t.Errorf("of ten hours: %s", v.Named)
	}
}

// Readings that are no numbers leave no trace, and nothing is allocated.
func TestGathererIsFrugal(t *testing.T) {
	g := Gatherer{Length: hour / 6}
	at := int64(0)
	r := Reading{Strain: 1e-6, Load: 1}
	if n := testing.AllocsPerRun(1000, func() {
		at += 60e9
		r.Time = at
		g.Add(&r)
	}); n != 0 {
		t.Errorf("%g allocations a reading", n)
	}
	before := g
	r.Strain = math.NaN()
	if _, ok := g.Add(&r); ok || g != before {
		t.Error("a reading that is no number changed the state")
	}
}

func FuzzRecordJSON(f *testing.F) {
	var r Record
	for i := range int64(30) {
		r.Add(plainWindow(i*hour, 0, 1e-3))
	}
	text, err := json.Marshal(&r)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"epochs":[{},{}],"span":0}`))
	f.Fuzz(func(_ *testing.T, text []byte) {
		var r Record
		if json.Unmarshal(text, &r) != nil || len(r.Epochs) > 2*mostKept {
			return
		}
		// No state, however odd, makes it panic.
		r.Add(plainWindow(hour, 0, 1e-3))
		Judge(&r, Facts{Gauge: 350, GaugeFactor: 2})
	})
}
