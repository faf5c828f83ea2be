package group

// Batch is a run of reduced rows of one source. Its columns are those of
// Plan.Fields; its buffers are reused from frame to frame.
type Batch struct {
	Source  string
	Rows    int
	Time    []int64 // ns since 1970 UTC
	Counter []uint64
	Columns []Column
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
	if len(b.Columns) != len(fields) {
		b.Columns = make([]Column, len(fields))
	}
	for i, f := range fields {
		if f.Kind == Flags {
			b.Columns[i].Flags, b.Columns[i].Float = grow(b.Columns[i].Flags, rows), nil
		} else {
			b.Columns[i].Float, b.Columns[i].Flags = grow(b.Columns[i].Float, rows), nil
		}
	}
}

func grow[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/4)
	}
	return s[:n]
}
