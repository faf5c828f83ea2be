package arrowipc

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/ipc"
	"github.com/apache/arrow-go/v18/arrow/memory"
)

// Writer writes an Arrow IPC file or stream. The same schema and batches give
// the same bytes.
type Writer struct {
	out    counter
	schema *arrow.Schema
	types  []arrow.DataType
	arrow  interface {
		Write(arrow.RecordBatch) error
		Close() error
	}
}

// counter counts what passes, so that the place of a batch is known.
type counter struct {
	w      io.Writer
	n      int64
	header []byte // written already, and to be swallowed when the library writes it
}

func (c *counter) Write(p []byte) (int, error) {
	swallowed := min(len(c.header), len(p))
	if !bytes.Equal(p[:swallowed], c.header[:swallowed]) {
		return 0, errors.New("the arrow library wrote two different headers for one schema")
	}
	c.header = c.header[swallowed:]
	n, err := c.w.Write(p[swallowed:])
	c.n += int64(n)
	return swallowed + n, err
}

// begin writes the header. The library writes it with the first batch only,
// which would then seem to begin where the file does; so it is made once for
// an empty file, whose end is cut off.
func (c *counter) begin(header []byte) error {
	n, err := c.w.Write(header)
	c.n, c.header = int64(n), header
	if err != nil {
		return fmt.Errorf("write arrow header: %w", err)
	}
	return nil
}

// NewFileWriter begins a file (with a footer, for random access) on w.
func NewFileWriter(w io.Writer, schema Schema) (*Writer, error) {
	out, err := newWriter(w, schema)
	if err != nil {
		return nil, err
	}
	var empty bytes.Buffer
	if out.arrow, err = ipc.NewFileWriter(&empty, ipc.WithSchema(out.schema)); err == nil {
		err = out.arrow.Close()
	}
	if err == nil {
		out.arrow, err = ipc.NewFileWriter(&out.out, ipc.WithSchema(out.schema))
	}
	if err != nil {
		return nil, fmt.Errorf("begin arrow file: %w", err)
	}
	// "ARROW1", two zeros, the continuation mark, the length of the schema
	// message, the message.
	const before = 16
	message := int(binary.LittleEndian.Uint32(empty.Bytes()[before-4:]))
	return out, out.out.begin(empty.Bytes()[:before+message])
}

// NewStreamWriter begins a stream (no footer) on w.
func NewStreamWriter(w io.Writer, schema Schema) (*Writer, error) {
	out, err := newWriter(w, schema)
	if err != nil {
		return nil, err
	}
	out.arrow = ipc.NewWriter(&out.out, ipc.WithSchema(out.schema))
	var empty bytes.Buffer
	if err := ipc.NewWriter(&empty, ipc.WithSchema(out.schema)).Close(); err != nil {
		return nil, fmt.Errorf("begin arrow stream: %w", err)
	}
	const end = 8 // continuation mark and a length of zero
	return out, out.out.begin(empty.Bytes()[:empty.Len()-end])
}

func newWriter(w io.Writer, schema Schema) (*Writer, error) {
	if err := hostCheck(); err != nil {
		return nil, err
	}
	out := &Writer{out: counter{w: w}}
	fields := make([]arrow.Field, len(schema.Fields))
	for i, f := range schema.Fields {
		t, err := arrowType(f)
		if err != nil {
			return nil, err
		}
		out.types = append(out.types, t)
		fields[i] = arrow.Field{Name: f.Name, Type: t, Nullable: f.Nullable, Metadata: arrowMetadata(f.Metadata)}
	}
	metadata := arrowMetadata(schema.Metadata)
	out.schema = arrow.NewSchema(fields, &metadata)
	return out, nil
}

func arrowType(f Field) (arrow.DataType, error) {
	switch f.Kind {
	case Timestamp:
		return &arrow.TimestampType{Unit: arrow.Nanosecond, TimeZone: f.Zone}, nil
	case Float64:
		return arrow.PrimitiveTypes.Float64, nil
	case Float32:
		return arrow.PrimitiveTypes.Float32, nil
	case Int32:
		return arrow.PrimitiveTypes.Int32, nil
	case Int16:
		return arrow.PrimitiveTypes.Int16, nil
	case Uint64:
		return arrow.PrimitiveTypes.Uint64, nil
	case Uint32:
		return arrow.PrimitiveTypes.Uint32, nil
	}
	return nil, fmt.Errorf("field %q has no kind", f.Name)
}

func arrowMetadata(m Metadata) arrow.Metadata {
	keys, values := make([]string, len(m)), make([]string, len(m))
	for i, pair := range m {
		keys[i], values[i] = pair[0], pair[1]
	}
	return arrow.NewMetadata(keys, values)
}

// Write appends a batch and says which bytes of the output it fills. The
// columns' memory is not kept.
func (w *Writer) Write(rows int, columns []Column) (offset, length int64, err error) {
	if len(columns) != len(w.types) {
		return 0, 0, fmt.Errorf("batch of %d columns for a schema of %d", len(columns), len(w.types))
	}
	arrays := make([]arrow.Array, len(columns))
	for i, c := range columns {
		if want := rows * w.types[i].(arrow.FixedWidthDataType).Bytes(); len(c.Data) != want {
			return 0, 0, fmt.Errorf("column %q has %d bytes, %d rows need %d", w.schema.Field(i).Name, len(c.Data), rows, want)
		}
		var validity *memory.Buffer
		if c.Nulls > 0 {
			if len(c.Validity) < (rows+7)/8 {
				return 0, 0, fmt.Errorf("column %q has a validity bitmap of %d bytes for %d rows", w.schema.Field(i).Name, len(c.Validity), rows)
			}
			validity = memory.NewBufferBytes(c.Validity[:(rows+7)/8])
		}
		data := array.NewData(w.types[i], rows, []*memory.Buffer{validity, memory.NewBufferBytes(c.Data)}, nil, c.Nulls, 0)
		arrays[i] = array.MakeFromData(data)
		data.Release()
	}
	batch := array.NewRecordBatch(w.schema, arrays, int64(rows))
	before := w.out.n
	err = w.arrow.Write(batch)
	batch.Release()
	for _, a := range arrays {
		a.Release()
	}
	if err != nil {
		return 0, 0, fmt.Errorf("write arrow batch: %w", err)
	}
	return before, w.out.n - before, nil
}

// Close writes the end of the file or stream; it does not close the output.
func (w *Writer) Close() error {
	if err := w.arrow.Close(); err != nil {
		return fmt.Errorf("end arrow file: %w", err)
	}
	return nil
}
