package group

// Batch is a run of reduced rows of one source. Its columns are those of
// Plan.Fields; its buffers are reused from frame to frame.
type Batch struct {
	Source  string
	Rows    int
	Time    []int64 // ns since 1970 UTC
	Counter []uint64
	Columns []Column

	buffers []Column // both forms of every column: sources of other fields take turns
}

// Column is one column of a batch: Float where its field is a Number, else Flags.
type Column struct {
	Float []float64
	Flags []uint32
}

// reset makes room for rows of the given fields.
func (b *Batch) reset(source string, fields []Field, rows int) {
	b.Source, b.Rows = source, rows
	b.Time = grow(b.Time, rows)
	b.Counter = grow(b.Counter, rows)
	for len(b.buffers) < len(fields) {
		b.buffers = append(b.buffers, Column{})
	}
	b.Columns = b.Columns[:0]
	for i := range fields {
		buffer := &b.buffers[i]
		if fields[i].Kind == Flags {
			buffer.Flags = grow(buffer.Flags, rows)
			b.Columns = append(b.Columns, Column{Flags: buffer.Flags})
		} else {
			buffer.Float = grow(buffer.Float, rows)
			b.Columns = append(b.Columns, Column{Float: buffer.Float})
		}
	}
}

func grow[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/4)
	}
	return s[:n]
}
