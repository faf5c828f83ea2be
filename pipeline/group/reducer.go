package group

import (
	"errors"
	"fmt"
	"math"

	"glueline/pipeline/channel"
	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/reduce"
)

// ErrFrame occurs when a frame does not fit the test file: an unknown source, a
// missing input, an impossible unit.
var ErrFrame = errors.New("frame does not fit the test file")

// Reducer applies a plan to frames and events in the order in which they are
// handed in.
type Reducer struct {
	plan  *Plan
	state *State
	runs  map[string]*sourceRun
	temps []*temperatureRun

	spread       Spread // nil: one channel after the other
	hands        []*hand
	partReadings int
}

// NewReducer starts with nothing known.
func NewReducer(p *Plan) *Reducer { return NewReducerAt(p, newState(p)) }

// NewReducerAt goes on from a state of Plan.ReadState, which it takes over.
func NewReducerAt(p *Plan, state *State) *Reducer {
	r := &Reducer{plan: p, state: state, runs: map[string]*sourceRun{}, hands: []*hand{new(hand)}, partReadings: partReadings}
	for _, t := range p.temperatures {
		r.temps = append(r.temps, &temperatureRun{plan: t, state: r.state.Temperatures[t.name]})
	}
	for _, s := range p.sources {
		r.runs[s.name] = newSourceRun(r, s)
	}
	return r
}

// State returns what the reducer remembers; it changes with the next frame.
func (r *Reducer) State() *State { return r.state }

// Event takes an event. It holds for every source from the first row at or
// after its time that comes later.
func (r *Reducer) Event(e event.Event) {
	if e.Paired() && e.State == "end" {
		r.leave(&e)
	}
	r.state.begun(&e)
	if e.Paired() && e.State == "begin" {
		r.noteWire(&e)
	}
	for _, s := range r.plan.sources {
		if e.Source != "" && e.Source != s.name {
			continue
		}
		r.state.Sources[s.name].wait(Pending{At: e.Time.UnixNano(), Event: e})
	}
}

// Reduce reduces one frame into b, whose buffers it reuses. Consecutive frames
// of a source may come as one, from the border of a frame on; what they give is
// the same.
func (r *Reducer) Reduce(f *frame.Frame, b *Batch) error {
	run := r.runs[f.Source]
	if run == nil {
		return fmt.Errorf("%w: no source %q in group %s", ErrFrame, f.Source, r.plan.Name)
	}
	if err := run.bind(f); err != nil {
		return err
	}
	rows := f.Rows()
	b.reset(f.Source, run.plan.fields, rows)
	if rows == 0 {
		return nil
	}
	run.checkClock(f)
	last := f.Time[rows-1]
	f = run.correctClock(f, b)
	for i := range b.Counter {
		b.Counter[i] = run.state.Rows + uint64(i)
	}
	run.start(f.Time[0])
	run.readAuxiliary(f, b)
	for _, c := range run.channels {
		c.clear(b, rows)
	}
	for from, known := 0, 0; from < rows; {
		if from == known {
			// A row finds the temperatures of its own frame, but of no later one.
			known = min(rows, from+run.frameRows(f))
			run.readTemperatures(f, b, from, known)
		}
		run.arrive(f.Time[from])
		to := min(known, run.nextChange(f.Time, from))
		run.late = f.Time[from] <= run.state.Newest && run.state.Rows+uint64(from) > 0
		run.reduceRows(f, b, from, to)
		run.state.Newest = max(run.state.Newest, f.Time[to-1])
		from = to
	}
	run.rosettes(b)
	run.rememberLoad(b)
	run.state.Last, run.state.LastCounter, run.state.Boot = last, f.Counter+uint64(rows-1), f.Boot
	run.state.Rows += uint64(rows)
	return nil
}

