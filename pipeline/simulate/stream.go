package simulate

import (
	"slices"
	"time"

	"glueline/pipeline/frame"
)

// Stream makes the readings of a test frame by frame and without files, in the
// order in which its sources publish them, whatever their clocks say. A row of
// temperatures goes ahead of the strains of its moment.
type Stream struct {
	options Options
	plan    *plan
	span    time.Duration
	nodes   []*publisher
}

// publisher is a source that numbers its frames.
type publisher struct {
	rows
	ticks
	name  string
	next  int // row
	frame frame.Frame
	clock []int64
}

// NewStream begins the test of the options, in frames of span, of one row at least
// and of some thousands at most. Where sources are named, the others are silent.
// Of Options, Format means nothing here.
func NewStream(o Options, span time.Duration, only ...string) (*Stream, error) {
	o, err := o.filled()
	if err != nil {
		return nil, err
	}
	s := &Stream{options: o, plan: newPlan(o.Start, o.Duration), span: span}
	sky := newWeather(o.Start, o.Duration, schedule{o.Duration}).warm(o.Faults)
	add := func(name string, r rows, t ticks) {
		if len(only) > 0 && !slices.Contains(only, name) {
			return
		}
		s.nodes = append(s.nodes, &publisher{rows: r, ticks: t, name: name, clock: make([]int64, blockRows)})
	}
	l := newLogger(o, sky)
	add(loggerName, l, l.ticks)
	all := channels()
	for _, source := range sources {
		n, err := newNode(source, all, o, s.plan, sky)
		if err != nil {
			return nil, err
		}
		add(source.name, n, n.ticks)
	}
	return s, nil
}

// TestFile returns the test file of the test.
func (s *Stream) TestFile() []byte { return s.options.testFile() }

// Events returns what people do during the test, as JSON lines.
func (s *Stream) Events() ([]byte, error) { return s.plan.lines() }

// Next returns the next frame, nil at the end. What it shows is overwritten when
// the next frame of its source is made.
func (s *Stream) Next() *frame.Frame {
	var first *publisher
	for _, p := range s.nodes {
		if p.next < p.ticks.rows && (first == nil || p.after(p.next) < first.after(first.next)) {
			first = p
		}
	}
	if first == nil {
		return nil
	}
	return first.publish(s.span)
}

// publish makes the rows up to span behind the next one.
func (p *publisher) publish(span time.Duration) *frame.Frame {
	end := p.after(p.next) + span
	n := 1
	for n < len(p.clock) && p.next+n < p.ticks.rows && p.after(p.next+n) < end {
		n++
	}
	number := p.frame.Number + 1
	if p.next == 0 {
		number = 0
	}
	clock := p.clock[:n]
	columns := p.fill(p.next, clock)
	for i, head := range p.columns() {
		columns[i].Name, columns[i].Unit = head.Name, head.Unit
	}
	p.frame = frame.Frame{
		Source: p.name, Boot: "simulated", Number: number,
		Counter: uint64(p.next), Counted: true,
		Time: clock, Columns: columns,
	}
	p.next += n
	return &p.frame
}
