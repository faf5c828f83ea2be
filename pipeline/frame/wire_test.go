package frame

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/ipc"
	"github.com/apache/arrow-go/v18/arrow/memory"
)

func wireFrame(rows int) *Frame {
	f := &Frame{Source: "gate", Boot: "b1", Number: 7, Counter: 7000, Counted: true, Columns: []Column{
		{Name: "A1", Unit: "mV/V", Float: make([]float64, rows)},
		{Name: "A2", Unit: "", Counts: make([]int32, rows)},
		{Name: "level", Unit: "m", Float: make([]float64, rows)},
	}}
	for i := range rows {
		f.Time = append(f.Time, 1_777_000_000_000_000_000+int64(i)*1_000_000)
		f.Columns[0].Float[i] = 0.25 * float64(i)
		f.Columns[1].Counts[i] = int32(i - 5)
		f.Columns[2].Float[i] = -float64(i)
	}
	return f
}

// sameFrame compares with NaN equal to NaN and without the memory's owner.
func sameFrame(t *testing.T, got, want *Frame) {
	t.Helper()
	same := HeaderOf(got) == HeaderOf(want) && slices.Equal(got.Time, want.Time) &&
		slices.EqualFunc(got.Columns, want.Columns, func(a, b Column) bool {
			return a.Name == b.Name && a.Unit == b.Unit && (a.Float == nil) == (b.Float == nil) &&
				slices.EqualFunc(a.Float, b.Float, func(x, y float64) bool {
					return math.Float64bits(x) == math.Float64bits(y) || x != x && y != y
				}) && slices.Equal(a.Counts, b.Counts) && sameValid(a, b)
		})
	if !same {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
}

// sameValid says whether the same readings are there; what a missing count's
// bits are is not part of it.
func sameValid(a, b Column) bool {
	for row := range a.Counts {
		if (a.Valid == nil || a.Valid[row]) != (b.Valid == nil || b.Valid[row]) {
			return false
		}
	}
	return true
}

func mustEncode(t testing.TB, f *Frame) []byte {
	t.Helper()
	payload, err := EncodeWire(nil, f)
	if err != nil {
		t.Fatal(err)
	}
	return payload
}

func TestWireRoundTrip(t *testing.T) {
	missing := wireFrame(19)
	missing.Columns[0].Float[0], missing.Columns[0].Float[18] = math.NaN(), math.Float64frombits(0x7FF0_0000_0000_0123)
	missing.Columns[1].Valid = slices.Repeat([]bool{true}, 19)
	missing.Columns[1].Valid[8] = false
	infinite := wireFrame(3)
	infinite.Columns[2].Float[1] = math.Inf(-1)
	for name, f := range map[string]*Frame{"one row": wireFrame(1), "many": wireFrame(1000), "missing readings": missing, "infinite": infinite} {
		t.Run(name, func(t *testing.T) {
			payload := mustEncode(t, f)
			d := NewWireDecoder([]string{"gate"})
			got, err := d.Decode(payload, HeaderOf(f))
			if err != nil {
				t.Fatal(err)
			}
			sameFrame(t, got, f)
			// The same bytes, wherever they stand in memory.
			for shift := 1; shift < 8; shift++ {
				moved := append(make([]byte, shift, shift+len(payload)), payload...)[shift:]
				got, err := d.Decode(moved, HeaderOf(f))
				if err != nil {
					t.Fatal(err)
				}
				sameFrame(t, got, f)
				got.Release()
			}
		})
	}
}

func TestAlignedColumnsAreViews(t *testing.T) {
	f := wireFrame(1000)
	payload := mustEncode(t, f)
	d := NewWireDecoder([]string{"gate"})
	if _, err := d.Decode(payload, HeaderOf(f)); err != nil || d.copied != 0 {
		t.Errorf("copied %d bytes of an aligned payload, error %v", d.copied, err)
	}
	moved := append(make([]byte, 4, 4+len(payload)), payload...)[4:]
	if _, err := d.Decode(moved, HeaderOf(f)); err != nil || d.copied != 1000*(8+8+8) {
		t.Errorf("copied %d bytes of a payload aligned for int32 only, error %v", d.copied, err)
	}
}

// What a frame's bytes are depends on the frame alone.
func TestEncodingIsDeterministic(t *testing.T) {
	a, b := wireFrame(50), wireFrame(50)
	b.Columns[0].Float[3] = math.NaN()
	b.Columns[2].Name = "other"
	var e WireEncoder
	var dst []byte
	for i, f := range []*Frame{a, b, b, a, a, b} {
		before := len(dst)
		var err error
		if dst, err = e.Append(dst, f); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(dst[before:], mustEncode(t, f)) {
			t.Errorf("frame %d differs from the same frame encoded alone", i)
		}
	}
}

func TestDecodingAllocatesNothingPerSample(t *testing.T) {
	f := wireFrame(8000)
	payload := mustEncode(t, f)
	d := NewWireDecoder([]string{"gate"})
	for _, shift := range []int{0, 1} {
		moved := append(make([]byte, shift, shift+len(payload)), payload...)[shift:]
		allocations := testing.AllocsPerRun(100, func() {
			got, err := d.Decode(moved, HeaderOf(f))
			if err != nil {
				t.Fatal(err)
			}
			got.Release()
		})
		if allocations > 2 { // a pool may be emptied meanwhile
			t.Errorf("shifted by %d: %v allocations a frame", shift, allocations)
		}
	}
}

func TestCounterIsCountedWhereNotStated(t *testing.T) {
	d := NewWireDecoder([]string{"gate"})
	payload := mustEncode(t, wireFrame(10))
	for _, step := range []struct {
		h    Header
		want uint64
	}{
		{Header{Source: "gate", Boot: "x", Number: 0}, 0},
		{Header{Source: "gate", Boot: "x", Number: 1}, 10},
		{Header{Source: "gate", Boot: "x", Number: 2, Counter: 500, HasCounter: true}, 500},
		{Header{Source: "gate", Boot: "x", Number: 3}, 510},
		{Header{Source: "gate", Boot: "y", Number: 0}, 0},
	} {
		got, err := d.Decode(payload, step.h)
		if err != nil || got.Counter != step.want {
			t.Errorf("%+v: counter %v, want %d (%v)", step.h, got.Counter, step.want, err)
		}
	}
	again := NewWireDecoder([]string{"gate"})
	again.Resume("gate", "y", 10)
	if got, err := again.Decode(payload, Header{Source: "gate", Boot: "y", Number: 1}); err != nil || got.Counter != 10 {
		t.Errorf("resumed: %+v, %v", got, err)
	}
}

// arrowStream writes columns with the arrow library, as others would.
func arrowStream(t testing.TB, fields []arrow.Field, batches int, build func(*array.RecordBuilder), options ...ipc.Option) []byte {
	t.Helper()
	schema := arrow.NewSchema(fields, nil)
	builder := array.NewRecordBuilder(memory.DefaultAllocator, schema)
	defer builder.Release()
	var out bytes.Buffer
	w := ipc.NewWriter(&out, append(options, ipc.WithSchema(schema))...)
	for range batches {
		build(builder)
		batch := builder.NewRecordBatch()
		if err := w.Write(batch); err != nil {
			t.Fatal(err)
		}
		batch.Release()
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

var utcTime = arrow.Field{Name: "time", Type: &arrow.TimestampType{Unit: arrow.Nanosecond, TimeZone: "UTC"}}

func timesAt(at ...arrow.Timestamp) func(*array.RecordBuilder) {
	return func(b *array.RecordBuilder) {
		b.Field(0).(*array.TimestampBuilder).AppendValues(at, nil)
		for i := 1; i < len(b.Fields()); i++ {
			for range at {
				switch column := b.Field(i).(type) {
				case *array.Float64Builder:
					column.Append(1.5)
				case *array.Float32Builder:
					column.Append(-0.1)
				case *array.Int32Builder:
					column.Append(-7)
				case *array.Int16Builder:
					column.Append(-300)
				default:
					column.AppendEmptyValue()
				}
			}
		}
	}
}

func TestFramesOfOtherWriters(t *testing.T) {
	payload := arrowStream(t, []arrow.Field{
		utcTime,
		{Name: "f8", Type: arrow.PrimitiveTypes.Float64, Metadata: arrow.NewMetadata([]string{"unit"}, []string{"mV/V"})},
		{Name: "f4 [V]", Type: arrow.PrimitiveTypes.Float32, Nullable: true},
		{Name: "i4", Type: arrow.PrimitiveTypes.Int32},
		{Name: "i2", Type: arrow.PrimitiveTypes.Int16},
	}, 1, timesAt(1000, 2000, 3000))
	want := &Frame{Source: "gate", Boot: "b", Counted: true, Time: []int64{1000, 2000, 3000}, Columns: []Column{
		{Name: "f8", Unit: "mV/V", Float: []float64{1.5, 1.5, 1.5}},
		{Name: "f4", Unit: "V", Float: slices.Repeat([]float64{float64(float32(-0.1))}, 3)},
		{Name: "i4", Counts: []int32{-7, -7, -7}},
		{Name: "i2", Counts: []int32{-300, -300, -300}},
	}}
	d := NewWireDecoder([]string{"gate"})
	withoutEnd := payload[:len(payload)-8] // the end mark may be missing
	for _, p := range [][]byte{payload, withoutEnd} {
		got, err := d.Decode(p, Header{Source: "gate", Boot: "b", HasCounter: true})
		if err != nil {
			t.Fatal(err)
		}
		sameFrame(t, got, want)
	}
}

func TestRefusals(t *testing.T) {
	f8 := arrow.Field{Name: "A1", Type: arrow.PrimitiveTypes.Float64}
	sound := arrowStream(t, []arrow.Field{utcTime, f8}, 1, timesAt(1, 2, 3))
	many := []arrow.Field{utcTime}
	for i := range 257 {
		many = append(many, arrow.Field{Name: fmt.Sprint("c", i), Type: arrow.PrimitiveTypes.Int16})
	}
	named := func(names ...string) []arrow.Field {
		fields := []arrow.Field{utcTime}
		for _, name := range names {
			fields = append(fields, arrow.Field{Name: name, Type: arrow.PrimitiveTypes.Float64})
		}
		return fields
	}
	tests := []struct {
		name    string
		payload []byte
		want    Reason
	}{
		{"empty", nil, ReasonMalformed},
		{"text", []byte(`{"A1":1.5}`), ReasonMalformed},
		{"cut off", sound[:len(sound)-30], ReasonMalformed},
		{"schema alone", arrowStream(t, []arrow.Field{utcTime, f8}, 0, nil), ReasonMalformed},
		{"two batches", arrowStream(t, []arrow.Field{utcTime, f8}, 2, timesAt(1, 2)), ReasonSchema},
		{"something behind", append(slices.Clone(sound), "more"...), ReasonSchema},
		{"compressed", arrowStream(t, []arrow.Field{utcTime, f8}, 1, timesAt(make([]arrow.Timestamp, 100)...), ipc.WithLZ4()), ReasonSchema},
		{"nested", arrowStream(t, []arrow.Field{utcTime, {Name: "A", Type: arrow.ListOf(arrow.PrimitiveTypes.Float64)}}, 1, timesAt(1)), ReasonSchema},
		{"dictionary", arrowStream(t, []arrow.Field{utcTime, {Name: "A", Type: &arrow.DictionaryType{IndexType: arrow.PrimitiveTypes.Int32, ValueType: arrow.PrimitiveTypes.Float64}}}, 1, timesAt(1)), ReasonSchema},
		{"text column", arrowStream(t, []arrow.Field{utcTime, {Name: "A", Type: arrow.BinaryTypes.String}}, 1, timesAt(1)), ReasonSchema},
		{"no column", arrowStream(t, []arrow.Field{utcTime}, 1, timesAt(1)), ReasonSchema},
		{"no time", arrowStream(t, []arrow.Field{{Name: "t", Type: utcTime.Type}, f8}, 1, timesAt(1)), ReasonSchema},
		{"time without zone", arrowStream(t, []arrow.Field{{Name: "time", Type: &arrow.TimestampType{Unit: arrow.Nanosecond}}, f8}, 1, timesAt(1)), ReasonSchema},
		{"microseconds", arrowStream(t, []arrow.Field{{Name: "time", Type: &arrow.TimestampType{Unit: arrow.Microsecond, TimeZone: "UTC"}}, f8}, 1, timesAt(1)), ReasonSchema},
		{"257 columns", arrowStream(t, many, 1, timesAt(1)), ReasonTooManyColumns},
		{"the name twice", arrowStream(t, named("A", "A"), 1, timesAt(1)), ReasonDuplicateNames},
		{"the name twice with a unit", arrowStream(t, named("A", "A [V]"), 1, timesAt(1)), ReasonDuplicateNames},
		{"empty name", arrowStream(t, named(""), 1, timesAt(1)), ReasonSchema},
		{"long name", arrowStream(t, named(strings.Repeat("x", 257)), 1, timesAt(1)), ReasonSchema},
		{"no rows", arrowStream(t, []arrow.Field{utcTime, f8}, 1, timesAt()), ReasonNoRows},
		{"time stands", arrowStream(t, []arrow.Field{utcTime, f8}, 1, timesAt(1, 2, 2)), ReasonTimeOrder},
		{"time runs back", arrowStream(t, []arrow.Field{utcTime, f8}, 1, timesAt(1, 3, 2)), ReasonTimeOrder},
		{"a time is missing", arrowStream(t, []arrow.Field{{Name: "time", Type: utcTime.Type, Nullable: true}, f8}, 1, func(b *array.RecordBuilder) {
			b.Field(0).AppendNull()
			b.Field(1).AppendEmptyValue()
		}), ReasonTimeOrder},
		{"oversized", make([]byte, MaxWireBytes+1), ReasonOversized},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			d := NewWireDecoder([]string{"gate"})
			for range 2 { // the second time its schema is known
				_, err := d.Decode(test.payload, Header{Source: "gate", Boot: "b"})
				var refused *WireError
				if !errors.As(err, &refused) || refused.Reason != test.want {
					t.Fatalf("got %v, want reason %s", err, test.want)
				}
			}
			// The next frame is taken as if nothing had been.
			if _, err := d.Decode(sound, Header{Source: "gate", Boot: "b"}); err != nil {
				t.Error(err)
			}
		})
	}
	_, err := NewWireDecoder([]string{"gate"}).Decode(sound, Header{Source: "Gate", Boot: "b"})
	var refused *WireError
	if !errors.As(err, &refused) || refused.Reason != ReasonUnknownSource {
		t.Errorf("unknown source: %v", err)
	}
}

// A batch whose columns all show the same bytes would cost 256 times its size.
func TestColumnsMustNotShareBytes(t *testing.T) {
	var fields []arrow.Field
	fields = append(fields, utcTime)
	for i := range 200 {
		fields = append(fields, arrow.Field{Name: fmt.Sprint("c", i), Type: arrow.PrimitiveTypes.Float32})
	}
	at := make([]arrow.Timestamp, 100)
	for i := range at {
		at[i] = arrow.Timestamp(i)
	}
	payload := arrowStream(t, fields, 1, timesAt(at...))
	d := NewWireDecoder([]string{"gate"})
	if _, err := d.Decode(payload, Header{Source: "gate", Boot: "b"}); err != nil {
		t.Fatal(err)
	}
	// Let the body end after the times and two columns' bytes, and every
	// column begin at the first of them.
	first, _, _ := messageOf(payload, 0)
	second, body, _ := messageOf(payload, first)
	metadata := payload[first+8 : second]
	for offset := 0; offset+16 <= len(metadata); offset += 4 {
		entry := metadata[offset : offset+16]
		start, length := leUint64(entry), leUint64(entry[8:])
		if (length == 400 || length == 0) && start >= 800 && start < uint64(body) {
			putUint64(entry, 800)
		}
	}
	declared := bytes.Index(metadata, le64(uint64(body)))
	if declared < 0 {
		t.Fatal("the length of the body was not found")
	}
	putUint64(metadata[declared:], 2048)
	short := slices.Clone(payload[:second+2048])
	_, err := d.Decode(short, Header{Source: "gate", Boot: "b"})
	var refused *WireError
	if !errors.As(err, &refused) || refused.Reason != ReasonMalformed || !strings.Contains(err.Error(), "100 rows of 808 bytes") {
		t.Errorf("columns that share bytes: %v", err)
	}
}

func messageOf(b []byte, at int) (end int, body int64, err error) {
	var size = int(uint32(b[at+4]) | uint32(b[at+5])<<8)
	end = at + 8 + size
	next := len(b) - 8 - end // up to the end mark
	return end, int64(next), nil
}

func le64(v uint64) []byte {
	b := make([]byte, 8)
	putUint64(b, v)
	return b
}
func putUint64(b []byte, v uint64) {
	for i := range 8 {
		b[i] = byte(v >> (8 * i))
	}
}
func leUint64(b []byte) (v uint64) {
	for i := range 8 {
		v |= uint64(b[i]) << (8 * i)
	}
	return v
}

func TestParseHeader(t *testing.T) {
	sound := map[string]string{HeaderSource: "gate", HeaderBoot: "2026-05-04T06:00", HeaderFrame: "12", HeaderCounter: "600"}
	h, err := ParseHeader(func(key string) string { return sound[key] })
	if want := (Header{"gate", "2026-05-04T06:00", 12, 600, true}); err != nil || h != want {
		t.Errorf("%+v, %v", h, err)
	}
	delete(sound, HeaderCounter)
	if h, err := ParseHeader(func(key string) string { return sound[key] }); err != nil || h.HasCounter {
		t.Errorf("without counter: %+v, %v", h, err)
	}
	for _, bad := range [][2]string{
		{HeaderSource, ""}, {HeaderBoot, ""}, {HeaderFrame, ""}, {HeaderFrame, "-1"}, {HeaderFrame, "1.0"}, {HeaderFrame, " 1"},
		{HeaderCounter, "x"}, {HeaderCounter, "9223372036854775808"}, {HeaderBoot, strings.Repeat("b", 257)}, {HeaderSource, "\xff"},
	} {
		_, err := ParseHeader(func(key string) string {
			if key == bad[0] {
				return bad[1]
			}
			return map[string]string{HeaderSource: "gate", HeaderBoot: "b", HeaderFrame: "12", HeaderCounter: "600"}[key]
		})
		var refused *WireError
		if !errors.As(err, &refused) || refused.Reason != ReasonHeader {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestEncoderRefusesWhatDecodersDo(t *testing.T) {
	tests := []struct {
		name  string
		spoil func(*Frame)
		want  Reason
	}{
		{"no rows", func(f *Frame) { *f = *wireFrame(0) }, ReasonNoRows},
		{"no columns", func(f *Frame) { f.Columns = nil }, ReasonSchema},
		{"time order", func(f *Frame) { f.Time[1] = f.Time[0] }, ReasonTimeOrder},
		{"names", func(f *Frame) { f.Columns[1].Name = "A1" }, ReasonDuplicateNames},
		{"a column called time", func(f *Frame) { f.Columns[1].Name = "time" }, ReasonDuplicateNames},
		{"257 columns", func(f *Frame) { f.Columns = slices.Repeat(f.Columns, 86)[:257] }, ReasonTooManyColumns},
		{"oversized", func(f *Frame) { *f = *wireFrame(50_000) }, ReasonOversized},
	}
	var e WireEncoder
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			f := wireFrame(4)
			test.spoil(f)
			dst, err := e.Append([]byte("before"), f)
			var refused *WireError
			if !errors.As(err, &refused) || refused.Reason != test.want || string(dst) != "before" {
				t.Errorf("got %v and %q, want reason %s", err, clip(string(dst)), test.want)
			}
			if got, err := e.Append(nil, wireFrame(4)); err != nil || !bytes.Equal(got, mustEncode(t, wireFrame(4))) {
				t.Errorf("the frame after it: %v", err)
			}
		})
	}
}

// Names with a unit in brackets come back as they were sent.
func TestBracketsInNames(t *testing.T) {
	f := wireFrame(2)
	f.Columns[0].Name, f.Columns[0].Unit = "A1 [old]", "mV/V"
	f.Columns[1].Name, f.Columns[1].Unit = "A2 (spare)", ""
	got, err := NewWireDecoder([]string{"gate"}).Decode(mustEncode(t, f), HeaderOf(f))
	if err != nil {
		t.Fatal(err)
	}
	sameFrame(t, got, f)
}

// Whatever the bytes are: a frame that holds what it says, or a WireError; and
// a frame that was taken is the same after another round.
func FuzzWire(f *testing.F) {
	missing := wireFrame(9)
	missing.Columns[0].Float[3] = math.NaN()
	missing.Columns[1].Valid = []bool{true, true, false, true, true, true, true, true, true}
	for _, seed := range []*Frame{wireFrame(1), wireFrame(40), missing} {
		payload := mustEncode(f, seed)
		f.Add(payload, 0)
		f.Add(payload, 3)
		for i := 0; i < len(payload); i += 37 {
			damaged := slices.Clone(payload)
			damaged[i] ^= 0x81
			f.Add(damaged, i)
		}
		f.Add(payload[:len(payload)/2], 1)
	}
	f.Add(arrowStream(f, []arrow.Field{utcTime, {Name: "i2", Type: arrow.PrimitiveTypes.Int16}}, 1, timesAt(1, 2, 3)), 5)
	sound := mustEncode(f, wireFrame(40))
	f.Fuzz(func(t *testing.T, payload []byte, shift int) {
		shift &= 7
		payload = append(make([]byte, shift, shift+len(payload)), payload...)[shift:]
		// Before and after it comes a sound frame: what is kept of one must not
		// change another.
		d := NewWireDecoder([]string{"gate"})
		around := func() {
			if got, err := d.Decode(sound, HeaderOf(wireFrame(40))); err != nil {
				t.Fatal(err)
			} else {
				sameFrame(t, got, wireFrame(40))
				got.Release()
			}
		}
		around()
		got, err := d.Decode(payload, Header{Source: "gate", Boot: "b"})
		around()
		if err != nil {
			var refused *WireError
			if !errors.As(err, &refused) || got != nil {
				t.Fatalf("%v with frame %v", err, got)
			}
			if strings.Contains(err.Error(), "the decoder failed") {
				t.Fatal(err)
			}
			return
		}
		if got.Rows() == 0 || checkRows(got.Time, got.Columns, len(got.Columns)) != nil {
			t.Fatalf("a frame that is none: %+v", got)
		}
		again, err := EncodeWire(nil, got)
		if err != nil {
			if errors.As(err, new(*WireError)) && len(payload) > MaxWireBytes/4 {
				return // float32 grows
			}
			t.Fatal(err)
		}
		second, err := NewWireDecoder([]string{"gate"}).Decode(again, Header{Source: "gate", Boot: "b"})
		if err != nil {
			t.Fatal(err)
		}
		sameFrame(t, second, got)
	})
}

func BenchmarkWire(b *testing.B) {
	f := &Frame{Source: "gate", Boot: "b"}
	for i := range 1000 {
		f.Time = append(f.Time, int64(i))
	}
	for i := range 32 {
		f.Columns = append(f.Columns, Column{Name: fmt.Sprint("A", i), Unit: "mV/V", Float: make([]float64, 1000)})
	}
	payload := mustEncode(b, f)
	b.Run("encode", func(b *testing.B) {
		var e WireEncoder
		var dst []byte
		b.SetBytes(int64(len(payload)))
		b.ReportAllocs()
		for b.Loop() {
			dst, _ = e.Append(dst[:0], f)
		}
	})
	b.Run("decode", func(b *testing.B) {
		d := NewWireDecoder([]string{"gate"})
		b.SetBytes(int64(len(payload)))
		b.ReportAllocs()
		for b.Loop() {
			got, err := d.Decode(payload, HeaderOf(f))
			if err != nil {
				b.Fatal(err)
			}
			got.Release()
		}
	})
}

func ExampleWireDecoder() {
	f := &Frame{
		Source: "gate", Boot: "2026-05-04T06:00:00Z", Number: 3, Counter: 150,
		Time:    []int64{0, 20_000_000},
		Columns: []Column{{Name: "A1", Unit: "mV/V", Float: []float64{0.25, math.NaN()}}},
	}
	payload, err := EncodeWire(nil, f)
	if err != nil {
		fmt.Println(err)
	}
	got, err := NewWireDecoder([]string{"gate"}).Decode(payload, HeaderOf(f))
	fmt.Println(got.Columns[0].Name, got.Columns[0].Float, got.Columns[0].Unit, err)
	_, err = NewWireDecoder([]string{"gate"}).Decode(payload[:100], HeaderOf(f))
	fmt.Println(err)
	// Output:
	// A1 [0.25 NaN] mV/V <nil>
	// frame refused (malformed): damaged Arrow file: the message at byte 0 claims 312 of 92 bytes
}
