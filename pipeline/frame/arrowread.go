package frame

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"glueline/pipeline/frame/arrowipc"
)

// arrowForm is how a raw Arrow file maps to rows.
type arrowForm struct {
	timeAt     int
	resolution int64          // nanoseconds of a step
	zone       *time.Location // of a time column without zone
	columns    []Column       // Counts not nil for integers
	fields     []int          // of each column
}

// newArrowForm checks the schema; zone is what holds for times without one.
func newArrowForm(path string, schema arrowipc.Schema, timeName, zone string) (*arrowForm, error) {
	f := &arrowForm{timeAt: -1}
	seen := map[string]bool{}
	for i, field := range schema.Fields {
		wrong := func(found, want string) error {
			return &InputError{File: path, Column: field.Name, Found: found, Want: want}
		}
		if seen[field.Name] {
			return nil, wrong("the name twice", "give every column its own name")
		}
		seen[field.Name] = true
		if field.Name == timeName {
			if field.Kind != arrowipc.Timestamp {
				return nil, wrong("the type "+field.Kind.String(), "write times as timestamp[ns, UTC]")
			}
			f.timeAt, f.resolution = i, field.Resolution
			if field.Zone == "" {
				if zone == "" {
					return nil, wrong("times without zone", "write timestamp[ns, UTC], or declare csv.zone of the source, or test.zone")
				}
				var err error
				if f.zone, err = loadZone(zone); err != nil {
					return nil, wrong(err.Error(), "")
				}
			}
			continue
		}
		name, unit := splitUnit(field.Name)
		if stated, ok := field.Metadata.Get(UnitKey); ok {
			if unit != stated {
				name = field.Name
			}
			unit = stated
		}
		c := Column{Name: name, Unit: unit}
		switch field.Kind {
		case arrowipc.Float64, arrowipc.Float32:
		case arrowipc.Int32, arrowipc.Int16:
			c.Counts = []int32{}
		default:
			return nil, wrong("the type "+field.Kind.String(), "readings are float64, float32, int32 or int16")
		}
		f.columns = append(f.columns, c)
		f.fields = append(f.fields, i)
	}
	switch {
	case f.timeAt < 0:
		return nil, &InputError{File: path, Found: "the columns " + strings.Join(fieldNames(schema), ", "), Want: fmt.Sprintf("one must be %q, of type timestamp[ns, UTC]", timeName)}
	case len(f.columns) == 0:
		return nil, &InputError{File: path, Found: "no column but the time", Want: "give at least one input"}
	case len(f.columns) > maxColumns:
		return nil, &InputError{File: path, Found: fmt.Sprintf("%d columns", len(f.columns)), Want: fmt.Sprintf("a source has at most %d inputs: declare several sources, a file each", maxColumns)}
	}
	return f, nil
}

func fieldNames(schema arrowipc.Schema) []string {
	var names []string
	for _, f := range schema.Fields {
		names = append(names, f.Name)
	}
	return names
}

// arrowRows reads the rows of an Arrow file. What can be is a view of the
// mapped file.
type arrowRows struct {
	path      string
	file      *arrowipc.File
	form      *arrowForm
	batch     arrowipc.Batch
	nextBatch int // batch to read next
	at        int // row of the batch
	forgotten int // rows of the batch that the system need not keep
	last      int64
	rows      int64
	clock     clock
}

func newArrowRows(path string, file *arrowipc.File, form *arrowForm) *arrowRows {
	return &arrowRows{path: path, file: file, form: form, last: math.MinInt64, clock: clock{zone: form.zone}}
}

func (r *arrowRows) close() error { return r.file.Close() }

func (r *arrowRows) done() int64 {
	if r.nextBatch == 0 {
		return 0
	}
	offset, length := r.file.Place(r.nextBatch - 1)
	if r.batch.Rows > 0 {
		length = int64(float64(length) * float64(r.at) / float64(r.batch.Rows))
	}
	return offset + length
}

func (r *arrowRows) wrong(err error) error { return &InputError{File: r.path, Err: err} }

// next makes b the next rows, at most limit.
func (r *arrowRows) next(b *block, limit int) error {
	for r.at == r.batch.Rows {
		if r.nextBatch > 0 {
			r.file.ForgetBatch(r.nextBatch - 1)
		}
		if r.nextBatch == r.file.Batches() {
			if r.rows == 0 {
				return &InputError{File: r.path, Found: "no rows", Want: "give a file with at least one row, or leave it out"}
			}
			return io.EOF
		}
		if err := r.file.Read(&r.batch, r.nextBatch); err != nil {
			return r.wrong(err)
		}
		r.nextBatch++
		r.at, r.forgotten = 0, 0
	}
	from := r.at
	to := min(from+limit, r.batch.Rows)
	r.forget()
	r.at = to
	if err := r.times(b, from, to); err != nil {
		return err
	}
	b.columns = append(b.columns[:0], r.form.columns...)
	for i := range b.columns {
		r.column(b, i, from, to)
	}
	r.rows += int64(to - from)
	return nil
}

