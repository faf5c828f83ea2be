package arrowipc

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/ipc"
	"github.com/apache/arrow-go/v18/arrow/memory"
)

// libraryFile writes a file or stream of every kind of column with the arrow
// library alone, in batches of the sizes given, and returns the records.
func libraryFile(t testing.TB, stream bool, options []ipc.Option, sizes ...int) ([]byte, []arrow.RecordBatch) {
	t.Helper()
	of := arrow.NewMetadata([]string{"unit", "b", "a"}, []string{"mV/V", "2", "1"})
	schema := arrow.NewSchema([]arrow.Field{
		{Name: "time", Type: &arrow.TimestampType{Unit: arrow.Microsecond, TimeZone: "UTC"}},
		{Name: "f64", Type: arrow.PrimitiveTypes.Float64, Nullable: true, Metadata: of},
		{Name: "f32", Type: arrow.PrimitiveTypes.Float32, Nullable: true},
		{Name: "i32", Type: arrow.PrimitiveTypes.Int32, Nullable: true},
		{Name: "i16", Type: arrow.PrimitiveTypes.Int16, Nullable: true},
		{Name: "u64", Type: arrow.PrimitiveTypes.Uint64},
		{Name: "u32", Type: arrow.PrimitiveTypes.Uint32},
	}, &of)
	var out bytes.Buffer
	var w interface {
		Write(arrow.RecordBatch) error
		Close() error
	}
	options = append(options, ipc.WithSchema(schema))
	if stream {
		w = ipc.NewWriter(&out, options...)
	} else {
		var err error
		if w, err = ipc.NewFileWriter(&out, options...); err != nil {
			t.Fatal(err)
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	var records []arrow.RecordBatch
	for _, rows := range sizes {
		b := array.NewRecordBuilder(memory.DefaultAllocator, schema)
		valid := func() []bool {
			v := make([]bool, rows)
			for i := range v {
				v[i] = random.IntN(4) > 0
			}
			return v
		}
		var times []arrow.Timestamp
		var f64 []float64
		var f32 []float32
		var i32 []int32
		var i16 []int16
		var u64 []uint64
		var u32 []uint32
		for i := range rows {
			times = append(times, arrow.Timestamp(i))
			f64, f32 = append(f64, random.NormFloat64()), append(f32, random.Float32())
			i32, i16 = append(i32, random.Int32()), append(i16, int16(random.Int32()))
			u64, u32 = append(u64, random.Uint64()), append(u32, random.Uint32())
		}
		b.Field(0).(*array.TimestampBuilder).AppendValues(times, nil)
		b.Field(1).(*array.Float64Builder).AppendValues(f64, valid())
		b.Field(2).(*array.Float32Builder).AppendValues(f32, valid())
		b.Field(3).(*array.Int32Builder).AppendValues(i32, valid())
		b.Field(4).(*array.Int16Builder).AppendValues(i16, nil)
		b.Field(5).(*array.Uint64Builder).AppendValues(u64, nil)
		b.Field(6).(*array.Uint32Builder).AppendValues(u32, nil)
		record := b.NewRecordBatch()
		records = append(records, record)
		if err := w.Write(record); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes(), records
}

// The library writes, our reader reads.
func TestReadsWhatTheLibraryWrites(t *testing.T) {
	for _, stream := range []bool{false, true} {
		text, records := libraryFile(t, stream, nil, 10, 0, 1, 777)
		path := filepath.Join(t.TempDir(), "f.arrow")
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
		mapped, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		parsed, err := Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		onDisk, err := open(onDisk{f: bytes.NewReader(text), n: int64(len(text)), c: nothing{}})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range []*File{mapped, parsed, onDisk} {
			unit, _ := f.Schema.Fields[1].Metadata.Get("unit")
			if time := f.Schema.Fields[0]; unit != "mV/V" || time.Resolution != 1000 || time.Zone != "UTC" || time.Nullable || !f.Schema.Fields[1].Nullable {
				t.Errorf("schema %+v", f.Schema)
			}
			if !slices.Equal(f.Schema.Metadata, Metadata{{"unit", "mV/V"}, {"b", "2"}, {"a", "1"}}) {
				t.Errorf("metadata %v: another order", f.Schema.Metadata)
			}
			if f.Batches() != len(records) {
				t.Fatalf("%d batches, want %d", f.Batches(), len(records))
			}
			var b Batch
			for i, record := range records {
				if err := f.Read(&b, i); err != nil {
					t.Fatal(err)
				}
				if b.Rows != int(record.NumRows()) {
					t.Fatalf("%d rows, want %d", b.Rows, record.NumRows())
				}
				for j, c := range b.Columns {
					want := record.Column(j)
					if c.Nulls != want.NullN() {
						t.Errorf("column %d: %d nulls, want %d", j, c.Nulls, want.NullN())
					}
					for row := range b.Rows {
						if c.Valid(row) != want.IsValid(row) {
							t.Fatalf("column %d row %d: valid %v", j, row, c.Valid(row))
						}
					}
				}
				if !slices.Equal(Values[float64](b.Columns[1].Data), record.Column(1).(*array.Float64).Float64Values()) ||
					!slices.Equal(Values[float32](b.Columns[2].Data), record.Column(2).(*array.Float32).Float32Values()) ||
					!slices.Equal(Values[int32](b.Columns[3].Data), record.Column(3).(*array.Int32).Int32Values()) ||
					!slices.Equal(Values[int16](b.Columns[4].Data), record.Column(4).(*array.Int16).Int16Values()) ||
					!slices.Equal(Values[uint64](b.Columns[5].Data), record.Column(5).(*array.Uint64).Uint64Values()) ||
					!slices.Equal(Values[uint32](b.Columns[6].Data), record.Column(6).(*array.Uint32).Uint32Values()) {
					t.Errorf("batch %d has other values", i)
				}
			}
			if err := errors.Join(f.Close(), f.Close()); err != nil {
				t.Error(err)
			}
		}
	}
}

type nothing struct{}

func (nothing) Close() error { return nil }

// Our writer writes, the library reads; and the place of each batch is right.
func TestTheLibraryReadsWhatIsWritten(t *testing.T) {
	var out bytes.Buffer
	schema := Schema{Metadata: Metadata{{"z", "1"}, {"a", "2"}}, Fields: []Field{
		{Name: "time", Kind: Timestamp, Zone: "UTC"},
		{Name: "x", Kind: Float64, Nullable: true, Metadata: Metadata{{"unit", "m/m"}}},
	}}
	w, err := NewFileWriter(&out, schema)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		before := out.Len()
		offset, length, err := w.Write(3, []Column{{Data: Bytes([]int64{1, 2, 3})}, {Data: Bytes([]float64{1, math.NaN(), 3}), Validity: []byte{5}, Nulls: 1}})
		if err != nil {
			t.Fatal(err)
		}
		if offset != int64(before) || length != int64(out.Len()-before) {
			t.Errorf("batch %d at %d+%d, written at %d+%d", i, offset, length, before, out.Len()-before)
		}
	}
	if _, _, err := w.Write(3, []Column{{Data: make([]byte, 24)}, {Data: make([]byte, 23)}}); err == nil {
		t.Error("a column that is too short is accepted")
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := ipc.NewFileReader(bytes.NewReader(out.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	for i := range r.NumRecords() {
		record, err := r.RecordBatch(i)
		if err != nil {
			t.Fatal(err)
		}
		x := record.Column(1).(*array.Float64)
		if x.NullN() != 1 || !x.IsNull(1) || x.Value(0) != 1 || x.Value(2) != 3 {
			t.Errorf("batch %d: %v", i, x)
		}
	}
	if r.NumRecords() != 3 || r.Schema().Metadata().Keys()[0] != "z" {
		t.Errorf("%d batches, metadata %v", r.NumRecords(), r.Schema().Metadata())
	}
}

func TestOtherFormsAreRefused(t *testing.T) {
	file := func(field arrow.Field, value func(array.Builder), options ...ipc.Option) []byte {
		schema := arrow.NewSchema([]arrow.Field{field}, nil)
		b := array.NewRecordBuilder(memory.DefaultAllocator, schema)
		value(b.Field(0))
		var out bytes.Buffer
		w, err := ipc.NewFileWriter(&out, append(options, ipc.WithSchema(schema))...)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.Write(b.NewRecordBatch()), w.Close()); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	compressed, _ := libraryFile(t, false, []ipc.Option{ipc.WithZstd()}, 1000)
	for name, text := range map[string][]byte{
		"text":       file(arrow.Field{Name: "s", Type: arrow.BinaryTypes.String}, func(b array.Builder) { b.(*array.StringBuilder).Append("x") }),
		"list":       file(arrow.Field{Name: "l", Type: arrow.ListOf(arrow.PrimitiveTypes.Float64)}, func(b array.Builder) { b.AppendNull() }),
		"dictionary": file(arrow.Field{Name: "d", Type: &arrow.DictionaryType{IndexType: arrow.PrimitiveTypes.Int32, ValueType: arrow.PrimitiveTypes.Float64}}, func(b array.Builder) { b.AppendNull() }),
		"bool":       file(arrow.Field{Name: "b", Type: arrow.FixedWidthTypes.Boolean}, func(b array.Builder) { b.AppendNull() }),
		"int64":      file(arrow.Field{Name: "i", Type: arrow.PrimitiveTypes.Int64}, func(b array.Builder) { b.AppendNull() }),
		"float16":    file(arrow.Field{Name: "h", Type: arrow.FixedWidthTypes.Float16}, func(b array.Builder) { b.AppendNull() }),
		"compressed": compressed,
	} {
		f, err := Parse(text)
		if err == nil {
			err = f.Read(&Batch{}, 0)
		}
		if !errors.Is(err, ErrUnsupported) {
			t.Errorf("%s: %v, want ErrUnsupported", name, err)
		}
	}
}

// touch reads everything that a file offers.
func touch(t *testing.T, text []byte) error {
	f, err := Parse(text)
	if err != nil {
		return err
	}
	defer f.Close()
	var b Batch
	for i := range f.Batches() {
		if err := f.Read(&b, i); err != nil {
			return err
		}
		for j, c := range b.Columns {
			size := f.Schema.Fields[j].Kind.Size()
			if len(c.Data) != b.Rows*size {
				t.Fatalf("column %d has %d bytes for %d rows", j, len(c.Data), b.Rows)
			}
			nulls := 0
			for row := range b.Rows {
				if !c.Valid(row) {
					nulls++
				}
				if c.Data[row*size] == 1 {
					continue
				}
			}
			if nulls != c.Nulls {
				t.Fatalf("column %d has %d nulls and says %d", j, nulls, c.Nulls)
			}
		}
	}
	return nil
}

func TestDamagedFilesAreErrors(t *testing.T) {
	for _, stream := range []bool{false, true} {
		text, _ := libraryFile(t, stream, nil, 20, 30)
		for at := range text {
			for _, flip := range []byte{1, 0x80, 0xFF} {
				damaged := slices.Clone(text)
				damaged[at] ^= flip
				if err := touch(t, damaged); err != nil && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnsupported) {
					t.Fatalf("byte %d: %v", at, err)
				}
			}
		}
		for at := range text {
			err := touch(t, text[:at])
			// A stream may end behind any of its messages.
			if err == nil && !stream {
				t.Fatalf("cut off at %d: no error", at)
			}
			if err != nil && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnsupported) {
				t.Fatalf("cut off at %d: %v", at, err)
			}
		}
		random := rand.New(rand.NewPCG(9, 9))
		for range 20_000 {
			damaged := slices.Clone(text)
			for range 1 + random.IntN(8) {
				damaged[random.IntN(len(damaged))] = byte(random.Uint32())
			}
			_ = touch(t, damaged) // must not panic, nor ask for memory without end
		}
	}
}

func FuzzArrow(f *testing.F) {
	for _, stream := range []bool{false, true} {
		text, _ := libraryFile(f, stream, nil, 3, 5)
		f.Add(text)
	}
	compressed, _ := libraryFile(f, false, []ipc.Option{ipc.WithZstd()}, 100)
	f.Add(compressed)
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := touch(t, text); err != nil && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnsupported) {
			t.Fatalf("%v is neither ErrDamaged nor ErrUnsupported", err)
		}
	})
}

func TestUnalignedValuesAreCopied(t *testing.T) {
	want := []float64{1, 2, 3}
	room := make([]byte, 8*len(want)+1)
	for shift := range 2 {
		copy(room[shift:], Bytes(want))
		if got := Values[float64](room[shift : shift+24]); !slices.Equal(got, want) {
			t.Errorf("shifted by %d: %v", shift, got)
		}
	}
}
