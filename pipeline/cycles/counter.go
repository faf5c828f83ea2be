package cycles

import (
	"math"

	"glueline/pipeline/flag"
)

// Limit is the largest point in microstrain, either sign: 10 %. Beyond it a
// strain counts as Limit, and is told of in Count.Clipped.
const Limit = 100_000

// Microstrain rounds a strain in m/m to whole microstrains, halves to even, and
// holds it within Limit. ok is false where it is not a finite number.
func Microstrain(strain float64) (point int32, ok bool) {
	if !finite(strain) {
		return 0, false
	}
	// The conversion keeps a processor from joining this with what follows, so
	// that all of them round the same number.
	micro := float64(strain * 1e6)
	switch {
	case micro > Limit:
		return Limit, true
	case micro < -Limit:
		return -Limit, true
	}
	return int32(math.RoundToEven(micro)), true
}

func finite(x float64) bool { return x-x == 0 }

// Counter counts the cycles of one channel. It is not for two goroutines at
// once.
type Counter struct {
	curve Curve

	offset float64 // m/m, added to strain so that it is counted from the first zero
	joins  bool    // the next point is to be the last one again

	turns []int32 // turning points that no counted cycle has removed
	last  int32   // newest point, not known to be a turning point; of use once turns has one

	samples uint64
	leftOut uint64
	clipped uint64
	bins    histogram
	damage  float64
}

// New returns a counter that has seen nothing. The zero Curve does no damage.
func New(curve Curve) *Counter { return &Counter{curve: curve} }

// Use has what closes from here on do its damage by another curve.
func (c *Counter) Use(curve Curve) { c.curve = curve }

// Add counts the strains of consecutive samples, in m/m, each with its flags;
// both have the same length. A row that is flagged replaced is a Break. It
// allocates nothing but room for more open turning points than ever before.
func (c *Counter) Add(strain []float64, flags []uint32) {
	flags = flags[:len(strain)]
	for i, e := range strain {
		if flags[i]&uint32(flag.LeavesOut) != 0 || !finite(e) {
			if flags[i]&uint32(flag.Replaced) != 0 {
				c.joins = true
			}
			c.leftOut++
			continue
		}
		c.samples++
		if c.joins {
			c.join(e)
		}
		e += c.offset
		if math.Abs(e) > Limit*1e-6 {
			c.clipped++
		}
		p, _ := Microstrain(e) // finite, as two finite summands far from the largest are
		c.point(p)
	}
}

// Rezero has the strains that follow be counted from another zero: moved is the
// strain in m/m that the new zero's readings are counted from the old one
// (channel.Channel.Strain of its ratio and temperatures). A moved that is not
// finite is not known: as Break.
func (c *Counter) Rezero(moved float64) {
	if !finite(moved) {
		c.Break()
		return
	}
	c.offset += moved
}

// Break has the next point be where the last one was, whatever its strain: what
// is measured is measured otherwise from here on.
func (c *Counter) Break() { c.joins = true }

// join ends a break.
func (c *Counter) join(strain float64) {
	c.joins = false
	if len(c.turns) > 0 {
		c.offset = float64(c.last)*1e-6 - strain
	}
}

// point takes one more point.
func (c *Counter) point(p int32) {
	n := len(c.turns)
	switch {
	case n == 0:
		c.turns, c.last = append(c.turns, p), p
	case p == c.last:
	case c.last == c.turns[n-1]: // the beginning: any way is the first
		c.last = p
	case (c.last > c.turns[n-1]) == (p > c.last):
		c.last = p // the same way goes on
	default:
		c.turns = reduceTurns(c.turns, c.last, c.count)
		c.last = p
	}
}

// reduceTurns appends a turning point and counts what it closes. With the latest
// range no smaller than the one before, that one is counted: a half cycle while
// it holds the beginning, which is dropped, else a full one, whose two points
// are dropped.
func reduceTurns(turns []int32, p int32, count func(from, to int32, halves uint64)) []int32 {
	turns = append(turns, p)
	for n := len(turns); n >= 3; n = len(turns) {
		a, b := turns[n-3], turns[n-2]
		if apart(p, b) < apart(b, a) {
			break
		}
		if n == 3 {
			count(a, b, 1)
			copy(turns, turns[1:]) // in place, so that the room is kept
			turns = turns[:2]
			continue
		}
		count(a, b, 2)
		turns[n-3] = p
		turns = turns[:n-2]
	}
	return turns
}

func apart(a, b int32) int32 {
	if a > b {
		return a - b
	}
	return b - a
}

// count keeps one counted cycle, in halves.
func (c *Counter) count(from, to int32, halves uint64) {
	c.bins.add(apart(from, to), from+to, halves)
	c.damage += c.curve.damage(apart(from, to), halves)
}

// Count is what was counted so far.
type Count struct {
	Samples uint64 // that were points
	LeftOut uint64 // for want of a value, or for a flag
	Clipped uint64 // of Samples: beyond Limit
	Closed  uint64 // half cycles that are counted for good
	Open    uint64 // half cycles of the turning points that are left, which count if nothing follows
	Largest int32  // microstrain, the largest range among all
	Damage  float64
	Bins    []Bin // of all, by range and then mean; empty bins are not listed
}

// Count returns what reduce.Rainflow counts of all points so far: the closed
// cycles, and a half cycle for each range of the turning points that are left.
// It changes nothing. Damage is 0 without a curve.
func (c *Counter) Count() Count {
	all := Counter{curve: c.curve, bins: c.bins.clone(), damage: c.damage}
	turns := append([]int32(nil), c.turns...)
	if n := len(turns); n > 0 && turns[n-1] != c.last {
		turns = reduceTurns(turns, c.last, all.count)
	}
	closed := all.bins.halves
	for i := 1; i < len(turns); i++ {
		all.count(turns[i-1], turns[i], 1)
	}
	return Count{
		Samples: c.samples, LeftOut: c.leftOut, Clipped: c.clipped,
		Closed: closed, Open: all.bins.halves - closed, Largest: all.bins.largest,
		Damage: all.damage, Bins: all.bins.list(),
	}
}
