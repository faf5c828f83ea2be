package frame

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"unicode/utf8"
	"unsafe"

	"glueline/pipeline/frame/arrowipc"
)

// Headers of the message that carries a frame. Its payload is an Arrow IPC
// stream of a schema and one record batch: the times, then a column an input.
const (
	HeaderSource  = "Glueline-Source"
	HeaderBoot    = "Glueline-Boot"
	HeaderFrame   = "Glueline-Frame"   // number of the frame in its boot, decimal
	HeaderCounter = "Glueline-Counter" // sample counter of the first row, decimal; may be missing
)

// MaxWireBytes bounds a payload: a broker's message has 1 MiB, of which the
// headers have 4 KiB here. A frame is meant to have a quarter of it.
const MaxWireBytes = 1<<20 - 4<<10

// maxWireName bounds the text of a header and the name of an input, in bytes.
const maxWireName = 256

// Reason is why a message was refused, in a word that does not change: it is
// kept with the message and counted.
type Reason string

// The reasons.
const (
	ReasonHeader         Reason = "header"          // source, boot or frame number is missing or unreadable
	ReasonUnknownSource  Reason = "unknown-source"  // no such source is declared
	ReasonOversized      Reason = "oversized"       // more than MaxWireBytes
	ReasonMalformed      Reason = "malformed"       // the payload is not one sound Arrow record batch
	ReasonSchema         Reason = "schema"          // sound Arrow, but not a time and raw columns
	ReasonTooManyColumns Reason = "columns"         // more columns than a source may have
	ReasonDuplicateNames Reason = "duplicate-names" // two columns of one name
	ReasonNoRows         Reason = "no-rows"         // a batch of no rows
	ReasonTimeOrder      Reason = "time-order"      // a time is missing, or not later than the one before
)

// WireError says why a message is not a frame. Keep the message in quarantine
// under its Reason and go on: the next one may be sound.
type WireError struct {
	Reason Reason
	Detail string // what was found
	Err    error
}