// correctClock gives a batch the times of a frame as the test file has its source's
// clock, and returns the frame with these.
func (run *sourceRun) correctClock(f *frame.Frame, b *Batch) *frame.Frame {
	if run.plan.ahead == 0 {
		copy(b.Time, f.Time)
		return f
	}
	for i, at := range f.Time {
		b.Time[i] = at - run.plan.ahead
	}
	run.corrected = *f
	run.corrected.Time = b.Time
	return &run.corrected
}

// Newest is the newest time of a source, as its own clock says it; ok is false before
// its first row.
func (r *Reducer) Newest(source string) (ns int64, ok bool) {
	run := r.runs[source]
	if run == nil || run.state.Newest == math.MinInt64 {
		return 0, false
	}
	return run.state.Newest + run.plan.ahead, true
}

// frameRows is the number of rows after which a source's own temperatures must
// be read again: those of a frame, or all where there are none or no channel.
func (run *sourceRun) frameRows(f *frame.Frame) int {
	if len(run.own) == 0 || len(run.channels) == 0 {
		return f.Rows()
	}
	return frame.RowsPerFrame(run.plan.source.Rate.Value, f.RowBytes())
}

// sourceRun is a source at work.
type sourceRun struct {
	reducer    *Reducer
	plan       *sourcePlan
	state      *SourceState
	bound      []frame.Column // the frame's columns as bound, names and units only
	channels   []*channelRun
	auxiliary  []auxiliaryRun
	corrected  frame.Frame // the one in hand, where the clock is not right
	clock      flag.Mask   // what the frame's own order and clock deserve
	late       bool        // rows in hand are no newer than some before
	gap        int64       // ns between readings that are not compared with each other
	in         rowsInHand
	part       func(hand, part int) // reducePart, once and for all
	excitation int                  // column of the measured excitation, -1 for none
	volts      []float64
	own        []*temperatureRun
	temps      []*temperatureColumn // one a temperature of the group, filled for a range of rows
	indicated  [][]float64
	told       []ZeroInForce // of the present cut: zeros that are not in force, or no more
	load       int           // in auxiliary, -1 when another source or none reads it
	account    *account      // that somebody waits for, nil mostly
}

type channelRun struct {
	plan  *channelPlan
	wires []*wireRun
}

type wireRun struct {
	plan   *wirePlan
	state  *InputState
	beside []*wireRun // the wires of the channel, this one too
	raw    channel.Raw
	column int
	zero   *ZeroRecord      // that ready is made for
	ready  *channel.Channel // nil without a zero
	// The channel has a temperature that its zero does not know: nothing can be
	// corrected for it, and every row says so.
	blindGauge, blindLeads bool

	carried int     // carries that ready is made with
	floor   float64 // see jumpFloor, in the unit of its raw readings
}

type auxiliaryRun struct {
	plan   *auxiliaryPlan
	value  channel.Auxiliary
	column int
}

func newSourceRun(r *Reducer, s *sourcePlan) *sourceRun {
	run := &sourceRun{reducer: r, plan: s, state: r.state.Sources[s.name], excitation: -1, gap: 3 * s.period}
	run.part = run.reducePart
	for _, c := range s.channels {
		cr := &channelRun{plan: c}
		for _, w := range c.wires {
			cr.wires = append(cr.wires, &wireRun{plan: w, state: r.state.Inputs[w.key]})
		}
		for _, w := range cr.wires {
			w.beside = cr.wires
		}
		run.channels = append(run.channels, cr)
	}
	for _, i := range s.owned {
		run.own = append(run.own, r.temps[i])
	}
	run.temps = make([]*temperatureColumn, len(r.plan.temperatures))
	used := func(i int) {
		if i >= 0 && run.temps[i] == nil {
			run.temps[i] = &temperatureColumn{}
		}
	}
	for _, c := range s.channels {
		used(c.temperature)
		for _, w := range c.wires {
			used(w.leads)
		}
	}
	run.goOn()
	return run
}

