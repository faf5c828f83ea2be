package export

import (
	"math"

	"glueline/sinks/segment"
)

// bin is the rows that become one.
type bin struct {
	rows  int64
	time  int64
	sums  []sum
	flags []int64
}

// sum is the values of a series in a bin.
type sum struct {
	n              int64
	min, max, mean float64
	sin, cos       float64 // of twice the angle, of an axis
}

func (b *bin) begin(series, flags int) {
	b.sums, b.flags = make([]sum, series), make([]int64, flags)
}

// put takes the values in hand into the bin of their time. A row that comes late, of
// a stretch that is written, begins one of its own.
func (w *work) put(t int64, b *segment.Batch, masks []int, row int) error {
	begins := t
	if w.Every > 0 {
		every := int64(w.Every)
		begins = t - t%every
		if t%every < 0 {
			begins -= every
		}
	}
	if w.bin.rows > 0 && (w.Every > 0 && begins != w.bin.time || w.Every == 0 && w.bin.rows >= int64(w.Rows)) {
		values := w.values
		w.values = nil // flush makes its own row
		if err := w.flush(); err != nil {
			return err
		}
		w.values = values
	}
	if w.bin.rows == 0 {
		w.bin.time = begins
	}
	w.bin.rows++
	for i, v := range w.values {
		if v != v {
			continue
		}
		s, x := &w.bin.sums[i], &w.series[i]
		s.n++
		if s.n == 1 {
			s.min, s.max, s.mean = v, v, v
		} else {
			s.min, s.max = min(s.min, v), max(s.max, v)
			s.mean += (v - s.mean) / float64(s.n)
		}
		if x.axis {
			sin, cos := math.Sincos(2 * v / x.scale)
			s.sin, s.cos = s.sin+sin, s.cos+cos
		}
	}
	for i := range w.flags {
		if masks[i] >= 0 {
			w.bin.flags[i] |= int64(b.Columns[masks[i]].Flags[row])
		}
	}
	return nil
}

// flush hands the bin on as a row, and empties it.
func (w *work) flush() error {
	if w.bin.rows == 0 {
		return nil
	}
	w.whole = append(w.whole[:0], w.bin.time, w.bin.rows)
	w.values = w.values[:0]
	for i := range w.bin.sums {
		s, x := &w.bin.sums[i], &w.series[i]
		if s.n == 0 {
			s.min, s.max, s.mean = math.NaN(), math.NaN(), math.NaN()
		}
		if x.axis {
			w.values = append(w.values, s.axis()*x.scale)
		} else {
			w.values = append(w.values, s.min, s.max, s.mean)
		}
		w.whole = append(w.whole, s.n)
		*s = sum{}
	}
	w.whole = append(w.whole, w.bin.flags...)
	clear(w.bin.flags)
	w.bin.rows = 0
	return w.row(w.bin.time)
}

// axis is the mean direction, the mean of the doubled angle, halved; NaN where the
// directions cancel one another, or there is none.
// Mardia, Jupp, Directional Statistics (2000), section 9.4 for axial data: from
// memory.
func (s *sum) axis() float64 {
	if !(math.Hypot(s.sin, s.cos) > 1e-9*float64(s.n)) {
		return math.NaN()
	}
	return math.Atan2(s.sin, s.cos) / 2
}
