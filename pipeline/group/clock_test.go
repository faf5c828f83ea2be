package group

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// A clock that is ahead by as much as the test file says gives what a right one does;
// a change of what it says is no step of the clock.
func TestAClockThatIsAheadIsCorrected(t *testing.T) {
	const ahead = 1_250_000_000
	right := parse(t, article)
	wrong := parse(t, strings.Replace(article, "clock-tolerance: 20 ms}", "clock-tolerance: 20 ms, clock-ahead: 1.25 s}", 1))
	for _, r := range []*Reducer{right, wrong} {
		reduceFrame(t, r, air(0, 20))
		reduceFrame(t, r, air(1, 25))
		r.Event(zeroEvent("begin", "test", 0.1))
		r.Event(zeroEvent("end", "test", 0.3))
	}
	f := strains(0, 9, 0.1, 0.3, 0.2, 0.7, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.4)
	f.Counted = true
	want := reduceFrame(t, right, f)
	f.Time = slices.Clone(f.Time)
	for i := range f.Time {
		f.Time[i] += ahead
	}
	raw := slices.Clone(f.Time)
	got := reduceFrame(t, wrong, f)
	if !slices.Equal(f.Time, raw) {
		t.Error("the raw times are others now")
	}
	if !slices.Equal(got.Time, want.Time) {
		t.Errorf("times %v, want %v", got.Time, want.Time)
	}
	for i := range want.Columns {
		x, y := got.Columns[i], want.Columns[i]
		if !slices.Equal(x.Flags, y.Flags) || !slices.EqualFunc(x.Float, y.Float, func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }) {
			t.Errorf("column %d: %v %v, want %v %v", i, x.Float, x.Flags, y.Float, y.Flags)
		}
	}
	if newest, ok := wrong.Newest("node"); !ok || newest != raw[len(raw)-1] {
		t.Errorf("the newest time is %d, want the clock's own %d", newest, raw[len(raw)-1])
	}
	next := strains(1.2+1.25, 0.1)
	next.Counted, next.Counter = true, 12
	if m := masks(columnOf(t, wrong, reduceFrame(t, wrong, next), "beam flags")); strings.Contains(m, "clock") {
		t.Errorf("flags %s", m)
	}
}
