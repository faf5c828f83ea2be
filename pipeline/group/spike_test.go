package group

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"glueline/pipeline/flag"
)

// spikesOf says which rows are flagged as spikes, "S" or "-", however they come.
func spikesOf(t *testing.T, n, rows int, restart bool, level func(int) float64) string {
	t.Helper()
	b := newBench(t)
	b.zero()
	var flags strings.Builder
	for at := 0; at < n; at += rows {
		_, masks := b.rows(min(rows, n-at), func(i int) float64 { return level(at + i) })
		for _, m := range masks {
			if flag.Mask(m)&flag.Spike != 0 {
				flags.WriteByte('S')
			} else {
				flags.WriteByte('-')
			}
		}
		if restart {
			b.r = restarted(t, b.r)
		}
	}
	return flags.String()
}

func TestSpike(t *testing.T) {
	at := func(changes map[int]float64) func(int) float64 {
		return func(i int) float64 { return noisy(0.2)(i) + changes[i] }
	}
	for _, c := range []struct {
		name  string
		level func(int) float64
		want  map[int]bool
	}{
		{"none", at(nil), nil},
		{"one", at(map[int]float64{400: 0.1}), map[int]bool{400: true}},
		{"down", at(map[int]float64{400: -0.1}), map[int]bool{400: true}},
		{"two apart", at(map[int]float64{400: 0.1, 403: 0.1}), map[int]bool{400: true, 403: true}},
		{"below 20 um/m", at(map[int]float64{400: 0.0095}), nil},
		{"before any noise is known", at(map[int]float64{30: 0.1}), nil},
		{"a step costs one reading", func(i int) float64 {
			if i >= 400 {
				return noisy(0.5)(i)
			}
			return noisy(0.2)(i)
		}, map[int]bool{400: true}},
		{"a missing reading stands between", func(i int) float64 {
			switch {
			case i == 400:
				return math.NaN()
			case i > 400:
				return noisy(0.5)(i)
			}
			return noisy(0.2)(i)
		}, nil},
	} {
		whole := spikesOf(t, 500, 500, false, c.level)
		for i := range whole {
			if (whole[i] == 'S') != c.want[i] {
				t.Errorf("%s: row %d is %c", c.name, i, whole[i])
			}
		}
		for _, rows := range []int{1, 7, 100} {
			for _, restart := range []bool{false, true} {
				if got := spikesOf(t, 500, rows, restart, c.level); got != whole {
					t.Errorf("%s, frames of %d rows, restarts %v:\n%s\nwant\n%s", c.name, rows, restart, got, whole)
				}
			}
		}
	}
}

// A day of ten readings a second of noise on a load that goes up and down has no
// spike; a hundred planted ones are all found.
func TestSpikesOfADay(t *testing.T) {
	const day, every = 864_000, 8640
	r := rand.New(rand.NewPCG(11, 7))
	planted := func(i int) bool { return i%every == every/2 }
	for _, plant := range []bool{false, true} {
		flags := spikesOf(t, day, 5000, false, func(i int) float64 {
			v := 0.3 + 0.2*math.Sin(2*math.Pi*float64(i)/600) + 0.0005*r.NormFloat64()
			if plant && planted(i) {
				v += 0.08
			}
			return v
		})
		for i := range flags {
			if is := flags[i] == 'S'; is != (plant && planted(i)) {
				t.Errorf("planted %v: row %d is %c", plant, i, flags[i])
			}
		}
	}
}

func ExampleSpikeWatch() {
	s := SpikeWatch{Neighbours: Neighbours{Known: true, Noise: 2}}
	fmt.Println(s.limit(10), s.limit(100))
	// Output: 40 100
}