// goOn makes the channels ready for the zeros of the state before a frame comes,
// so that a cut without frames of this source names them too. Where the test
// file has changed and the columns do not fit it any more, the next frame says
// so.
func (run *sourceRun) goOn() {
	if len(run.state.Columns) == 0 {
		return
	}
	f := frame.Frame{Source: run.plan.name}
	for _, c := range run.state.Columns {
		column := frame.Column{Name: c.Name, Unit: c.Unit}
		if c.Counts {
			column.Counts = []int32{}
		}
		f.Columns = append(f.Columns, column)
	}
	if run.bind(&f) != nil {
		return
	}
	for _, c := range run.channels {
		for _, w := range c.wires {
			w.prepare(c.plan)
		}
	}
}

// bind finds the inputs among a frame's columns. Frames of a source look alike,
// so it works only when they change.
func (run *sourceRun) bind(f *frame.Frame) error {
	if run.fits(f.Columns) {
		return nil
	}
	source := run.plan.source
	find := func(input string) (int, string, error) {
		for i, c := range f.Columns {
			if c.Name == input {
				unit := c.Unit
				if unit == "" {
					unit = source.Unit.Text
					if in, ok := source.Inputs.Get(input); ok {
						unit = in.Unit.Or(unit)
					}
				}
				if unit == "" && c.Counts != nil {
					unit = "count"
				}
				return i, unit, nil
			}
		}
		return 0, "", fmt.Errorf("%w: source %s has no input %q; its columns are %s", ErrFrame, f.Source, input, columnNames(f.Columns))
	}
	// Nothing is changed before all of it was found to fit: a frame that is
	// refused must leave no trace in those that come after it.
	var found []func()
	for _, c := range run.channels {
		for _, w := range c.wires {
			column, unit, err := find(w.plan.input)
			if err != nil {
				return err
			}
			raw, err := channel.RawOf(source, w.plan.input, unit)
			if err != nil {
				return &ColumnError{f.Source, w.plan.input, err}
			}
			found = append(found, func() {
				w.column, w.raw = column, raw
				w.setFloor()
			})
		}
	}
	for _, t := range run.own {
		column, unit, err := find(t.plan.input)
		if err != nil {
			return err
		}
		sensor, err := channel.SensorOf(t.plan.temperature, unit)
		if err != nil {
			return &ColumnError{f.Source, t.plan.input, err}
		}
		found = append(found, func() { t.column, t.sensor = column, sensor })
	}
	var auxiliary []auxiliaryRun
	load := -1
	for _, a := range run.plan.auxiliary {
		column, unit, err := find(a.input)
		if err != nil {
			return err
		}
		value, err := channel.AuxiliaryOf(a.auxiliary, unit)
		if err != nil {
			return &ColumnError{f.Source, a.input, err}
		}
		if a.name == run.reducer.plan.Load() {
			load = len(auxiliary)
		}
		auxiliary = append(auxiliary, auxiliaryRun{a, value, column})
	}
	excitation := -1
	if name := source.ExcitationIn.Text; name != "" {
		_, input := splitInput(source.ExcitationIn)
		if input == "" {
			input = name
		}
		column, _, err := find(input)
		if err != nil {
			return err
		}
		excitation = column
	}
	for _, set := range found {
		set()
	}
	run.auxiliary, run.load, run.excitation = auxiliary, load, excitation
	run.bound, run.state.Columns = run.bound[:0], nil
	for _, c := range f.Columns {
		run.bound = append(run.bound, frame.Column{Name: c.Name, Unit: c.Unit})
		run.state.Columns = append(run.state.Columns, ColumnForm{c.Name, c.Unit, c.Counts != nil})
	}
	return nil
}

func (run *sourceRun) fits(columns []frame.Column) bool {
	if len(run.bound) == 0 || len(run.bound) != len(columns) {
		return false
	}
	for i := range columns {
		if columns[i].Name != run.bound[i].Name || columns[i].Unit != run.bound[i].Unit {
			return false
		}
	}
	return true
}

