package compare

import (
	"math"

	"glueline/pipeline/flag"
)

// Values sums up one side of a column over the samples that have a value and that
// no flag leaves out (flag.LeavesOut). Min, Max and Mean are 0 where N is.
type Values struct {
	N    int64   `json:"n"`
	Min  float64 `json:"min"`
	Max  float64 `json:"max"`
	Mean float64 `json:"mean"` // of directions of an axis, the direction of their sum at twice the angle
	sum  axes
}

// axes is a sum of directions of axes, each as an arrow at twice its angle, so that
// the two ends of an axis are one. Without any it is zero.
type axes struct{ cos, sin float64 }

func (s *axes) add(angle float64) {
	sin, cos := math.Sincos(2 * angle)
	s.cos += cos
	s.sin += sin
}

func (s axes) mean() float64 { return math.Atan2(s.sin, s.cos) / 2 }

func (v *Values) take(x float64, axis bool) {
	v.N++
	if axis {
		v.sum.add(x)
	}
	if v.N == 1 {
		v.Min, v.Max, v.Mean = x, x, x
		return
	}
	v.Min, v.Max = min(v.Min, x), max(v.Max, x)
	if axis {
		v.Mean = v.sum.mean()
	} else {
		v.Mean += (x - v.Mean) / float64(v.N)
	}
}

// Change is how far the two sides of a column are apart over a stretch.
type Change struct {
	A, B    Values
	Rows    int64   // that both sides have a value for, and that no flag of either leaves out
	Mean    float64 // of the differences in those
	Largest float64 // of them by size, with its sign
	When    int64   // of the largest, ns since 1970 UTC; 0 where nothing differs
	// Of the first column of a channel only, its flags: rows with others than on
	// the other side, and rows that have each flag on one side only, by its bit.
	Flags        int64
	Lost, Gained [32]int64
	OnlyA, OnlyB int64 // values in rows of both sides that one side has alone
	turned       axes  // sum of the differences of directions
}

// Differs reports whether anything is other at all.
func (c *Change) Differs() bool {
	return c.Largest != 0 || c.Flags != 0 || c.OnlyA != 0 || c.OnlyB != 0 || c.A != c.B
}

// FlagChange is a flag that rows have on one side only.
type FlagChange struct {
	Flag   string `json:"flag"`
	Gained int64  `json:"gained"` // rows that have it on the second side only
	Lost   int64  `json:"lost"`   // on the first only
}

// FlagChanges lists them in the order of bits.
func (c *Change) FlagChanges() (all []FlagChange) {
	for i := range c.Lost {
		if c.Lost[i] == 0 && c.Gained[i] == 0 {
			continue
		}
		name := "an unknown flag"
		if names := flag.Mask(1 << i).Names(); len(names) > 0 {
			name = names[0]
		}
		all = append(all, FlagChange{name, c.Gained[i], c.Lost[i]})
	}
	return all
}

// leftOut reports whether a flag leaves a sample out; a column without flags has none.
func leftOut(flags []uint32, i int) bool {
	return flags != nil && flag.Mask(flags[i])&flag.LeavesOut != 0
}

// pair takes rows that both sides have.
func (c *Change) pair(a, b []float64, axis bool, flagsA, flagsB []uint32, times []int64) {
	for i := range a {
		x, y := a[i], b[i]
		useA, useB := x == x && !leftOut(flagsA, i), y == y && !leftOut(flagsB, i)
		if useA {
			c.A.take(x, axis)
		}
		if useB {
			c.B.take(y, axis)
		}
		switch {
		case useA && useB:
			d := less(x, y, axis)
			c.Rows++
			if axis {
				c.turned.add(d)
				c.Mean = c.turned.mean()
			} else {
				c.Mean += (d - c.Mean) / float64(c.Rows)
			}
			if math.Abs(d) > math.Abs(c.Largest) {
				c.Largest, c.When = d, times[i]
			}
		case x == x && y != y:
			c.OnlyA++
		case y == y && x != x:
			c.OnlyB++
		}
	}
}

// less is the second side's value less the first's. The direction of an axis is the
// same half a turn on, so that from 89 to -89 degrees it turned by two.
func less(x, y float64, axis bool) float64 {
	if axis {
		return math.Remainder(y-x, math.Pi)
	}
	return y - x
}

// one takes rows of one side.
func (v *Values) one(a []float64, axis bool, flags []uint32) {
	for i, x := range a {
		if x == x && !leftOut(flags, i) {
			v.take(x, axis)
		}
	}
}

func (c *Change) flags(a, b []uint32) {
	for i := range a {
		other := a[i] ^ b[i]
		if other == 0 {
			continue
		}
		c.Flags++
		for bit := range c.Lost {
			switch {
			case other>>bit&1 == 0:
			case a[i]>>bit&1 == 1:
				c.Lost[bit]++
			default:
				c.Gained[bit]++
			}
		}
	}
}
