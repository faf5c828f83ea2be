package feed

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"glueline/pipeline/frame"
	"glueline/pipeline/testfile"
)

// ErrForm is wrapped by errors that no later line can mend: the header, the
// units, or columns that are not those of the source.
var ErrForm = errors.New("the lines cannot be read")

// Decoder turns lines of one source into rows. Whether they are CSV or JSON is
// told by the first. It is for one goroutine.
type Decoder struct {
	name     string
	test     *testfile.Test
	source   string
	line     int    // counted from 1
	header   []byte // of CSV, until the first row has come
	headerAt int
	csv      *frame.Lines
	json     *jsonRows
	row      []byte
	readings []float64
	dead     error
}

// NewDecoder reads lines of a source; name stands before the line numbers in
// errors.
func NewDecoder(name string, test *testfile.Test, source string) *Decoder {
	return &Decoder{name: name, test: test, source: source}
}

// Columns are the names and units of the readings, once there was a row.
func (d *Decoder) Columns() []frame.Column {
	switch {
	case d.csv != nil:
		return d.csv.Columns()
	case d.json != nil:
		return d.json.columns
	}
	return nil
}

// Line reads the next line. ok is false where it holds no row: blank, a comment,
// a header, units. readings are in the order of Columns, NaN where missing, and
// valid until the next call. Any error is about this line alone, with its
// number, unless it is ErrForm, which stays.
func (d *Decoder) Line(text []byte) (at int64, readings []float64, ok bool, err error) {
	d.line++
	if d.line == 1 {
		text = bytes.TrimPrefix(text, []byte("\xEF\xBB\xBF"))
	}
	text = bytes.TrimRight(text, "\r\n")
	if d.dead != nil {
		return 0, nil, false, d.dead
	}
	trimmed := bytes.TrimSpace(text)
	if len(trimmed) == 0 || trimmed[0] == '#' && d.csv == nil {
		return 0, nil, false, nil
	}
	if d.json != nil || d.csv == nil && d.header == nil && trimmed[0] == '{' {
		return d.jsonLine(trimmed)
	}
	return d.csvLine(text)
}

// Skip counts a line that is left out.
func (d *Decoder) Skip() { d.line++ }

// Number is that of the newest line, from 1.
func (d *Decoder) Number() int { return d.line }

func (d *Decoder) csvLine(text []byte) (at int64, readings []float64, ok bool, err error) {
	if d.csv == nil && d.header == nil {
		d.header, d.headerAt = bytes.Clone(text), d.line
		return 0, nil, false, nil
	}
	d.row = append(append(d.row[:0], text...), '\n')
	row := d.row
	if d.csv == nil {
		if d.csv, err = frame.NewLines(d.name, d.test, d.source, d.header, row, d.headerAt); err != nil {
			d.dead = fmt.Errorf("%w: %w", ErrForm, err)
			return 0, nil, false, d.dead
		}
	}
	at, d.readings, err = d.csv.Row(d.readings[:0], row, d.line)
	return at, d.readings, err == nil, err
}

// jsonRows are rows of JSON lines.
type jsonRows struct {
	units   map[string]string
	times   *frame.Instants
	columns []frame.Column
	at      map[string]int
}

func (d *Decoder) jsonLine(text []byte) (at int64, readings []float64, ok bool, err error) {
	wrong := func(err error) error { return fmt.Errorf("%s:%d: %w", d.name, d.line, err) }
	members, err := parseObject(text)
	if err != nil {
		return 0, nil, false, wrong(err)
	}
	if d.json == nil {
		d.json = &jsonRows{}
		if d.json.times, err = frame.NewInstants(zoneOf(d.test, d.source)); err != nil {
			return 0, nil, false, wrong(err)
		}
		var stated bool
		if d.json.units, stated, err = units(members); err != nil {
			d.dead = fmt.Errorf("%w: %w", ErrForm, wrong(err))
			return 0, nil, false, d.dead
		}
		if stated {
			return 0, nil, false, nil
		}
	}
	r := d.json
	columns, index := r.columns, r.at
	if columns == nil {
		if columns, index, err = r.begin(members, frame.InputsInUse(d.test, d.source)); err != nil {
			return 0, nil, false, wrong(err)
		}
	}
	d.readings = d.readings[:0]
	for range columns {
		d.readings = append(d.readings, math.NaN())
	}
	timed := false
	for i := range members {
		m := &members[i]
		if m.array {
			return 0, nil, false, wrong(fmt.Errorf("%q holds an array; write one row a line", m.key))
		}
		if m.key == frame.TimeColumn {
			texts, err := m.instants()
			if err == nil {
				at, err = r.times.Parse([]byte(texts[0]))
			}
			if err != nil {
				return 0, nil, false, wrong(err)
			}
			timed = true
			continue
		}
		column, known := index[m.key]
		if !known {
			return 0, nil, false, wrong(fmt.Errorf("the input %q, which the first row has not; it has %s", m.key, names(columns)))
		}
		values, err := m.readings()
		if err != nil {
			return 0, nil, false, wrong(err)
		}
		d.readings[column] = values[0]
	}
	if !timed {
		return 0, nil, false, wrong(errors.New(`no "time"`))
	}
	r.columns, r.at = columns, index
	return at, d.readings, true, nil
}

// begin makes columns of the first row.
func (r *jsonRows) begin(members []member, used []string) ([]frame.Column, map[string]int, error) {
	var columns []frame.Column
	index := map[string]int{}
	for _, m := range members {
		if m.key == frame.TimeColumn {
			continue
		}
		index[m.key] = len(columns)
		columns = append(columns, frame.Column{Name: m.key, Unit: r.units[m.key]})
	}
	var missing []string
	for _, input := range used {
		if _, ok := index[input]; !ok {
			missing = append(missing, input)
		}
	}
	for input := range r.units {
		if _, ok := index[input]; !ok && !slices.Contains(missing, input) {
			missing = append(missing, input)
		}
	}
	if len(missing) > 0 {
		slices.Sort(missing)
		return nil, nil, fmt.Errorf("no %s; the first row names all inputs, with null where a reading is missing", strings.Join(missing, ", "))
	}
	if len(columns) == 0 {
		return nil, nil, errors.New("no reading")
	}
	return columns, index, nil
}

func names(columns []frame.Column) string {
	var all []string
	for _, c := range columns {
		all = append(all, c.Name)
	}
	return strings.Join(all, ", ")
}

// zoneOf is the zone of times that state none.
func zoneOf(test *testfile.Test, source string) string {
	s, ok := test.Sources.Get(source)
	if !ok {
		return test.About.Zone.Text
	}
	return s.CSV.Zone.Or(test.About.Zone.Text)
}
