package compare

import (
	"context"
	"errors"
	"math"

	"glueline/sinks/segment"
)

// Window is a stretch of time, ns since 1970 UTC: From up to To, To excluded.
type Window struct{ From, To int64 }

// Options are what else Sides is asked; the zero value asks for nothing.
type Options struct {
	Windows []Window
	Want    func(of string) bool // channel, rosette, temperature or quantity; nil: all
	Bins    int                  // see Trace
	Span    Window               // that the bins divide
	Done    func(bytes int64)    // is told of what was read; may be nil
}

// Column is one column of a source in both sides.
type Column struct {
	Source, Name, Of, Unit, Quantity string // with its unit in its name, as in the segments
	InA, InB                         bool   // whether the side has the column in any file
	Whole                            Change
	In                               []Change // by window
	Trace                            []Bin    // by bin
}

// Axis reports whether the values are directions of an axis: of the principal
// strains of a rosette. Such have no least and no largest, since half a turn on they
// are the same.
func (c *Column) Axis() bool { return c.Unit == "rad" }

// Less is the second side's value less the first's; of an axis the turn by the
// shorter way, within a quarter of a turn.
func (c *Column) Less(a, b float64) float64 { return less(a, b, c.Axis()) }

// rounding is how far, of the column's largest value, two computations of the same
// number may be apart: some thousand times the spacing of float64, far below what any
// reading resolves. Of our own choice.
const rounding = 1e-12

// RoundingOnly reports whether a stretch of the column has differences, and they are
// those of rounding alone: as where the same result was worked out in another order.
func (c *Column) RoundingOnly(x *Change) bool {
	largest := 1.0 // rad
	if !c.Axis() {
		largest = max(math.Abs(c.Whole.A.Min), math.Abs(c.Whole.A.Max), math.Abs(c.Whole.B.Min), math.Abs(c.Whole.B.Max))
	}
	return x.Largest != 0 && math.Abs(x.Largest) <= rounding*largest && x.Flags == 0 && x.OnlyA == 0 && x.OnlyB == 0 &&
		x.A.N == x.Rows && x.B.N == x.Rows
}

// Rows are those of a source.
type Rows struct {
	Source       string
	Both         int64
	OnlyA, OnlyB int64
	First        int64 // time of the first row of one side only; 0 for none
}

// Result is a comparison, in the order of the first side's files and then the
// second's.
type Result struct {
	Columns []*Column
	Sources []Rows
}

// Sides compares all columns of numbers in two sides.
func Sides(ctx context.Context, a, b Side, o Options) (*Result, error) {
	if o.Done == nil {
		o.Done = func(int64) {}
	}
	all := a.sources()
	seen := map[string]bool{}
	for _, s := range all {
		seen[s] = true
	}
	for _, s := range b.sources() {
		if !seen[s] {
			all = append(all, s)
		}
	}
	out := &Result{}
	for _, name := range all {
		s := &source{Options: &o, rows: Rows{Source: name}, a: a.of(name), b: b.of(name), columns: map[string]*Column{}}
		err := s.run(ctx)
		if err := errors.Join(err, s.a.close(), s.b.close()); err != nil {
			return nil, err
		}
		out.Columns = append(out.Columns, s.order...)
		out.Sources = append(out.Sources, s.rows)
	}
	return out, nil
}

// source is a source under way.
type source struct {
	*Options
	rows    Rows
	a, b    *rows
	order   []*Column
	columns map[string]*Column
	joined  []joined
	files   [2]int // that joined was made for
	spans   []span
}

// joined is where a column is in the files that are open; -1 for nowhere.
type joined struct {
	*Column
	a, b           int
	flagsA, flagsB int
	first          bool // of its channel
}

// span is a run of the rows in hand that a window covers.
type span struct{ window, from, to int }

func (s *source) run(ctx context.Context) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		moreA, errA := s.a.more(s.Done)
		moreB, errB := s.b.more(s.Done)
		if err := errors.Join(errA, errB); err != nil {
			return err
		}
		if !moreA && !moreB {
			return nil
		}
		s.join()
		switch n := s.together(); {
		case n > 0:
			s.both(n)
		case !moreB || moreA && s.a.times()[0] < s.b.times()[0]:
			s.one(s.a, s.b, &s.rows.OnlyA, true)
		default:
			s.one(s.b, s.a, &s.rows.OnlyB, false)
		}
	}
}

// together is how many of the next rows have the same times on both sides.
func (s *source) together() (n int) {
	if s.a.left() == 0 || s.b.left() == 0 {
		return 0
	}
	x, y := s.a.times(), s.b.times()
	for n < len(x) && n < len(y) && x[n] == y[n] {
		n++
	}
	return n
}

