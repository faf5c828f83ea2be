package export

import (
	"fmt"
	"io"
	"reflect"

	"github.com/parquet-go/parquet-go"
)

// parquetTable writes Apache Parquet.
type parquetTable struct {
	out     io.Writer
	w       *parquet.GenericWriter[any]
	columns []Column
	values  [][]parquet.Value // by column, of the row group that is being gathered
	rows    int
	most    int // rows of a row group
}

// Parquet is a table in Apache Parquet, uncompressed: time is a timestamp in
// nanoseconds, UTC; values are doubles, null where there is none; flags and counts
// are whole numbers. Rows are gathered until their values take about 30 MB.
func Parquet(w io.Writer) Table { return &parquetTable{out: w} }

// Values that are held at a time, of 24 bytes each.
const heldValues = 1 << 20

// Begin makes the schema.
func (t *parquetTable) Begin(columns []Column) error {
	t.columns = columns
	fields := make([]parquet.Field, len(columns))
	for i, c := range columns {
		var n parquet.Node
		switch c.Kind {
		case Time:
			n = parquet.Encoded(parquet.Timestamp(parquet.Nanosecond), &parquet.DeltaBinaryPacked)
		case Count:
			n = parquet.Encoded(parquet.Leaf(parquet.Int64Type), &parquet.DeltaBinaryPacked)
		case Flags:
			n = parquet.Encoded(parquet.Uint(32), &parquet.RLEDictionary)
		default:
			n = parquet.Optional(parquet.Encoded(parquet.Leaf(parquet.DoubleType), &parquet.Plain))
		}
		fields[i] = &namedField{n, c.Name}
	}
	t.w = parquet.NewGenericWriter[any](t.out, parquet.NewSchema("glueline", &inOrder{parquet.Group{}, fields}), parquet.CreatedBy("glueline", "", ""))
	t.most = max(heldValues/len(columns), 1)
	t.values = make([][]parquet.Value, len(columns))
	return nil
}

// Row keeps a row until there are enough.
func (t *parquetTable) Row(whole []int64, values []float64) error {
	for i, c := range t.columns {
		var v parquet.Value
		switch {
		case c.Kind == Value:
			if x := values[0]; x == x {
				v = parquet.DoubleValue(x).Level(0, 1, i)
			} else {
				v = parquet.NullValue().Level(0, 0, i)
			}
			values = values[1:]
		case c.Kind == Flags:
			v = parquet.Int32Value(int32(uint32(whole[0]))).Level(0, 0, i)
			whole = whole[1:]
		default:
			v = parquet.Int64Value(whole[0]).Level(0, 0, i)
			whole = whole[1:]
		}
		t.values[i] = append(t.values[i], v)
	}
	if t.rows++; t.rows < t.most {
		return nil
	}
	return t.flush()
}

// flush writes a row group.
func (t *parquetTable) flush() error {
	if t.rows == 0 {
		return nil
	}
	for i, c := range t.w.ColumnWriters() {
		if _, err := c.WriteRowValues(t.values[i]); err != nil {
			return fmt.Errorf("write Parquet: %s: %w", t.columns[i].Name, err)
		}
		t.values[i] = t.values[i][:0]
	}
	t.rows = 0
	if err := t.w.Flush(); err != nil {
		return fmt.Errorf("write Parquet: %w", err)
	}
	return nil
}

// Close writes the last row group and the footer.
func (t *parquetTable) Close(about [][2]string) error {
	if err := t.flush(); err != nil {
		return err
	}
	for _, m := range about {
		t.w.SetKeyValueMetadata(m[0], m[1])
	}
	if err := t.w.Close(); err != nil {
		return fmt.Errorf("write Parquet: %w", err)
	}
	return nil
}

// inOrder is a group whose fields stay in the order in which they are given; the
// library's own sorts them by name.
type inOrder struct {
	parquet.Group
	fields []parquet.Field
}

func (g *inOrder) Fields() []parquet.Field { return g.fields }

// GoType is asked for, and not used: rows are written column by column.
func (g *inOrder) GoType() reflect.Type { return reflect.TypeFor[struct{}]() }

type namedField struct {
	parquet.Node
	name string
}

func (f *namedField) Name() string { return f.name }

// Value is asked for by what reads rows from Go values, which nothing here does.
func (f *namedField) Value(reflect.Value) reflect.Value { return reflect.Value{} }
