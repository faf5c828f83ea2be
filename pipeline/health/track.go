package health

import (
	"math"

	"glueline/pipeline/flag"
)

// maxBins bounds what is kept of a series. When more are needed, neighbours are
// joined and a bin covers twice the time.
const maxBins = 8192

// second is the width of the first bins.
const second = int64(1e9)

// bin is what is kept of a short stretch of time.
type bin struct {
	sum   float64 // of the values that may be believed
	good  int32   // how many they are
	ended int32   // readings at the end of the range
}

func (b *bin) add(c bin) {
	b.sum += c.sum
	b.good += c.good
	b.ended += c.ended
}

// bins are consecutive, on a grid that all series share: bin k covers the times
// from k*width on, and widths are powers of two of one second.
type bins struct {
	width int64
	first int64 // number of the first bin
	list  []bin
}

// at returns the bin of a time, or nil for a time before the first one.
func (b *bins) at(ns int64) *bin {
	if b.list == nil {
		b.width = second
		b.first = floor(ns, b.width)
		b.list = make([]bin, 0, maxBins)
	}
	k := floor(ns, b.width) - b.first
	if k < 0 {
		return nil
	}
	for k >= maxBins {
		b.coarsen()
		k = floor(ns, b.width) - b.first
	}
	for int64(len(b.list)) <= k {
		b.list = append(b.list, bin{})
	}
	return &b.list[k]
}

func (b *bins) coarsen() {
	first := floor(b.first, 2)
	n := 0
	for i, c := range b.list {
		k := int(floor(b.first+int64(i), 2) - first)
		if k < n {
			b.list[k].add(c)
		} else {
			b.list[k] = c
			n = k + 1
		}
	}
	b.list = b.list[:n]
	b.first, b.width = first, 2*b.width
}

func floor(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// middle returns the median of the bins' means in a stretch of time, and how
// many values it rests on. Half of the bins may be spoilt, or lie beyond a jump.
func (b *bins) middle(from, to int64) (value float64, good int) {
	var means []float64
	for _, c := range b.in(from, to) {
		if c.good > 0 {
			means = append(means, c.sum/float64(c.good))
			good += int(c.good)
		}
	}
	if good == 0 {
		return math.NaN(), 0
	}
	return median(means), good
}

// between returns the sum of the bins that lie in a stretch of time.
func (b *bins) between(from, to int64) (sum bin) {
	for _, c := range b.in(from, to) {
		sum.add(c)
	}
	return sum
}

// in returns the bins that lie in a stretch of time as a whole.
func (b *bins) in(from, to int64) []bin {
	if b.list == nil {
		return nil
	}
	first := -floor(-from, b.width) - b.first // rounded up
	end := floor(to, b.width) - b.first
	first = min(max(first, 0), int64(len(b.list)))
	end = min(max(end, first), int64(len(b.list)))
	return b.list[first:end]
}

// track is what is kept of one series.
type track struct {
	name     string
	quantity Quantity
	bins     bins
	last     int64 // time of the newest value

	ended      int64 // readings at the end of the range
	firstEnded int64 // time of the first
	jumped     int64 // how many of them are flagged open
	shorted    int64 // and shorted

	values  int64 // that there are
	gone    int64 // readings missing in a row, up to now
	goneAt  int64 // time of the first of them
	without bool  // has been without a usable temperature to the end
	since   int64 // from when on
}

// unusual are flags of samples that say nothing about the channel's health.
const unusual = flag.ShuntOn | flag.Handled | flag.ExcitationOff

const ends = flag.Saturated | flag.Open | flag.Shorted

func (t *track) add(times []int64, values []float64, flags []uint32) {
	for i, at := range times {
		var m flag.Mask
		if flags != nil {
			m = flag.Mask(flags[i])
		}
		t.last = at
		if m&unusual != 0 {
			continue
		}
		v := values[i]
		absent := math.IsNaN(v)
		if flags != nil {
			absent = m&flag.Missing != 0
		}
		switch {
		case !absent:
			t.values++
			t.gone = 0
		case t.gone == 0:
			t.gone, t.goneAt = 1, at
		default:
			t.gone++
		}
		if without := m&(flag.TemperatureMissing|flag.TemperatureStale) != 0; without != t.without {
			t.without, t.since = without, at
		}
		b := t.bins.at(at)
		if b == nil {
			continue
		}
		if m&ends != 0 {
			t.end(at, m)
			b.ended++
			continue
		}
		if m&flag.LeavesOutOfSlowZero == 0 && !math.IsNaN(v) && !math.IsInf(v, 0) {
			b.sum += v
			b.good++
		}
	}
}

func (t *track) end(at int64, m flag.Mask) {
	if t.ended == 0 {
		t.firstEnded = at
	}
	t.ended++
	if m&flag.Open != 0 {
		t.jumped++
	}
	if m&flag.Shorted != 0 {
		t.shorted++
	}
}