func (e *WireError) Error() string {
	s := "frame refused (" + string(e.Reason) + ")"
	if e.Detail != "" {
		s += ": " + e.Detail
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

func (e *WireError) Unwrap() error { return e.Err }

// Header is what the headers of a message say of its frame.
type Header struct {
	Source     string
	Boot       string
	Number     uint64
	Counter    uint64 // only with HasCounter
	HasCounter bool
}

// HeaderOf is the header of a frame. Its counter is stated when it is the source's own.
func HeaderOf(f *Frame) Header {
	return Header{Source: f.Source, Boot: f.Boot, Number: f.Number, Counter: f.Counter, HasCounter: f.Counted}
}

// ParseHeader reads a message's headers; get returns the value of one, or ""
// where it is missing. The error is a WireError.
func ParseHeader(get func(key string) string) (Header, error) {
	h := Header{Source: get(HeaderSource), Boot: get(HeaderBoot)}
	for _, text := range []struct{ key, value string }{{HeaderSource, h.Source}, {HeaderBoot, h.Boot}} {
		switch {
		case text.value == "":
			return h, &WireError{Reason: ReasonHeader, Detail: text.key + " is missing"}
		case len(text.value) > maxWireName || !utf8.ValidString(text.value):
			return h, &WireError{Reason: ReasonHeader, Detail: fmt.Sprintf("%s is not text of at most %d bytes", text.key, maxWireName)}
		}
	}
	var err error
	if h.Number, err = headerNumber(HeaderFrame, get(HeaderFrame)); err != nil {
		return h, err
	}
	if counter := get(HeaderCounter); counter != "" {
		h.HasCounter = true
		if h.Counter, err = headerNumber(HeaderCounter, counter); err != nil {
			return h, err
		}
	}
	return h, nil
}

func headerNumber(key, text string) (uint64, error) {
	n, err := strconv.ParseUint(text, 10, 63) // so that adding rows to a counter cannot wrap around
	if err != nil {
		return 0, &WireError{Reason: ReasonHeader, Detail: fmt.Sprintf("%s is %q, not a whole number below 2^63", key, clip(text))}
	}
	return n, nil
}

func clip(text string) string { return text[:min(len(text), 40)] }

// WireEncoder makes payloads. It keeps what repeats from frame to frame. The
// zero value is ready; it is for one goroutine.
type WireEncoder struct {
	columns  []Column // names, units and forms of the frame before
	out      appender
	schema   []byte
	writer   *arrowipc.Writer
	batch    []arrowipc.Column
	validity [][]byte
	floats   [][]float64
}

// appender is a writer to the end of a slice.
type appender struct{ b []byte }

func (a *appender) Write(p []byte) (int, error) {
	a.b = append(a.b, p...)
	return len(p), nil
}

// EncodeWire appends a frame's payload to dst, as WireEncoder.Append does.
func EncodeWire(dst []byte, f *Frame) ([]byte, error) { return new(WireEncoder).Append(dst, f) }

// Append appends a frame's payload to dst: floating-point columns as float64,
// counts as int32, missing readings as null. The same frame gives the same
// bytes, whatever came before it. What a decoder would refuse is an error.
func (e *WireEncoder) Append(dst []byte, f *Frame) ([]byte, error) {
	if err := checkWire(f); err != nil {
		return dst, fmt.Errorf("encode frame %d of source %q: %w", f.Number, f.Source, err)
	}
	if !e.fits(f.Columns) {
		if err := e.begin(f.Columns); err != nil {
			return dst, fmt.Errorf("encode frame %d of source %q: %w", f.Number, f.Source, err)
		}
	}
	e.batch = append(e.batch[:0], arrowipc.Column{Data: arrowipc.Bytes(f.Time)})
	for i := range f.Columns {
		e.batch = append(e.batch, e.column(i, &f.Columns[i]))
	}
	start := len(dst)
	e.out.b = append(dst, e.schema...)
	_, _, err := e.writer.Write(f.Rows(), e.batch)
	encoded := append(e.out.b, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0) // end of the stream
	e.out.b = nil
	clear(e.batch)
	if err == nil && len(encoded)-start > MaxWireBytes {
		err = &WireError{Reason: ReasonOversized, Detail: fmt.Sprintf("%d bytes", len(encoded)-start)}
	}
	if err != nil {
		e.writer = nil // it may have stopped half-way
		return dst, fmt.Errorf("encode frame %d of source %q: %w", f.Number, f.Source, err)
	}
	return encoded, nil
}

func checkWire(f *Frame) error {
	if f.Rows() == 0 {
		return &WireError{Reason: ReasonNoRows}
	}
	switch n := len(f.Columns); {
	case n == 0:
		return &WireError{Reason: ReasonSchema, Detail: "no column but the time"}
	case n > maxColumns:
		return &WireError{Reason: ReasonTooManyColumns, Detail: fmt.Sprintf("%d; a source has at most %d: declare several sources", n, maxColumns)}
	}
	if err := checkRows(f.Time, f.Columns, len(f.Columns)); err != nil {
		return err
	}
	if err := checkNames(f.Columns); err != nil {
		return err
	}
	return checkTimes(f.Time)
}

func checkNames(columns []Column) error {
	seen := make(map[string]bool, len(columns)+1)
	seen[TimeColumn] = true
	for _, c := range columns {
		switch {
		case seen[c.Name]:
			return &WireError{Reason: ReasonDuplicateNames, Detail: fmt.Sprintf("%q", c.Name)}
		case c.Name == "" || len(c.Name) > maxWireName || len(c.Unit) > maxWireName || !utf8.ValidString(c.Name) || !utf8.ValidString(c.Unit):
			return &WireError{Reason: ReasonSchema, Detail: fmt.Sprintf("a name or unit is not text of 1 to %d bytes", maxWireName)}
		}
		seen[c.Name] = true
	}
	return nil
}

func checkTimes(time []int64) error {
	for i := 1; i < len(time); i++ {
		if time[i] <= time[i-1] {
			return &WireError{Reason: ReasonTimeOrder, Detail: fmt.Sprintf("row %d, %s, is not later than the row before, %s", i+1, instant(time[i]), instant(time[i-1]))}
		}
	}
	return nil
}

// fits says whether the schema in use is that of these columns.
func (e *WireEncoder) fits(columns []Column) bool {
	return e.writer != nil && slices.EqualFunc(e.columns, columns, func(a, b Column) bool {
		return a.Name == b.Name && a.Unit == b.Unit && (a.Counts != nil) == (b.Counts != nil)
	})
}

func (e *WireEncoder) begin(columns []Column) error {
	schema := arrowipc.Schema{Fields: []arrowipc.Field{{
		Name: TimeColumn, Kind: arrowipc.Timestamp, Zone: "UTC", Metadata: arrowipc.Metadata{{UnitKey, "ns"}},
	}}}
	e.columns = e.columns[:0]
	for _, c := range columns {
		form := Column{Name: c.Name, Unit: c.Unit}
		f := arrowipc.Field{Name: c.Name, Kind: arrowipc.Float64, Nullable: true, Metadata: arrowipc.Metadata{{UnitKey, c.Unit}}}
		if c.Counts != nil {
			f.Kind, form.Counts = arrowipc.Int32, []int32{}
		}
		e.columns = append(e.columns, form)
		schema.Fields = append(schema.Fields, f)
	}
	e.validity, e.floats = make([][]byte, len(columns)), make([][]float64, len(columns))
	e.out.b = nil
	var err error
	e.writer, err = arrowipc.NewStreamWriter(&e.out, schema)
	e.schema, e.out.b = e.out.b, nil
	return err
}

// column is column i as bytes: a view where nothing is missing.
func (e *WireEncoder) column(i int, c *Column) arrowipc.Column {
	if c.Counts != nil {
		out := arrowipc.Column{Data: arrowipc.Bytes(c.Counts)}
		if slices.Contains(c.Valid, false) {
			out.Validity, out.Nulls = e.bitmap(i, len(c.Valid), func(row int) bool { return c.Valid[row] })
		}
		return out
	}
	if !slices.ContainsFunc(c.Float, math.IsNaN) {
		return arrowipc.Column{Data: arrowipc.Bytes(c.Float)}
	}
	// A missing reading's bits are not part of it: always the same ones.
	own := append(e.floats[i][:0], c.Float...)
	e.floats[i] = own
	out := arrowipc.Column{Data: arrowipc.Bytes(own)}
	out.Validity, out.Nulls = e.bitmap(i, len(own), func(row int) bool { return own[row] == own[row] })
	for row, v := range own {
		if v != v {
			own[row] = 0
		}
	}
	return out
}

func (e *WireEncoder) bitmap(i, rows int, valid func(row int) bool) (bits []byte, nulls int) {
	bits = slices.Grow(e.validity[i][:0], (rows+7)/8)[:(rows+7)/8]
	clear(bits)
	for row := range rows {
		if valid(row) {
			bits[row>>3] |= 1 << (row & 7)
		} else {
			nulls++
		}
	}
	e.validity[i] = bits
	return bits, nulls
}

// WireDecoder makes frames of messages. It is for one goroutine.
type WireDecoder struct {
	sources map[string]*wireSource
	copied  int // bytes of columns that could not be views
}

// wireSource is what is kept of one source.
type wireSource struct {
	stream arrowipc.OneBatch
	form   *arrowForm
	pool   *blockPool
	batch  arrowipc.Batch
	boot   string
	next   uint64 // counter of the row to come, where headers do not say
}

// NewWireDecoder makes a decoder for messages of the declared sources.
func NewWireDecoder(sources []string) *WireDecoder {
	d := &WireDecoder{sources: make(map[string]*wireSource, len(sources))}
	for _, s := range sources {
		d.sources[s] = new(wireSource)
	}
	return d
}

// Resume says which counter the next row of a source has in a boot that began
// before the decoder did: where headers state no counter, it is counted.
func (d *WireDecoder) Resume(source, boot string, counter uint64) {
	if s := d.sources[source]; s != nil {
		s.boot, s.next = boot, counter
	}
}

// Decode makes a frame of a message. Its columns are views of payload where
// these are aligned for their type, which must therefore not change before the
// frame is released or forgotten. Where the header states no counter, rows are
// counted from 0 at each boot: decode a repeated frame only once.
//
// Nothing is allocated that the message only declares: what is kept of it is
// at most four times its length. The error is a WireError, and changes nothing.
func (d *WireDecoder) Decode(payload []byte, h Header) (f *Frame, err error) {
	s := d.sources[h.Source]
	switch {
	case s == nil:
		return nil, &WireError{Reason: ReasonUnknownSource, Detail: fmt.Sprintf("%q", clip(h.Source))}
	case len(payload) > MaxWireBytes:
		return nil, &WireError{Reason: ReasonOversized, Detail: fmt.Sprintf("%d bytes; at most %d", len(payload), MaxWireBytes)}
	}
	// The reader checks each offset and length before it uses it; should it
	// have missed one, that is one frame lost and not the service.
	defer func() {
		if r := recover(); r != nil {
			f, err = nil, &WireError{Reason: ReasonMalformed, Detail: fmt.Sprint("the decoder failed: ", r)}
			*s = wireSource{boot: s.boot, next: s.next}
		}
	}()
	changed, err := s.stream.Decode(&s.batch, payload)
	if err != nil {
		reason := ReasonMalformed
		if errors.Is(err, arrowipc.ErrUnsupported) {
			reason = ReasonSchema
		}
		return nil, &WireError{Reason: reason, Err: err}
	}
	if changed || s.form == nil {
		s.form, s.pool = nil, nil
		if s.form, err = wireForm(h.Source, s.stream.Schema); err != nil {
			return nil, err
		}
	}
	if s.batch.Rows == 0 {
		return nil, &WireError{Reason: ReasonNoRows}
	}
	return d.frame(s, h)
}

// wireForm checks a schema.
func wireForm(source string, schema arrowipc.Schema) (*arrowForm, error) {
	if n := len(schema.Fields) - 1; n > maxColumns {
		return nil, &WireError{Reason: ReasonTooManyColumns, Detail: fmt.Sprintf("%d; a source has at most %d: declare several sources", n, maxColumns)}
	}
	names := map[string]bool{}
	for _, field := range schema.Fields {
		if names[field.Name] {
			return nil, &WireError{Reason: ReasonDuplicateNames, Detail: fmt.Sprintf("%q", clip(field.Name))}
		}
		names[field.Name] = true
	}
	form, err := newArrowForm("source "+source, schema, TimeColumn, "")
	if err != nil {
		return nil, &WireError{Reason: ReasonSchema, Err: err}
	}
	if form.resolution != 1 {
		return nil, &WireError{Reason: ReasonSchema, Detail: "times are not in nanoseconds; write timestamp[ns, UTC]"}
	}
	if err := checkNames(form.columns); err != nil {
		return nil, err
	}
	return form, nil
}

// frame makes a frame of the source's batch.
func (d *WireDecoder) frame(s *wireSource, h Header) (*Frame, error) {
	rows := s.batch.Rows
	if s.pool == nil || s.pool.rows < rows {
		s.pool = &blockPool{rows: (rows + 255) &^ 255}
	}
	b := s.pool.get(len(s.form.columns))
	defer b.release()
	times := s.batch.Columns[s.form.timeAt]
	if times.Nulls > 0 {
		return nil, &WireError{Reason: ReasonTimeOrder, Detail: fmt.Sprintf("%d rows without time", times.Nulls)}
	}
	if aligned(times.Data, 8) {
		b.time = arrowipc.Values[int64](times.Data)
	} else {
		b.time = b.ownTimes()[:rows]
		d.copied += copy(arrowipc.Bytes(b.time), times.Data)
	}
	if err := checkTimes(b.time); err != nil {
		return nil, err
	}
	b.columns = append(b.columns[:0], s.form.columns...)
	for i := range b.columns {
		d.column(s, b, i)
	}
	f := b.view(0, rows)
	f.Source, f.Boot, f.Number, f.Counter = h.Source, h.Boot, h.Number, h.Counter
	f.Counted, f.Late = h.HasCounter, false // its memory may have been another frame's
	if !h.HasCounter {
		f.Counter = 0
		if s.boot == h.Boot {
			f.Counter = s.next
		}
	}
	s.boot, s.next = h.Boot, f.Counter+uint64(rows)
	return f, nil
}

// column makes the block's column i that of the source's batch.
func (d *WireDecoder) column(s *wireSource, b *block, i int) {
	field, rows := s.form.fields[i], s.batch.Rows
	in, out := s.batch.Columns[field], &b.columns[i]
	kind := s.stream.Schema.Fields[field].Kind
	view := aligned(in.Data, kind.Size())
	switch kind {
	case arrowipc.Float64:
		if view && in.Nulls == 0 {
			out.Float = arrowipc.Values[float64](in.Data)
			return
		}
		out.Float = b.ownFloats(i)[:rows]
		d.copied += copy(arrowipc.Bytes(out.Float), in.Data)
	case arrowipc.Float32:
		out.Float = b.ownFloats(i)[:rows]
		for row := range out.Float {
			out.Float[row] = float64(math.Float32frombits(littleEndian32(in.Data[4*row:])))
		}
	case arrowipc.Int32:
		if view {
			out.Counts = arrowipc.Values[int32](in.Data)
		} else {
			out.Counts = b.ownCount(i)[:rows]
			d.copied += copy(arrowipc.Bytes(out.Counts), in.Data)
		}
	case arrowipc.Int16:
		out.Counts = b.ownCount(i)[:rows]
		for row := range out.Counts {
			out.Counts[row] = int32(int16(uint16(in.Data[2*row]) | uint16(in.Data[2*row+1])<<8))
		}
	}
	if in.Nulls == 0 {
		return
	}
	if out.Float != nil {
		for row := range out.Float {
			if !in.Valid(row) {
				out.Float[row] = math.NaN()
			}
		}
		return
	}
	out.Valid = b.ownValids(i)[:rows]
	for row := range out.Valid {
		out.Valid[row] = in.Valid(row)
	}
}

func littleEndian32(b []byte) uint32 {
	return uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2])<<16 | uint32(b[3])<<24
}

func aligned(b []byte, size int) bool {
	return len(b) == 0 || uintptr(unsafe.Pointer(&b[0]))%uintptr(size) == 0
}
