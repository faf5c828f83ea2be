package group

import (
	"math"

	"glueline/pipeline/flag"
)

// JumpWatch looks for a step between two readings that stays, while the article
// is idle: what a balance in the instrument looks like that nobody told of. All
// of it is in the unit of the raw readings.
type JumpWatch struct {
	Neighbours
	Stayed int     // readings since a step that may be a jump; 0 for none
	Since  int64   // ns, time of that step
	From   float64 // reading before it
	To     float64 // reading behind it
	Size   float64 // of the largest jump since a zero, a balance told of or a signed check
}

// A jump stands out from what neighbouring readings differ by, is at least so
// large in V/V (20 um/m on a quarter bridge with a gauge factor of 2), and stays
// for so long within a quarter of itself. Common practice, no source: it is
// meant to miss small ones rather than to alarm for nothing.
const (
	jumpFloor = 10e-6 // V/V
	jumpStays = 1e9   // ns
	jumpRows  = 32    // and so many readings
)

// notWatched are the flags of rows that a jump means nothing in.
const notWatched = flag.LeavesOutOfZero&^flag.Spike | flag.ClockStepped | flag.Late | flag.OutOfOrder

// watchJumps follows the readings of an idle article.
func (run *sourceRun) watchJumps(w *wireRun, rows *stretch) {
	j := &w.state.Jumps
	if run.state.LoadState != "idle" {
		j.On, j.Stayed = false, 0
		return
	}
	for i := 0; i < len(rows.raw); i++ {
		if j.On && j.Stayed == 0 {
			if i = j.pass(rows, i, notWatched, 0); i == len(rows.raw) {
				return
			}
		}
		x, at := rows.raw[i], rows.times[i]
		switch {
		case flag.Mask(rows.mask[i])&notWatched != 0 || math.IsInf(x, 0):
			j.On, j.Stayed = false, 0
			continue
		case !j.On || at-j.At > rows.gap:
			j.On, j.Stayed = true, 0
		case j.Stayed == 0:
			j.Stayed, j.Since, j.From, j.To = 1, at, j.Last, x
		case j.stays(at, x) && j.Size > w.floor:
			for k := i; k < len(rows.mask); k++ {
				rows.mask[k] |= uint32(flag.Jump)
			}
		}
		j.Last, j.At = x, at
	}
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
