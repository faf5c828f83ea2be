package frame

import "fmt"

// Frame is a run of consecutive rows of one source. Its columns may be views
// of a larger block and are read only.
type Frame struct {
	Source  string
	Boot    string   // one run of the source's clock and counter; a file has the boot "file"
	Number  uint64   // counts the frames of a boot from 0
	Counter uint64   // sample counter of the first row
	Counted bool     // Counter is the source's own, and not a count of the rows that came
	Late    bool     // a frame with a higher number came before it
	Time    []int64  // nanoseconds since 1970-01-01 UTC, one a row
	Columns []Column // in the order of the file

	from *block // whose memory it shows; nil when it has its own
}

// Rows returns the number of rows.
func (f *Frame) Rows() int { return len(f.Time) }

// RowBytes returns what a row of raw readings takes: its time, and 4 bytes a
// count or 8 any other reading.
func (f *Frame) RowBytes() int {
	n := 8
	for _, c := range f.Columns {
		if c.Counts != nil {
			n += 4
		} else {
			n += 8
		}
	}
	return n
}

// Column is one input's readings: Float or Counts, never both. A missing
// reading is NaN in Float, and false in Valid for Counts.
type Column struct {
	Name   string // the input
	Unit   string // as in the header or the field metadata; "" when it states none
	Float  []float64
	Counts []int32
	Valid  []bool // only with Counts; nil when all are
}

// Slice returns the rows from..to as a view.
func (c Column) Slice(from, to int) Column {
	s := Column{Name: c.Name, Unit: c.Unit}
	if c.Float != nil {
		s.Float = c.Float[from:to]
	}
	if c.Counts != nil {
		s.Counts = c.Counts[from:to]
	}
	if c.Valid != nil {
		s.Valid = c.Valid[from:to]
	}
	return s
}

// RowsPerFrame is how many rows close a frame: 256 KiB or 50 ms of data,
// whichever comes first, never below one.
func RowsPerFrame(rateHz float64, rowBytes int) int {
	const maxBytes, maxSeconds = 256 << 10, 0.050
	rows := int(rateHz * maxSeconds)
	if rowBytes > 0 && rows > maxBytes/rowBytes {
		rows = maxBytes / rowBytes
	}
	return max(rows, 1)
}

// InputError says where a raw file is wrong and what would be right.
type InputError struct {
	File   string
	Row    int // of a text file, its line (comments and header count); of an Arrow file, its row; from 1; 0 when the whole file is meant
	Column string
	Found  string
	Want   string
	Err    error
}

func (e *InputError) Error() string {
	s := e.File
	if e.Row > 0 {
		s += fmt.Sprintf(":%d", e.Row)
	}
	if e.Column != "" {
		s += fmt.Sprintf(": column %q", e.Column)
	}
	if e.Found != "" {
		s += ": found " + e.Found
	}
	if e.Want != "" {
		s += "; " + e.Want
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

func (e *InputError) Unwrap() error { return e.Err }

// Slice returns the rows from..to as a view.
func (f *Frame) Slice(from, to int) Frame {
	s := *f
	s.Counter += uint64(from)
	s.Time = f.Time[from:to]
	s.Columns = make([]Column, len(f.Columns))
	for i, c := range f.Columns {
		s.Columns[i] = c.Slice(from, to)
	}
	return s
}
