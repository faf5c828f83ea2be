package segment

import (
	"math"

	"glueline/pipeline/frame/arrowipc"
)

// buffers is the memory of one batch of the file.
type buffers struct {
	rows    int
	time    []int64
	counter []uint64
	columns []columnBuffer
	out     []arrowipc.Column
}

type columnBuffer struct {
	float    []float64
	flags    []uint32
	counts   []int32
	validity []byte
	nulls    int
}

func newBuffers(fields []Field, rows int) *buffers {
	b := &buffers{
		time:    make([]int64, rows),
		counter: make([]uint64, rows),
		columns: make([]columnBuffer, len(fields)-2),
		out:     make([]arrowipc.Column, len(fields)),
	}
	for i := range b.columns {
		switch fields[i+2].Kind {
		case Float:
			b.columns[i] = columnBuffer{float: make([]float64, rows)}
		case Counts:
			b.columns[i] = columnBuffer{counts: make([]int32, rows)}
		default:
			b.columns[i] = columnBuffer{flags: make([]uint32, rows)}
		}
	}
	return b
}

// add copies rows from..to of a batch behind those that are there.
func (b *buffers) add(in *Batch, from, to int) {
	copy(b.time[b.rows:], in.Time[from:to])
	copy(b.counter[b.rows:], in.Counter[from:to])
	for i := range b.columns {
		c := &b.columns[i]
		switch {
		case c.flags != nil:
			copy(c.flags[b.rows:], in.Columns[i].Flags[from:to])
		case c.counts != nil:
			copy(c.counts[b.rows:], in.Columns[i].Counts[from:to])
			if valid := in.Columns[i].Valid; valid != nil {
				c.invalidate(valid[from:to], b.rows)
			}
		default:
			c.add(in.Columns[i].Float[from:to], b.rows)
		}
	}
	b.rows += to - from
}

// add copies values to row at and on. Most stretches have no nulls; those that
// have are gone over again for the bitmap.
func (c *columnBuffer) add(in []float64, at int) {
	out := c.float[at : at+len(in)]
	nulls := 0
	for i, v := range in {
		out[i] = v
		if v != v {
			nulls++
		}
	}
	if nulls == 0 {
		return
	}
	for i, v := range out {
		if v != v {
			out[i] = math.NaN() // one form, whatever the bits were: the same results give the same bytes
			c.null(at + i)
		}
	}
}

// invalidate makes null what is not valid from row at on.
func (c *columnBuffer) invalidate(valid []bool, at int) {
	for i, ok := range valid {
		if !ok {
			c.counts[at+i] = 0
			c.null(at + i)
		}
	}
}

// null makes one row null.
func (c *columnBuffer) null(row int) {
	if c.nulls == 0 {
		if c.validity == nil {
			c.validity = make([]byte, (len(c.float)+len(c.counts)+7)/8)
		}
		for i := range c.validity {
			c.validity[i] = 0xFF
		}
	}
	c.nulls++
	c.validity[row>>3] &^= 1 << (row & 7)
}

// batch is the buffers as columns of the file.
func (b *buffers) batch() []arrowipc.Column {
	b.out[0] = arrowipc.Column{Data: arrowipc.Bytes(b.time[:b.rows])}
	b.out[1] = arrowipc.Column{Data: arrowipc.Bytes(b.counter[:b.rows])}
	for i := range b.columns {
		c := &b.columns[i]
		if c.flags != nil {
			b.out[i+2] = arrowipc.Column{Data: arrowipc.Bytes(c.flags[:b.rows])}
			continue
		}
		if c.counts != nil {
			b.out[i+2] = arrowipc.Column{Data: arrowipc.Bytes(c.counts[:b.rows])}
		} else {
			b.out[i+2] = arrowipc.Column{Data: arrowipc.Bytes(c.float[:b.rows])}
		}
		if c.nulls > 0 {
			bitmap := c.validity[:(b.rows+7)/8]
			if rest := b.rows & 7; rest > 0 {
				bitmap[len(bitmap)-1] &= 1<<rest - 1
			}
			b.out[i+2].Validity, b.out[i+2].Nulls = bitmap, c.nulls
		}
	}
	return b.out
}

func (b *buffers) clear() {
	b.rows = 0
	for i := range b.columns {
		b.columns[i].nulls = 0
	}
}
