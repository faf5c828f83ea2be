package group

import (
	"errors"
	"slices"
	"testing"

	"glueline/pipeline/frame"
)

// A frame that is refused leaves no trace: what comes after it is reduced as if
// it had never come, whatever in it fitted.
func TestARefusedFrameLeavesNoTrace(t *testing.T) {
	good := func(at float64) *frame.Frame { return strains(at, 0.1, 0.2, 0.15) }
	bad := map[string]func(*frame.Frame){
		"another unit":                   func(f *frame.Frame) { f.Columns[1].Unit = "kg" },
		"a unit a thousand times larger": func(f *frame.Frame) { f.Columns[0].Unit, f.Columns[1].Unit = "V/V", "kg" },
		"a column missing":               func(f *frame.Frame) { f.Columns[1].Name = "B7" },
		"columns in another order": func(f *frame.Frame) {
			f.Columns[0].Name, f.Columns[1].Name = "A2", "A1"
			f.Columns[0].Unit = "kg"
		},
	}
	type outcome struct{ first, second []float64 }
	reduced := func(spoil func(*frame.Frame), restart bool) outcome {
		r := parse(t, article)
		var o outcome
		for i := range 3 {
			if i == 1 && spoil != nil {
				f := good(float64(i))
				spoil(f)
				if err := r.Reduce(f, new(Batch)); !errors.Is(err, ErrFrame) {
					t.Fatalf("was not refused: %v", err)
				}
			}
			if restart {
				r = restarted(t, r)
			}
			b := reduceFrame(t, r, good(float64(i)))
			o.first = append(o.first, columnOf(t, r, b, "beam [m/m]").Float...)
			o.second = append(o.second, columnOf(t, r, b, "web [m/m]").Float...)
		}
		return o
	}
	want := reduced(nil, false)
	for name, spoil := range bad {
		for _, restart := range []bool{false, true} {
			got := reduced(spoil, restart)
			if !slices.EqualFunc(got.first, want.first, sameOrNaN) || !slices.EqualFunc(got.second, want.second, sameOrNaN) {
				t.Errorf("%s, restarts %v:\n%v\nwant\n%v", name, restart, got, want)
			}
		}
	}
}

func sameOrNaN(a, b float64) bool { return a == b || a != a && b != b }
