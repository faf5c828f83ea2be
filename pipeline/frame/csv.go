package frame

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
)

// csvRows reads the rows of a CSV file into blocks.
type csvRows struct {
	path     string
	in       io.ReadCloser
	form     *csvForm
	columnOf []int // column index of each field; -1 is the time

	buffer     []byte // one byte larger than what is read into it, for a last line feed
	start, end int    // what of it is not used yet
	ended      bool
	cut        bool  // the last line has no line feed of its own
	line       int   // of the row in work, counted from 1
	blank      int   // first blank line that no row may follow; 0 when there is none
	last       int64 // time of the row before
	rows       int64
	used       int64 // bytes of the file that are done
	scratch    []byte
}

// newCSVRows reads rows from in, which stands behind the header.
func newCSVRows(path string, in io.ReadCloser, p *preamble, form *csvForm) *csvRows {
	r := &csvRows{path: path, in: in, form: form, line: p.line, used: p.offset, last: math.MinInt64}
	r.columnOf = make([]int, form.fields)
	column := 0
	for i := range r.columnOf {
		r.columnOf[i] = column
		if i == form.timeAt {
			r.columnOf[i] = -1
		} else {
			column++
		}
	}
	r.buffer = make([]byte, maxLine+1)
	return r
}

// close gives the file and the buffer back; it may be called twice.
func (r *csvRows) close() error {
	if r.in == nil {
		return nil
	}
	err := r.in.Close()
	r.in, r.buffer = nil, nil
	return err
}

func (r *csvRows) done() int64 { return r.used }

// fill reads on until a whole line is there.
func (r *csvRows) fill() error {
	copy(r.buffer, r.buffer[r.start:r.end])
	r.end -= r.start
	r.start = 0
	searched := 0
	for !r.ended && r.end < len(r.buffer)-1 {
		n, err := r.in.Read(r.buffer[r.end : len(r.buffer)-1])
		r.end += n
		if errors.Is(err, io.EOF) {
			r.ended = true
		} else if err != nil {
			return &InputError{File: r.path, Row: r.line + 1, Err: err}
		}
		if n > 0 && bytes.IndexByte(r.buffer[searched:r.end], '\n') >= 0 {
			return nil
		}
		searched = r.end
	}
	if !r.ended {
		return &InputError{File: r.path, Row: r.line + 1, Found: fmt.Sprintf("a line of more than %d bytes", len(r.buffer)-1), Want: "end each row with a line feed"}
	}
	if r.end > 0 && r.buffer[r.end-1] != '\n' {
		r.buffer[r.end] = '\n'
		r.end++
		r.cut = true
	}
	return nil
}

// next fills b with the next rows, at most limit, and gives io.EOF when there
// are none left.
func (r *csvRows) next(b *block, limit int) error {
	b.own(r.form.columns)
	row := 0
	for row < limit {
		n := bytes.IndexByte(r.buffer[r.start:r.end], '\n')
		if n < 0 {
			if r.ended && r.start == r.end {
				break
			}
			if err := r.fill(); err != nil {
				return err
			}
			continue
		}
		line := r.buffer[r.start : r.start+n+1]
		r.start += n + 1
		r.used += int64(n + 1)
		r.line++
		if blank(line) {
			if r.blank == 0 {
				r.blank = r.line
			}
			continue
		}
		if r.blank > 0 {
			return &InputError{File: r.path, Row: r.blank, Found: "a blank line among the rows", Want: "leave it out"}
		}
		if err := r.parse(line, b, row); err != nil {
			return err
		}
		if r.cut && r.start == r.end {
			// 0.12 may be what is left of 0.1234: nothing tells the two apart.
			return &InputError{File: r.path, Row: r.line, Found: "a last line without line end",
				Want: "the file may have been cut off inside a number: end the line with a line feed if it is whole, else leave it out"}
		}
		row++
	}
	r.rows += int64(row)
	if row == 0 {
		if r.rows == 0 {
			return &InputError{File: r.path, Found: "a header and no rows", Want: "give a file with at least one row, or leave it out"}
		}
		if err := r.close(); err != nil {
			return &InputError{File: r.path, Err: err}
		}
		return io.EOF
	}
	b.show(row)
	return nil
}

func blank(line []byte) bool {
	for _, c := range line {
		if c != ' ' && c != '\r' && c != '\n' && c != '\t' {
			return false
		}
	}
	return true
}