// join finds the columns of the files that are open.
func (s *source) join() {
	now := [2]int{s.a.read, s.b.read}
	if s.a.open == nil {
		now[0] = -1
	}
	if s.b.open == nil {
		now[1] = -1
	}
	if now == s.files {
		return
	}
	s.files, s.joined = now, s.joined[:0]
	at, first := map[string]int{}, map[string]bool{}
	for k, side := range []*rows{s.a, s.b} {
		if side.open == nil {
			continue
		}
		flags := map[string]int{}
		for i, f := range side.open.Fields[2:] {
			if f.Kind == segment.Flags {
				flags[about(f, "of")] = i
			}
		}
		for i, f := range side.open.Fields[2:] {
			of := about(f, "of")
			if f.Kind != segment.Float || s.Want != nil && !s.Want(of) {
				continue
			}
			j, ok := at[f.Name]
			if !ok {
				j = len(s.joined)
				at[f.Name] = j
				s.joined = append(s.joined, joined{Column: s.column(f), a: -1, b: -1, flagsA: -1, flagsB: -1, first: !first[of]})
				first[of] = true
			}
			flagged, ok := flags[of]
			if !ok {
				flagged = -1
			}
			if c := &s.joined[j]; k == 0 {
				c.a, c.flagsA, c.InA = i, flagged, true
			} else {
				c.b, c.flagsB, c.InB = i, flagged, true
			}
		}
	}
}

func (s *source) column(f segment.Field) *Column {
	c := s.columns[f.Name]
	if c == nil {
		c = &Column{Source: s.rows.Source, Name: f.Name, Of: about(f, "of"), Unit: f.Unit, Quantity: about(f, "quantity")}
		c.In = make([]Change, len(s.Windows))
		c.Trace = newTrace(s.Bins)
		s.columns[f.Name] = c
		s.order = append(s.order, c)
	}
	return c
}

func about(f segment.Field, key string) string {
	for _, m := range f.Metadata {
		if m[0] == key {
			return m[1]
		}
	}
	return ""
}

// cover finds the runs of rows that the windows cover.
func (s *source) cover(times []int64) {
	s.spans = s.spans[:0]
	first, last := int64(math.MaxInt64), int64(math.MinInt64)
	for _, t := range times {
		first, last = min(first, t), max(last, t)
	}
	for k, w := range s.Windows {
		if last < w.From || first >= w.To {
			continue
		}
		for i := 0; i < len(times); {
			if times[i] < w.From || times[i] >= w.To {
				i++
				continue
			}
			from := i
			for i < len(times) && times[i] >= w.From && times[i] < w.To {
				i++
			}
			s.spans = append(s.spans, span{k, from, i})
		}
	}
}

// both takes n rows of both sides.
func (s *source) both(n int) {
	times := s.a.times()[:n]
	s.cover(times)
	for i := range s.joined {
		c := &s.joined[i]
		x, y := s.a.floats(c.a, n), s.b.floats(c.b, n)
		fx, fy := s.a.flags(c.flagsA, n), s.b.flags(c.flagsB, n)
		take := func(to *Change, from, until int) {
			switch {
			case x == nil:
				to.B.one(y[from:until], c.Axis(), cut(fy, from, until))
			case y == nil:
				to.A.one(x[from:until], c.Axis(), cut(fx, from, until))
			default:
				to.pair(x[from:until], y[from:until], c.Axis(), cut(fx, from, until), cut(fy, from, until), times[from:until])
				if c.first && fx != nil && fy != nil {
					to.flags(fx[from:until], fy[from:until])
				}
			}
		}
		take(&c.Whole, 0, n)
		for _, p := range s.spans {
			take(&c.In[p.window], p.from, p.to)
		}
		s.trace(c.Column, times, x, y, fx, fy)
	}
	s.rows.Both += int64(n)
	s.a.at += n
	s.b.at += n
}

func cut(flags []uint32, from, to int) []uint32 {
	if flags == nil {
		return nil
	}
	return flags[from:to]
}

// one takes the rows of one side that come before the next of the other.
func (s *source) one(r, other *rows, only *int64, isA bool) {
	times := r.times()
	n := len(times)
	if other.left() > 0 {
		next := other.times()[0]
		for n = 1; n < len(times) && times[n] < next; {
			n++
		}
	}
	times = times[:n]
	if s.rows.First == 0 {
		s.rows.First = times[0]
	}
	s.cover(times)
	for i := range s.joined {
		c := &s.joined[i]
		column, flagged := c.a, c.flagsA
		if !isA {
			column, flagged = c.b, c.flagsB
		}
		x, flags := r.floats(column, n), r.flags(flagged, n)
		if x == nil {
			continue
		}
		side := func(to *Change) *Values {
			if isA {
				return &to.A
			}
			return &to.B
		}
		side(&c.Whole).one(x, c.Axis(), flags)
		for _, p := range s.spans {
			side(&c.In[p.window]).one(x[p.from:p.to], c.Axis(), cut(flags, p.from, p.to))
		}
		if isA {
			s.trace(c.Column, times, x, nil, flags, nil)
		} else {
			s.trace(c.Column, times, nil, x, nil, flags)
		}
	}
	*only += int64(n)
	r.at += n
}
