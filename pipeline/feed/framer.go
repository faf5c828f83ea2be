package feed

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/frame"
)

// ErrTime is returned for a row whose time is not later than that of the row
// before. Report it and go on: the next may be.
var ErrTime = errors.New("the time is not later than that of the row before")

// ErrLeap is returned for a row that is more than a year after the one before, as a
// damaged time stamp is. When the next row goes on from there the source's clock has
// been set, and it is taken; else it is taken as if there had been no such row.
var ErrLeap = errors.New("the time is more than a year after that of the row before")

// leap is how far a row may be ahead.
const leap = int64(366 * 24 * time.Hour)

// closes is how much time a frame may span.
const closes = 50 * time.Millisecond

// Framer gathers rows into the frames of one boot of a source. It is for one
// goroutine.
type Framer struct {
	frame   frame.Frame
	columns []frame.Column
	most    int // rows of a frame
	last    int64
	leapt   int64 // time of a row that was refused for its leap; 0 when there is none
	started bool
	rows    uint64
}

// NewFramer makes frames of rows at a nominal rate in Hz.
func NewFramer(source, boot string, rate float64, columns []frame.Column) *Framer {
	a := &Framer{frame: frame.Frame{Source: source, Boot: boot}}
	for _, c := range columns {
		a.columns = append(a.columns, frame.Column{Name: c.Name, Unit: c.Unit})
	}
	a.frame.Columns = append(a.frame.Columns, a.columns...)
	a.most = frame.RowsPerFrame(rate, 8+8*len(columns))
	return a
}

// ErrColumns is returned for columns that cannot follow those before.
var ErrColumns = errors.New("not the columns before")

// Fits is nil when rows of such columns can follow, else an ErrColumns that says
// what is other.
func (a *Framer) Fits(columns []frame.Column) error {
	var other []string
	for i, c := range columns {
		switch at := named(a.columns, c.Name); {
		case at < 0:
			other = append(other, fmt.Sprintf("%s is new", c.Name))
		case a.columns[at].Unit != c.Unit:
			other = append(other, fmt.Sprintf("the unit of %s changed from %s to %s", c.Name, a.columns[at].Unit, c.Unit))
		case at != i && len(columns) == len(a.columns):
			other = append(other, fmt.Sprintf("%s is column %d, was %d", c.Name, i+1, at+1))
		}
	}
	for _, c := range a.columns {
		if named(columns, c.Name) < 0 {
			other = append(other, fmt.Sprintf("%s is missing", c.Name))
		}
	}
	if len(other) > 0 {
		return fmt.Errorf("%w: %s", ErrColumns, strings.Join(other, ", "))
	}
	return nil
}

// named is where the column of a name is, -1 for nowhere.
func named(columns []frame.Column, name string) int {
	return slices.IndexFunc(columns, func(c frame.Column) bool { return c.Name == name })
}

// Add takes a row, at a time in ns. When the frame is to be closed before it,
// for it would span 50 ms or more, Add returns false and has not taken it: Take
// the frame and add it again.
func (a *Framer) Add(at int64, readings []float64) (taken bool, err error) {
	if a.started && at <= a.last {
		return true, fmt.Errorf("%w: %s after %s", ErrTime, instant(at), instant(a.last))
	}
	if a.started && leaps(a.last, at) && (a.leapt == 0 || at <= a.leapt || leaps(a.leapt, at)) {
		a.leapt = at
		return true, fmt.Errorf("%w: %s after %s; if the clock was set, the next row is taken", ErrLeap, instant(at), instant(a.last))
	}
	f := &a.frame
	if n := len(f.Time); n > 0 && (n >= a.most || at-f.Time[0] >= int64(closes)) {
		return false, nil
	}
	a.last, a.started, a.leapt = at, true, 0
	f.Time = append(f.Time, at)
	for i, v := range readings {
		f.Columns[i].Float = append(f.Columns[i].Float, v)
	}
	return true, nil
}

// leaps may be asked of any two times: halves do not overflow.
func leaps(from, to int64) bool { return to/2-from/2 > leap/2 }

// Full says whether no row fits any more.
func (a *Framer) Full() bool { return len(a.frame.Time) >= a.most }

// Take closes the frame: nil when it has no row. It is valid until the next
// Take, and Add goes into the next one after Done.
func (a *Framer) Take() *frame.Frame {
	if len(a.frame.Time) == 0 {
		return nil
	}
	return &a.frame
}

// Done begins the next frame, when the one taken is out of the house.
func (a *Framer) Done() {
	f := &a.frame
	a.rows += uint64(len(f.Time))
	f.Number++
	f.Counter = a.rows
	f.Time = f.Time[:0]
	for i := range f.Columns {
		f.Columns[i].Float = f.Columns[i].Float[:0]
	}
}

// Rows are those of the frames that are done.
func (a *Framer) Rows() uint64 { return a.rows }

func instant(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339Nano) }
