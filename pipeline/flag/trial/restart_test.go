package trial

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"glueline/pipeline/cycles"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/simulate"
)

// cuts are rows of a source in front of which a reduction ends and another goes on
// from its state.
type cuts map[string]map[uint64]bool

// cut reduces a delivery with restarts at rows. Frames are cut there too, unless
// only their borders will do: what is decided by a whole frame is known in front of
// it or behind it. It returns how many restarts there were.
func cut(t testing.TB, d delivery, at cuts, byFrame bool) (results, int) {
	t.Helper()
	b, n := newBench(t, d), 0
	for _, f := range d.frames {
		from := 0
		for row := range f.Rows() {
			if !at[f.Source][f.Counter+uint64(row)] {
				continue
			}
			if row > 0 && !byFrame {
				part := f.Slice(from, row)
				b.take(&part)
				from = row
			}
			b.restart()
			n++
		}
		part := f.Slice(from, f.Rows())
		b.take(&part)
	}
	return b.results, n
}

// same compares flags and the bits of strains.
func same(t testing.TB, what string, got, want results) {
	t.Helper()
	for name, masks := range want.flags {
		for row, m := range masks {
			if got.flags[name][row] != m {
				t.Errorf("%s: %s, row %d is flagged %s, undisturbed %s", what, name, row, got.flags[name][row], m)
				break
			}
		}
	}
	for name, bits := range want.strain {
		for row, e := range bits {
			if got.strain[name][row] != e {
				t.Errorf("%s: %s, row %d is %v, undisturbed %v", what, name, row, math.Float64frombits(got.strain[name][row]), math.Float64frombits(e))
				break
			}
		}
	}
}

// around draws rows of every source, two thirds of them about the fault.
func (c trial) around(random *rand.Rand, d delivery, n int) cuts {
	at := cuts{}
	for _, source := range d.plan.Sources() {
		at[source] = map[uint64]bool{}
		rate := d.plan.Rate(source)
		rows := d.rows[source]
		for i := range n {
			row := random.IntN(rows)
			if i%3 > 0 {
				from, to := (c.from - 5*second).Seconds(), (max(c.from, c.to) + 30*second).Seconds()
				row = int((from + random.Float64()*(to-from)) * rate)
			}
			at[source][uint64(min(max(row, 0), rows-1))] = true
		}
	}
	return at
}

// restarts is how many there are of a source and trial.
func restarts() int {
	if long() {
		return 60
	}
	return 9
}

// A reduction that is cut off anywhere while a flag's fault comes, stays and goes
// gives the same flags and strains: frozen runs, zeros, shunts, spikes and jumps
// that are not decided, warming up, curing and all the others.
func TestRestartChangesNoFlag(t *testing.T) {
	for _, c := range trials {
		t.Run(c.flag.String(), func(t *testing.T) {
			t.Parallel()
			c, seed := c.filled(), rand.Uint64()
			d := c.deliver(t)
			whole := reduced(t, d)
			got, n := cut(t, d, c.around(rand.New(rand.NewPCG(seed, 1)), d, restarts()), c.byFrame)
			same(t, fmt.Sprintf("%d restarts of seed %d", n, seed), got, whole)
			if n < 20 {
				t.Errorf("%d restarts only", n)
			}
		})
	}
}

// state is something that a reduction can be in the middle of.
type state struct {
	name     string
	from, to time.Duration // when, in eventful
	is       func(b *bench) bool
}

// eventful is a quarter of an hour and more in which one state follows another.
var eventful = setting{
	start:    time.Date(2026, 4, 19, 11, 53, 0, 0, time.UTC), // the posts are cured at 12:00
	duration: 22 * minute,
	faults: []simulate.Fault{
		fault(simulate.Stuck, "skin-3", 16*minute, minute, 0),
		fault(simulate.Offset, "skin-4", 16*minute, second/10, 50e-6),
		fault(simulate.Offset, "skin-6", 16*minute+30*second, 0, 30e-6),
		fault(simulate.Dark, "frame", 17*minute, minute, 0),
	},
}

func init() {
	off, on := say(17*minute, "excitation", "off", "frame"), say(18*minute, "excitation", "on", "frame")
	eventful.events = append(eventful.events, off, on)
}

// input is the state of a gauge of the skin.
func (b *bench) input(n int) *group.InputState {
	return b.reducer.State().Inputs[fmt.Sprintf("skin/S%d|skin-%d", n, n)]
}