// parse reads one line, which ends in a line feed, into row of b.
func (r *csvRows) parse(line []byte, b *block, row int) error {
	delimiter, decimal := r.form.delimiter, r.form.decimal
	plain := decimal
	if decimal == delimiter {
		plain = 0 // a decimal comma between commas is inside quotes or not at all
	}
	i, last := 0, len(r.columnOf)-1
	for field, column := range r.columnOf {
		for line[i] == ' ' {
			i++
		}
		if column >= 0 {
			// The common case: a plain number with its delimiter behind it.
			v, end, ok := scanNumber(line, i, plain)
			if ok && (field < last && line[end] == delimiter ||
				field == last && (line[end] == '\n' || line[end] == '\r' && line[end+1] == '\n')) {
				b.ownFloat[column][row] = v
				i = end + 1
				continue
			}
		}
		text, end, found := cutField(line, i, delimiter)
		if found != "" {
			return r.wrong(field, found, "close the quotes on the same line, and put nothing between quotes and delimiter")
		}
		atEnd := line[end] == '\n'
		if !atEnd && delimiter == ' ' {
			rest := end
			for line[rest] == ' ' || line[rest] == '\r' {
				rest++
			}
			atEnd = line[rest] == '\n'
		}
		if atEnd != (field == last) {
			return r.wrongCount(line)
		}
		if column < 0 {
			t, fault := r.form.clock.parse(text, decimal)
			if fault != nil {
				if fields, err := splitLine(bytes.TrimRight(line, " \r\n"), delimiter); err == nil && len(fields) != len(r.columnOf) {
					return r.wrongCount(line) // such as a date and a time with a delimiter between them
				}
				return r.wrong(field, fault.found, fault.want)
			}
			if t <= r.last {
				if err := r.notLater(field, text, t); err != nil {
					return err
				}
			}
			r.last = t
			b.ownTime[row] = t
		} else {
			v, fault := r.parseReading(text)
			if fault != nil {
				return r.wrong(field, fault.found, fault.want)
			}
			b.ownFloat[column][row] = v
		}
		i = end + 1
	}
	return nil
}

// cutField finds the field that begins at line[i], without blanks and quotes
// around it, and where its delimiter or line feed stands; found says what is
// wrong with its quotes.
func cutField(line []byte, i int, delimiter byte) (text []byte, end int, found string) {
	for line[i] == ' ' && delimiter != ' ' {
		i++
	}
	if line[i] == '"' {
		inside, after, ok := unquote(line[:len(line)-1], i)
		if !ok {
			return nil, i, "quotes that are not closed"
		}
		for line[after] == ' ' && delimiter != ' ' || line[after] == '\r' {
			after++
		}
		if line[after] != delimiter && line[after] != '\n' {
			return nil, i, quoted(line[after:len(line)-1]) + " after closing quotes"
		}
		return bytes.TrimSpace(inside), after, ""
	}
	end = i
	for line[end] != delimiter && line[end] != '\n' {
		end++
	}
	return bytes.TrimSpace(line[i:end]), end, ""
}

// parseReading reads a field that is not a plain number followed by its
// delimiter: blanks around it, quotes, a missing reading, or a mistake.
func (r *csvRows) parseReading(text []byte) (float64, *fault) {
	decimal := r.form.decimal
	switch {
	case len(text) == 0, len(text) == 1 && text[0] == '-':
		return math.NaN(), nil
	case len(text) <= 4 && bytes.EqualFold(bytes.TrimLeft(text, "+-"), []byte("nan")):
		return math.NaN(), nil
	}
	r.scratch = append(append(r.scratch[:0], text...), '\n')
	if v, end, ok := scanNumber(r.scratch, 0, decimal); ok && end == len(text) {
		return v, nil
	}
	want := "write a number, or leave the field empty where a reading is missing"
	other, word := byte(','), "comma"
	if decimal == ',' {
		other, word = '.', "point"
	}
	if at := bytes.IndexByte(text, other); at >= 0 {
		r.scratch[at] = decimal
		if _, end, ok := scanNumber(r.scratch, 0, decimal); ok && end == len(text) {
			want = "declare csv.decimal of the source as " + word + " if that is the decimal mark"
		}
	}
	return 0, &fault{quoted(text), want}
}

func (r *csvRows) columnName(field int) string {
	if c := r.columnOf[field]; c >= 0 {
		return r.form.columns[c].Name
	}
	return TimeColumn
}

func (r *csvRows) wrong(field int, found, want string) error {
	return &InputError{File: r.path, Row: r.line, Column: r.columnName(field), Found: found, Want: want}
}

func (r *csvRows) wrongCount(line []byte) error {
	line = bytes.TrimRight(line, " \r\n")
	fields, err := splitLine(line, r.form.delimiter)
	if err != nil {
		return &InputError{File: r.path, Row: r.line, Found: err.Error(), Want: "close the quotes on the same line"}
	}
	found, want := fmt.Sprintf("%d fields", len(fields)), fmt.Sprintf("the header has %d columns", len(r.columnOf))
	switch {
	case len(fields) < len(r.columnOf) && r.ended && r.start == r.end:
		found += " in the last row"
		want += "; the file is cut off: leave the incomplete row out"
	case len(fields) > len(r.columnOf) && r.form.delimiter == ',' && r.form.decimal == '.':
		want += "; with decimal commas, separate by semicolons or quote the numbers and declare csv.decimal of the source"
	case len(fields) > len(r.columnOf) && r.form.delimiter == ' ':
		want += "; in a file separated by blanks, join date and time by a T"
	}
	return &InputError{File: r.path, Row: r.line, Found: found, Want: want}
}

func (r *csvRows) notLater(field int, text []byte, t int64) error {
	if r.last == math.MinInt64 {
		return nil
	}
	if t == r.last {
		return r.wrong(field, quoted(text)+", the same time as the row before", "each row has its own, later time; write as many digits as the sample rate needs")
	}
	return r.wrong(field, quoted(text)+", earlier than the row before", "rows in the order of time; if clocks were set back, cut the file there")
}
