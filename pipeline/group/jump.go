package group

import (
	"math"

	"glueline/pipeline/flag"
)

// JumpWatch looks for a step between two readings that stays, while the article
// is idle: what a balance in the instrument looks like that nobody told of. All
// of it is in the unit of the raw readings.
type JumpWatch struct {
	On     bool    // Last is the reading before
	Last   float64 // reading
	At     int64   // ns
	Known  bool    // Noise is that of some block of readings
	Noise  float64 // mean difference of neighbours over the newest whole block
	Sum    float64 // of the differences of the block in hand
	N      int     // how many
	Stayed int     // readings since a step that may be a jump; 0 for none
	Since  int64   // ns, time of that step
	From   float64 // reading before it
	To     float64 // reading behind it
	Size   float64 // of the largest jump since a zero, a balance told of or a signed check
}

// A jump is that many times what neighbouring readings differ by, at least so
// large in V/V (20 um/m on a quarter bridge with a gauge factor of 2), and stays
// for so long within a quarter of itself. Common practice, no source: it is
// meant to miss small ones rather than to alarm for nothing.
const (
	jumpNoises = 20
	jumpFloor  = 10e-6 // V/V
	jumpStays  = 1e9   // ns
	jumpRows   = 32    // and so many readings
	jumpBlock  = 256   // differences that the noise is averaged over
)

// notWatched are the flags of rows that a jump means nothing in.
const notWatched = flag.LeavesOutOfZero&^flag.Spike | flag.ClockStepped | flag.Late | flag.OutOfOrder

// watchJumps follows the readings of an idle article.
func (run *sourceRun) watchJumps(w *wireRun, times []int64, raw []float64, mask []uint32) {
	j := &w.state.Jumps
	if run.state.LoadState != "idle" {
		j.On, j.Stayed = false, 0
		return
	}
	gap := 3 * run.plan.period
	for i := 0; i < len(raw); i++ {
		if j.On && j.Stayed == 0 {
			if i = j.pass(times, raw, mask, i, gap); i == len(raw) {
				return
			}
		}
		x := raw[i]
		switch {
		case flag.Mask(mask[i])&notWatched != 0 || math.IsInf(x, 0):
			j.On, j.Stayed = false, 0
			continue
		case !j.On || times[i]-j.At > gap:
			j.On, j.Stayed = true, 0
		case j.Stayed == 0:
			j.Stayed, j.Since, j.From, j.To = 1, times[i], j.Last, x
		case j.stays(times[i], x) && j.Size > w.floor:
			for k := i; k < len(mask); k++ {
				mask[k] |= uint32(flag.Jump)
			}
		}
		j.Last, j.At = x, times[i]
	}
}

// pass goes over the readings from i on that differ from their neighbours as
// noise does, and returns the first that does not.
func (j *JumpWatch) pass(times []int64, raw []float64, mask []uint32, i int, gap int64) int {
	last, at, sum, n := j.Last, j.At, j.Sum, j.N
	limit := j.limit()
	times, mask = times[:len(raw)], mask[:len(raw)]
	for ; i < len(raw); i++ {
		d := math.Abs(raw[i] - last)
		if !(d <= limit) || times[i]-at > gap || flag.Mask(mask[i])&notWatched != 0 {
			break
		}
		last, at = raw[i], times[i]
		sum += d
		if n++; n == jumpBlock {
			j.Known, j.Noise = true, sum/jumpBlock
			sum, n = 0, 0
			limit = j.limit()
		}
	}
	j.Last, j.At, j.Sum, j.N = last, at, sum, n
	return i
}

// limit is the difference of neighbours beyond which a step begins.
func (j *JumpWatch) limit() float64 {
	if !j.Known {
		return math.MaxFloat64
	}
	return jumpNoises * j.Noise
}

// stays takes a reading behind a step. It reports whether one more jump is certain.
func (j *JumpWatch) stays(at int64, x float64) bool {
	if math.Abs(x-j.To) > math.Abs(j.To-j.From)/4 {
		j.Stayed = 0
		return false
	}
	j.Stayed++
	if j.Stayed < jumpRows || at-j.Since < jumpStays {
		return false
	}
	j.Stayed = 0
	j.Size = max(j.Size, math.Abs(j.To-j.From))
	return true
}

// setFloor makes jumpFloor a difference of raw readings.
func (w *wireRun) setFloor() {
	one := w.raw.Ratio(1, w.raw.Excitation) - w.raw.Ratio(0, w.raw.Excitation)
	w.floor = jumpFloor / math.Abs(one)
	if math.IsNaN(w.floor) {
		w.floor = math.Inf(1) // nothing tells what a reading is worth
	}
}
