package segment

// Memory is what the writers of one source's files, one after the other, fill
// with rows: they take it over from each other, so that a cut allocates none.
// The zero value is ready to use, by one goroutine.
type Memory struct {
	kinds []Kind
	rows  int
	free  []*buffers
}

// take returns buffers for the fields, and allocates them where there are none.
func (m *Memory) take(fields []Field, rows int) *buffers {
	if !m.fits(fields, rows) {
		m.kinds, m.rows, m.free = kindsOf(fields), rows, nil
	}
	if n := len(m.free); n > 0 {
		b := m.free[n-1]
		m.free = m.free[:n-1]
		return b
	}
	return newBuffers(fields, rows)
}

// give takes buffers back that nobody uses any more.
func (m *Memory) give(fields []Field, rows int, b *buffers) {
	if b != nil && m.fits(fields, rows) {
		b.clear()
		m.free = append(m.free, b)
	}
}

func (m *Memory) fits(fields []Field, rows int) bool {
	if m.rows != rows || len(m.kinds) != len(fields) {
		return false
	}
	for i, f := range fields {
		if f.Kind != m.kinds[i] {
			return false
		}
	}
	return true
}

func kindsOf(fields []Field) []Kind {
	kinds := make([]Kind, len(fields))
	for i, f := range fields {
		kinds[i] = f.Kind
	}
	return kinds
}