// forget lets go of the rows of a large batch that are done, now and then.
func (r *arrowRows) forget() {
	const enough = 32 << 20
	size := 0
	for i := range r.batch.Columns {
		size += r.file.Schema.Fields[i].Kind.Size()
	}
	if (r.at-r.forgotten)*size < enough {
		return
	}
	for i, c := range r.batch.Columns {
		size := r.file.Schema.Fields[i].Kind.Size()
		r.file.Forget(c.Data[size*r.forgotten : size*r.at])
	}
	r.forgotten = r.at
}

// times makes the block's times those of the batch's rows from..to.
func (r *arrowRows) times(b *block, from, to int) error {
	column := r.batch.Columns[r.form.timeAt]
	fault := func(row int, found, want string) error {
		return &InputError{File: r.path, Row: int(r.rows) + row + 1, Column: TimeColumn, Found: found, Want: want}
	}
	if column.Nulls > 0 {
		for row := from; row < to; row++ {
			if !column.Valid(row) {
				return fault(row-from, "no time", "every row has a time")
			}
		}
	}
	b.time = arrowipc.Values[int64](column.Data[8*from : 8*to])
	if r.form.resolution != 1 || r.form.zone != nil {
		converted := b.ownTimes()[:to-from]
		for i, t := range b.time {
			ns := t * r.form.resolution
			if ns/r.form.resolution != t {
				return fault(i, fmt.Sprint(t), "instants are kept in 64-bit nanoseconds: years 1678 to 2261")
			}
			if r.form.zone != nil {
				var err error
				if ns, err = r.zoned(ns); err != nil {
					return fault(i, err.Error(), "write times in UTC")
				}
			}
			converted[i] = ns
		}
		b.time = converted
	}
	last := r.last
	for i, t := range b.time {
		if t <= last && (i > 0 || r.rows > 0) {
			found := instant(t) + ", earlier than the row before"
			if t == last {
				found = instant(t) + ", the same time as the row before"
			}
			return fault(i, found, "the row before is of "+instant(last)+", and rows come in the order of time; if clocks were set back, cut the file there")
		}
		last = t
	}
	r.last = last
	return nil
}

// zoned reads a local time of the form's zone, by the rules of text.
func (r *arrowRows) zoned(local int64) (int64, error) {
	minute := local - modulo(local, 60e9)
	if !r.clock.known || minute != r.clock.utc {
		r.clock.utc, r.clock.known = minute, false
		if f := r.clock.localOffset([]byte(time.Unix(0, minute).UTC().Format("2006-01-02T15:04"))); f != nil {
			return 0, errors.New(f.found + ": " + f.want)
		}
	}
	return local + r.clock.local, nil
}

func modulo(a, b int64) int64 {
	m := a % b
	if m < 0 {
		m += b
	}
	return m
}

func instant(t int64) string { return time.Unix(0, t).UTC().Format(time.RFC3339Nano) }

// column makes the block's column i that of the batch's rows from..to.
func (r *arrowRows) column(b *block, i, from, to int) {
	field := r.form.fields[i]
	c, kind, out := r.batch.Columns[field], r.file.Schema.Fields[field].Kind, &b.columns[i]
	size := kind.Size()
	data := c.Data[size*from : size*to]
	switch kind {
	case arrowipc.Float64:
		out.Float = arrowipc.Values[float64](data)
		if c.Nulls > 0 {
			own := b.ownFloats(i)[:to-from]
			copy(own, out.Float)
			out.Float = own
		}
	case arrowipc.Float32:
		own := b.ownFloats(i)[:to-from]
		for row, v := range arrowipc.Values[float32](data) {
			own[row] = float64(v)
		}
		out.Float = own
	case arrowipc.Int32:
		out.Counts = arrowipc.Values[int32](data)
	case arrowipc.Int16:
		own := b.ownCount(i)[:to-from]
		for row, v := range arrowipc.Values[int16](data) {
			own[row] = int32(v)
		}
		out.Counts = own
	}
	if c.Nulls == 0 {
		return
	}
	if out.Float != nil {
		for row := range out.Float {
			if !c.Valid(from + row) {
				out.Float[row] = math.NaN()
			}
		}
		return
	}
	out.Valid = b.ownValids(i)[:to-from]
	for row := range out.Valid {
		out.Valid[row] = c.Valid(from + row)
	}
}
