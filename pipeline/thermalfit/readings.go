package thermalfit

import (
	"cmp"
	"math"
	"slices"
	"time"
)

const (
	narrowest = int64(time.Minute) // of the stretches that means are taken over
	mostCells = 1 << 16            // of all series; above it the stretches are doubled
)

// Cell is the mean of the readings of one stretch of time.
type Cell struct {
	Index       int64   // counts the stretches from 1970-01-01 UTC
	Temperature float64 // degC
	Value       float64 // what is fitted
	Readings    int

	sumT, sumV float64
}

// Series are readings that share an unknown offset: of one channel, counted from
// one zero.
type Series struct {
	Channel string
	cells   []Cell
}

// Readings are the means of all series over stretches of one length, which is
// doubled whenever there are too many. The zero value is ready.
type Readings struct {
	series []*Series
	width  int64 // ns
	cells  int
	most   int // tests set it; mostCells when 0
}

// Begin begins a series of a channel.
func (r *Readings) Begin(channel string) *Series {
	if r.width == 0 {
		r.width = narrowest
	}
	s := &Series{Channel: channel}
	r.series = append(r.series, s)
	return s
}

// Width is the length of the stretches.
func (r *Readings) Width() time.Duration { return time.Duration(r.width) }

// Add takes a reading of a series: time in ns since 1970 UTC, temperature in
// degC. What is not finite is passed over. Time may go back.
func (r *Readings) Add(s *Series, at int64, temperature, value float64) {
	if d := temperature + value; math.IsNaN(d) || math.IsInf(d, 0) {
		return
	}
	index := floor(at, r.width)
	i := len(s.cells) - 1
	if i < 0 || s.cells[i].Index != index {
		var found bool
		if i, found = len(s.cells), false; i > 0 && s.cells[i-1].Index > index {
			i, found = slices.BinarySearchFunc(s.cells, index, func(c Cell, index int64) int { return cmp.Compare(c.Index, index) })
		}
		if !found {
			s.cells = slices.Insert(s.cells, i, Cell{Index: index})
			r.cells++
		}
	}
	c := &s.cells[i]
	c.Readings++
	c.sumT += temperature
	c.sumV += value
	// Series that hold one mean each cannot be made fewer.
	for most := cmp.Or(r.most, mostCells); r.cells > max(most, 2*len(r.series)); {
		r.widen()
	}
}

// widen doubles the stretches.
func (r *Readings) widen() {
	r.width *= 2
	r.cells = 0
	for _, s := range r.series {
		kept := s.cells[:0]
		for _, c := range s.cells {
			c.Index = floor(c.Index, 2)
			if n := len(kept); n > 0 && kept[n-1].Index == c.Index {
				k := &kept[n-1]
				k.Readings += c.Readings
				k.sumT += c.sumT
				k.sumV += c.sumV
				continue
			}
			kept = append(kept, c)
		}
		s.cells = kept
		r.cells += len(kept)
	}
}

// Each visits the means of every series, in order of time within one.
func (r *Readings) Each(visit func(s *Series, c Cell)) {
	for _, s := range r.series {
		for _, c := range s.cells {
			visit(s, c.mean())
		}
	}
}

func (c Cell) mean() Cell {
	n := float64(c.Readings)
	return Cell{Index: c.Index, Temperature: c.sumT / n, Value: c.sumV / n, Readings: c.Readings}
}

// floor is a/b rounded down.
func floor(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