func columnNames(columns []frame.Column) string {
	s := ""
	for i, c := range columns {
		if i > 0 {
			s += ", "
		}
		s += c.Name
	}
	return s
}

// start gives the test file's own zeros their places in time.
func (run *sourceRun) start(first int64) {
	if run.state.Started {
		return
	}
	run.state.Started = true
	run.state.First = first
	for _, c := range run.channels {
		z := &c.plan.zero
		if !z.Given {
			continue
		}
		from, to := int64(math.MinInt64), int64(math.MinInt64)
		switch {
		case z.First.Given:
			from, to = first, first+nanoseconds(z.First.Value)
		case z.From.Given && z.To.Given:
			from, to = z.From.UnixNano(), z.To.UnixNano()
		}
		e := event.Event{Event: "zero", Kind: "test", Name: z.Name.Or("zero of the test file"), Channel: c.plan.name}
		e.State = "begin"
		run.state.wait(Pending{At: from, Event: e, Stated: true})
		e.State = "end"
		run.state.wait(Pending{At: to, Event: e, Stated: true})
	}
}

// nextChange returns the end of the run of rows from 'from' on through which
// nothing changes but readings.
func (run *sourceRun) nextChange(times []int64, from int) int {
	next := int64(math.MaxInt64)
	soon := func(at int64) {
		if at > times[from] && at < next {
			next = at
		}
	}
	if len(run.state.Waiting) > 0 {
		soon(run.state.Waiting[0].At)
	}
	soon(run.state.WarmUntil)
	if last := times[len(times)-1]; next > last {
		next = last + 1
	}
	for _, c := range run.channels {
		for _, w := range c.wires {
			soon(w.plan.from)
			soon(w.plan.to)
			soon(w.plan.curedAt)
		}
	}
	// Time that goes back ends the run, and so does the place where rows stop
	// being late.
	newest := run.state.Newest
	late := times[from] <= newest
	to := from + 1
	run.in.apart = 0
	for to < len(times) && times[to] < next && times[to] > times[to-1] && (times[to] <= newest) == late {
		run.in.apart = max(run.in.apart, times[to]-times[to-1])
		to++
	}
	return to
}

// checkClock compares a frame's first time with what its source's own counter
// makes of the last frame's. Frames of files have no counter of their own.
func (run *sourceRun) checkClock(f *frame.Frame) {
	s := run.state
	run.clock = 0
	if f.Late {
		run.clock |= flag.OutOfOrder
	}
	if !f.Counted || s.Rows == 0 || s.Boot != f.Boot {
		return
	}
	samples := float64(f.Counter) - float64(s.LastCounter)
	expected := float64(s.Last) + samples*float64(run.plan.period)
	// A clock that is disciplined moves by parts in ten thousand, not by samples.
	allowed := max(2*float64(run.plan.period), float64(run.plan.tolerance)) + 1e-4*math.Abs(samples)*float64(run.plan.period)
	if math.Abs(float64(f.Time[0])-expected) > allowed {
		run.clock |= flag.ClockStepped
	}
}

func (run *sourceRun) readAuxiliary(f *frame.Frame, b *Batch) {
	for i := range run.auxiliary {
		a := &run.auxiliary[i]
		dst := b.Columns[a.plan.column].Float
		for row, x := range run.reducer.hands[0].readings(&f.Columns[a.column], 0, f.Rows()) {
			dst[row] = a.value.Value(x)
		}
	}
}

// readings returns rows of a column as float64: a view of the frame, or counts
// converted into the hand's own buffer, which the next call reuses.
func (h *hand) readings(c *frame.Column, from, to int) []float64 {
	if c.Float != nil {
		return c.Float[from:to]
	}
	h.counts = reduce.FromCounts(grow(h.counts, to-from), c.Counts[from:to])
	if c.Valid != nil {
		for i, ok := range c.Valid[from:to] {
			if !ok {
				h.counts[i] = math.NaN()
			}
		}
	}
	return h.counts
}