var states = []state{
	{"an open half cycle", 20*minute + 10*second, 22 * minute, func(b *bench) bool { return true }},
	{"a frozen run", 16*minute + 5*second, 17 * minute, func(b *bench) bool { return b.input(3).Run > 20 }},
	{"a zero window", 5*minute + second, 9 * minute, func(b *bench) bool { return b.input(3).InProgress["test"] != nil }},
	{"the shunt on", 10*minute + second, 10*minute + 30*second, func(b *bench) bool { return b.input(1).ShuntOn }},
	{"the shunt's settling", 10*minute + 30*second + second/10, 10*minute + 31*second - second/10, func(b *bench) bool { return b.input(1).ShuntOn }},
	{"a spike just seen", 16*minute + second/10, 16*minute + 2*second/10, func(b *bench) bool { return b.input(4).Spikes.Hit }},
	{"a jump that is not decided", 16*minute + 30*second + 2*second/10, 16*minute + 33*second - second/10, func(b *bench) bool { return b.input(6).Jumps.Stayed > 0 }},
	{"warming up", 18*minute + second, 20*minute - second, func(b *bench) bool {
		s := b.reducer.State().Sources["frame"]
		return !s.ExcitationOff && s.Newest < s.WarmUntil
	}},
	{"the cure", second, 7*minute - second, func(b *bench) bool {
		return b.flags["girder-1"][max(1, b.reducer.State().Sources["frame"].Rows)-1]&flag.Uncured != 0
	}},
}

// Every state is cut at many of its rows, which are seen to be in it, and nothing
// changes; nor do the cycles that are counted of the flagged strains, whose counter
// restarts with them.
func TestRestartInTheMiddle(t *testing.T) {
	d := eventful.deliver(t)
	whole := reduced(t, d)
	for _, s := range states {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			seed := rand.Uint64()
			random := rand.New(rand.NewPCG(seed, 2))
			at := map[uint64]bool{}
			first, last := uint64(s.from.Seconds()*10+0.5), uint64(s.to.Seconds()*10+0.5)
			for range 30 {
				at[first+random.Uint64N(max(1, last-first))] = true
			}
			b := newBench(t, d)
			var inside, n int
			for _, f := range d.frames {
				for row := range f.Rows() {
					if f.Source != "logger" && at[f.Counter+uint64(row)] {
						if n++; s.is(b) {
							inside++
						}
						b.restart()
					}
					one := f.Slice(row, row+1)
					b.take(&one)
				}
			}
			if inside < n/3 || inside == 0 {
				t.Errorf("%d of %d restarts are in the middle of %s", inside, n, s.name)
			}
			same(t, fmt.Sprintf("%d restarts of seed %d", n, seed), b.results, whole)
			for _, name := range []string{"skin-3", "girder-1", "tie"} {
				want := counted(t, whole, name, nil)
				if got := counted(t, b.results, name, at); !bytes.Equal(got, want) {
					t.Errorf("cycles of %s\n%s\nundisturbed\n%s", name, got, want)
				}
			}
		})
	}
}

// counted is the state of a counter of cycles behind all strains of a channel.
func counted(t *testing.T, r results, name string, restarts map[uint64]bool) []byte {
	t.Helper()
	counter := cycles.New(cycles.Curve{})
	keep := func() []byte {
		text, err := counter.State()
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	for row, bits := range r.strain[name] {
		if restarts[uint64(row)] {
			again, err := cycles.Restore(keep(), cycles.Curve{})
			if err != nil {
				t.Fatal(err)
			}
			counter = again
		}
		counter.Add([]float64{math.Float64frombits(bits)}, []uint32{uint32(r.flags[name][row])})
	}
	return keep()
}

// A comparison that would see nothing would prove nothing: a reduction that forgets
// one input's state at a restart differs.
func TestForgottenStateIsSeen(t *testing.T) {
	d := eventful.deliver(t)
	whole := reduced(t, d)
	b := newBench(t, d)
	forgot := false
	for _, f := range d.frames {
		if !forgot && f.Source == "skin" && f.Counter >= 9700 {
			b.input(3).Run = 1
			forgot = true
		}
		b.take(f)
	}
	if slices.Equal(b.flags["skin-3"], whole.flags["skin-3"]) {
		t.Error("a frozen run that was forgotten changes no flag")
	}
}
