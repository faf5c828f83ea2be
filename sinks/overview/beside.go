package overview

import (
	"fmt"
	"os"

	"glueline/sinks/segment"
)

// Beside makes the pyramids of a sink's segments from the rows while these are in
// hand, so that none is read for it. It is a segment.Beside.
type Beside struct {
	cache  string
	failed func(error)
	making map[string]*making // by source
}

// NewBeside makes pyramids in folder cache, which is made. A pyramid that cannot be
// written is told to failed: whoever asks for it has it made from its segment.
func NewBeside(cache string, failed func(error)) (*Beside, error) {
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return nil, fmt.Errorf("overview: %w", err)
	}
	return &Beside{cache: cache, failed: failed, making: map[string]*making{}}, nil
}

// Append takes rows of the file that a source has in hand.
func (x *Beside) Append(source string, fields []segment.Field, b *segment.Batch) {
	m := x.making[source]
	if m == nil || &m.fields[0] != &fields[0] {
		m = newMaking(fields)
		x.making[source] = m
	}
	m.add(b)
}

// Commit writes the pyramid of a source's file.
func (x *Beside) Commit(source string, f segment.File) {
	m := x.making[source]
	if m == nil || int64(m.rows) != f.Rows {
		return
	}
	if err := m.write(x.cache, f); err != nil {
		x.failed(fmt.Errorf("overview of %s: %w", f.Name, err))
	}
	m.reset()
}

// Abort drops what is in hand.
func (x *Beside) Abort() {
	for _, m := range x.making {
		m.reset()
	}
}
