package archive

import (
	"errors"
	"fmt"
	"io"
	"strconv"

	"glueline/pipeline/frame"
	"glueline/pipeline/worker"
	"glueline/sinks/segment"
)

// Reader gives the frames and events of one cut in the group's order.
type Reader struct {
	sources []*cursor
	events  []worker.PlacedEvent
}

// ErrDamaged occurs when raw files do not hold what their record says.
var ErrDamaged = errors.New("damaged raw archive")

// Open opens the files of a cut. Each batch is checked against the record's
// checksum before it is used.
func Open(dir string, r *Record) (*Reader, error) {
	out := &Reader{events: r.Events}
	for _, file := range r.Files {
		seg, err := segment.ReadCommitted(dir, file)
		if err != nil {
			return nil, errors.Join(err, out.Close())
		}
		c := &cursor{segment: seg}
		out.sources = append(out.sources, c)
		if err := c.begin(r.Runs); err != nil {
			return nil, errors.Join(fmt.Errorf("%s: %w", file.Name, err), out.Close())
		}
	}
	return out, nil
}

// ReadBack reads a cut of a group from its files, all frames and events, each
// batch against its checksum.
func ReadBack(dir, group string, cut uint64) error {
	record, err := Read(dir, group, cut)
	if err != nil {
		return err
	}
	r, err := Open(dir, record)
	if err != nil {
		return err
	}
	for {
		if _, err := r.Next(); errors.Is(err, io.EOF) {
			return r.Close()
		} else if err != nil {
			return errors.Join(err, r.Close())
		}
	}
}

// Close gives the files back.
func (r *Reader) Close() error {
	var err error
	for _, c := range r.sources {
		err = errors.Join(err, c.segment.Close())
	}
	r.sources = nil
	return err
}

// Next returns the next frame or event, or io.EOF.
func (r *Reader) Next() (worker.Item, error) {
	var first *cursor
	for _, c := range r.sources {
		if c.batch != nil && (first == nil || c.place() < first.place()) {
			first = c
		}
	}
	if len(r.events) > 0 && (first == nil || r.events[0].Place < first.place()) {
		e := &r.events[0]
		r.events = r.events[1:]
		return worker.Item{Place: e.Place, Event: e}, nil
	}
	if first == nil {
		for _, c := range r.sources {
			if len(c.runs) > 0 {
				return worker.Item{}, fmt.Errorf("%w: source %s lacks the frames from %d of boot %q on", ErrDamaged, c.source, c.runs[0].Number+c.index, c.runs[0].Boot)
			}
		}
		return worker.Item{}, io.EOF
	}
	place := first.place()
	f, err := first.next()
	if err != nil {
		return worker.Item{}, err
	}
	return worker.Item{Place: place, Frame: f}, nil
}

const partKey = "part"

// cursor reads the frames of one file.
type cursor struct {
	segment *segment.Segment
	source  string
	runs    []Run          // that are not all read
	index   uint64         // of the next frame in the first of them
	batch   *segment.Batch // nil at the end
	row     int
	out     frame.Frame
}

// place is that of the next frame.
func (c *cursor) place() uint64 { return c.batch.Counter[c.row] }

func (c *cursor) begin(runs []Run) error {
	part := 0
	for _, m := range c.segment.Metadata {
		switch m[0] {
		case "source":
			c.source = m[1]
		case partKey:
			part, _ = strconv.Atoi(m[1]) // what is no number has no runs, and rows left over
		}
	}
	for _, run := range runs {
		if run.Source == c.source && run.Part == part && run.Frames > 0 {
			c.runs = append(c.runs, run)
		}
	}
	for _, f := range c.segment.Fields[2:] {
		c.out.Columns = append(c.out.Columns, frame.Column{Name: f.Name, Unit: f.Unit})
	}
	c.out.Source = c.source
	return c.fill()
}

// fill makes the batch in hand one that has rows left; nil at the end.
func (c *cursor) fill() error {
	for c.batch == nil || c.row == c.batch.Rows {
		b, err := c.segment.Next()
		if errors.Is(err, io.EOF) {
			c.batch = nil
			return nil
		}
		if err != nil {
			return err
		}
		c.batch, c.row = b, 0
	}
	return nil
}

// next copies the rows of the next frame out of the batches.
func (c *cursor) next() (*frame.Frame, error) {
	place := c.place()
	if len(c.runs) == 0 {
		return nil, fmt.Errorf("%w: source %s has rows at place %d that its record does not know", ErrDamaged, c.source, place)
	}
	run, f := &c.runs[0], &c.out
	f.Boot, f.Number, f.Counted, f.Late = run.Boot, run.Number+c.index, run.Counted, run.Late
	switch {
	case !f.Counted:
		f.Counter = 0
	case c.index == 0:
		f.Counter = run.Counter
	default:
		f.Counter += uint64(len(f.Time)) // behind the frame before it in its run
	}
	if c.index++; c.index == run.Frames {
		c.runs, c.index = c.runs[1:], 0
	}
	f.Time = f.Time[:0]
	for i := range f.Columns {
		col := &f.Columns[i]
		col.Float, col.Counts, col.Valid = col.Float[:0], col.Counts[:0], nil
	}
	for c.batch != nil && c.place() == place {
		to := c.row
		for to < c.batch.Rows && c.batch.Counter[to] == place {
			to++
		}
		c.take(f, c.row, to)
		c.row = to
		if err := c.fill(); err != nil {
			return nil, err
		}
	}
	return f, nil
}

func (c *cursor) take(f *frame.Frame, from, to int) {
	before := len(f.Time)
	f.Time = append(f.Time, c.batch.Time[from:to]...)
	for i := range f.Columns {
		in, out := &c.batch.Columns[i], &f.Columns[i]
		if c.segment.Fields[i+2].Kind != segment.Counts {
			out.Float = append(out.Float, in.Float[from:to]...)
			continue
		}
		if out.Counts == nil {
			out.Counts = []int32{}
		}
		out.Counts = append(out.Counts, in.Counts[from:to]...)
		if in.Valid == nil && out.Valid == nil {
			continue
		}
		for len(out.Valid) < before {
			out.Valid = append(out.Valid, true)
		}
		for row := from; row < to; row++ {
			out.Valid = append(out.Valid, in.Valid == nil || in.Valid[row])
		}
	}
}
