package live

import (
	"bytes"
	"fmt"
	"math"

	"glueline/pipeline/frame/arrowipc"
	"glueline/pipeline/group"
	"glueline/sinks/segment"
)

// largestMessage keeps a message of rows well below what brokers take, which is
// 1 MiB; a wide batch is sent in several.
const largestMessage = 512 << 10

// layout is how the rows of a source are sent.
type layout struct {
	schema   arrowipc.Schema
	rowBytes int
}

// newLayout is that of the source's segments, without the constants, which are
// the same in every message: the digest says which.
func newLayout(p *group.Plan, test, source string) (*layout, error) {
	fields, digest, err := segment.Layout(p, source)
	if err != nil {
		return nil, err
	}
	l := &layout{schema: arrowipc.Schema{Metadata: arrowipc.Metadata{
		{"test", test}, {"group", p.Name}, {"source", source}, {"calibration", digest},
	}}}
	for _, f := range fields {
		field := arrowipc.Field{Name: f.Name, Kind: arrowipc.Float64, Nullable: true}
		switch f.Kind {
		case segment.Time:
			field = arrowipc.Field{Name: f.Name, Kind: arrowipc.Timestamp, Resolution: 1, Zone: "UTC"}
		case segment.Counter:
			field = arrowipc.Field{Name: f.Name, Kind: arrowipc.Uint64}
		case segment.Flags:
			field = arrowipc.Field{Name: f.Name, Kind: arrowipc.Uint32}
		}
		if f.Unit != "" {
			field.Metadata = append(field.Metadata, [2]string{"unit", f.Unit})
		}
		for _, m := range f.Metadata {
			if m[0] != "constants" {
				field.Metadata = append(field.Metadata, m)
			}
		}
		l.schema.Fields = append(l.schema.Fields, field)
		l.rowBytes += field.Kind.Size()
	}
	return l, nil
}

// held is a copy of a batch on its way out.
type held struct {
	source  string
	layout  *layout
	time    []int64
	counter []uint64
	columns []group.Column
}

func (h *held) copy(b *group.Batch, l *layout) {
	h.source, h.layout = b.Source, l
	h.time = append(h.time[:0], b.Time[:b.Rows]...)
	h.counter = append(h.counter[:0], b.Counter[:b.Rows]...)
	for len(h.columns) < len(b.Columns) {
		h.columns = append(h.columns, group.Column{})
	}
	h.columns = h.columns[:len(b.Columns)]
	for i, c := range b.Columns {
		h.columns[i].Float = append(h.columns[i].Float[:0], c.Float...)
		h.columns[i].Flags = append(h.columns[i].Flags[:0], c.Flags...)
	}
}

// send encodes the rows as Arrow IPC streams of one batch and hands each on.
func (h *held) send(publish func([]byte) error) error {
	atOnce := max(1, largestMessage/h.layout.rowBytes)
	for from := 0; from < len(h.time); from += atOnce {
		text, err := h.encode(from, min(len(h.time), from+atOnce))
		if err == nil {
			err = publish(text)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (h *held) encode(from, to int) ([]byte, error) {
	columns := []arrowipc.Column{
		{Data: arrowipc.Bytes(h.time[from:to])},
		{Data: arrowipc.Bytes(h.counter[from:to])},
	}
	for i, f := range h.layout.schema.Fields[2:] {
		if f.Kind == arrowipc.Uint32 {
			columns = append(columns, arrowipc.Column{Data: arrowipc.Bytes(h.columns[i].Flags[from:to])})
			continue
		}
		values := h.columns[i].Float[from:to]
		c := arrowipc.Column{Data: arrowipc.Bytes(values)}
		c.Validity, c.Nulls = validity(values)
		columns = append(columns, c)
	}
	var out bytes.Buffer
	w, err := arrowipc.NewStreamWriter(&out, h.layout.schema)
	if err == nil {
		_, _, err = w.Write(to-from, columns)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		return nil, fmt.Errorf("rows of source %s: %w", h.source, err)
	}
	return out.Bytes(), nil
}

// validity is the bitmap of the values that are numbers; nil when all are.
func validity(values []float64) (bitmap []byte, nulls int) {
	for i, v := range values {
		if !math.IsNaN(v) {
			continue
		}
		if bitmap == nil {
			bitmap = bytes.Repeat([]byte{0xFF}, (len(values)+7)/8)
			if rest := len(values) & 7; rest > 0 {
				bitmap[len(bitmap)-1] = 1<<rest - 1
			}
		}
		bitmap[i>>3] &^= 1 << (i & 7)
		nulls++
	}
	return bitmap, nulls
}
