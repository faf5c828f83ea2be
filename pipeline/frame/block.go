package frame

import (
	"sync"
	"sync/atomic"
)

// block is a run of rows that frames are views of. It goes back to its pool
// when its last frame is released, and to the garbage collector when one never
// is: forgetting Release costs speed, not correctness.
type block struct {
	pool *blockPool
	uses atomic.Int32

	time    []int64 // what it shows now, of its own memory or of a file
	columns []Column

	ownTime   []int64 // as many rows as a block of the pool has
	ownFloat  [][]float64
	ownCounts [][]int32
	ownValid  [][]bool
}

// blockPool hands out the blocks and frames of one source.
type blockPool struct {
	rows   int // capacity of a block
	blocks sync.Pool
	frames sync.Pool
}

func (p *blockPool) get(columns int) *block {
	b, _ := p.blocks.Get().(*block)
	if b == nil {
		b = &block{
			pool:      p,
			ownFloat:  make([][]float64, columns),
			ownCounts: make([][]int32, columns),
			ownValid:  make([][]bool, columns),
		}
	}
	b.uses.Store(1)
	return b
}

// own gives the block memory of its own for the times and, in the form that
// each column has, the readings.
func (b *block) own(columns []Column) {
	b.ownTimes()
	for i, c := range columns {
		if c.Counts != nil {
			b.ownCount(i)
		} else {
			b.ownFloats(i)
		}
	}
	b.columns = append(b.columns[:0], columns...)
}

func (b *block) ownTimes() []int64 {
	if b.ownTime == nil {
		b.ownTime = make([]int64, b.pool.rows)
	}
	return b.ownTime
}

func (b *block) ownFloats(i int) []float64 {
	if b.ownFloat[i] == nil {
		b.ownFloat[i] = make([]float64, b.pool.rows)
	}
	return b.ownFloat[i]
}

func (b *block) ownCount(i int) []int32 {
	if b.ownCounts[i] == nil {
		b.ownCounts[i] = make([]int32, b.pool.rows)
	}
	return b.ownCounts[i]
}

func (b *block) ownValids(i int) []bool {
	if b.ownValid[i] == nil {
		b.ownValid[i] = make([]bool, b.pool.rows)
	}
	return b.ownValid[i]
}

// show makes the first rows of its own memory what it shows.
func (b *block) show(rows int) {
	b.time = b.ownTime[:rows]
	for i := range b.columns {
		c := &b.columns[i]
		if c.Counts != nil {
			c.Counts = b.ownCounts[i][:rows]
		} else {
			c.Float = b.ownFloat[i][:rows]
		}
	}
}

// view is a frame of some of its rows.
func (b *block) view(from, to int) *Frame {
	f, _ := b.pool.frames.Get().(*Frame)
	if f == nil {
		f = &Frame{Columns: make([]Column, 0, len(b.columns))}
	}
	f.from = b
	b.uses.Add(1)
	f.Time = b.time[from:to]
	f.Columns = f.Columns[:len(b.columns)]
	for i := range b.columns {
		f.Columns[i] = b.columns[i].Slice(from, to)
	}
	return f
}

// split takes the first rows, which are so many frames, off a view.
func (f *Frame) split(rows int, frames uint64) *Frame {
	b := f.from
	first, _ := b.pool.frames.Get().(*Frame)
	if first == nil {
		first = new(Frame)
	}
	columns := first.Columns[:0]
	*first = *f
	first.Time = f.Time[:rows]
	b.uses.Add(1)
	for i, c := range f.Columns {
		columns = append(columns, c.Slice(0, rows))
		f.Columns[i] = c.Slice(rows, len(f.Time))
	}
	first.Columns = columns
	f.Time = f.Time[rows:]
	f.Number += frames
	f.Counter += uint64(rows)
	return first
}

func (b *block) release() {
	if b.uses.Add(-1) == 0 {
		b.time = nil
		b.pool.blocks.Put(b)
	}
}

// Release gives the frame's memory back to the reader that made it; neither
// the frame nor its columns may be used afterwards. A frame that is never
// released stays valid until its reader is closed, and costs the reader new
// memory for the next ones. It does nothing for a frame that no reader made.
func (f *Frame) Release() {
	b := f.from
	if b == nil {
		return
	}
	f.from = nil
	pool := b.pool
	b.release()
	pool.frames.Put(f)
}
