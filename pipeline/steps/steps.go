package steps

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/reduce"
)

// Series is a run of consecutive samples of one column. Value is NaN where there
// is none; Flags may be nil. The slices have one length and are not kept.
type Series struct {
	Name  string // of the channel, temperature or auxiliary quantity
	Kind  Kind
	Time  []int64 // ns since 1970 UTC
	Value []float64
	Flags []uint32 // a flag.Mask a sample
}

// Kind is what a series is.
type Kind uint8

// The kinds of series.
const (
	Strain Kind = iota
	Temperature
	Load // the auxiliary quantity that strain is read against
)

// Source hands out all series from their beginning, those of one name in order
// of time. It is asked more than once.
type Source func(visit func(Series)) error

// Row is one step of one channel. Strain is in m/m, load in the unit of its
// quantity, times in ns since 1970 UTC. NaN is what cannot be said.
type Row struct {
	Step, Target, Channel string
	Hold, End             int64
	Mean, SD              float64 // over the hold, of the samples that no flag leaves out
	Readings              int
	Load                  float64 // mean over the hold
	Predicted, Band       float64 // of the test file: middle and half width
	Deviation             float64 // Mean less Predicted
	Slope, SlopeError     float64 // m/m a unit of load: least squares over all holds and the rests before them
	Residual              float64 // Mean less that line
	Hysteresis            float64 // falling less rising, at one load
	Return                float64 // the rest after the step less the rest before it
}

// Outside reports whether the mean is outside the predicted band.
func (r *Row) Outside() bool { return math.Abs(r.Deviation) > r.Band }

// Step is a named load step, as people told of it.
type Step struct {
	Name, Target           string
	Begin, Hold, End, Idle int64 // ns; end is 0 while it holds, idle 0 when the article was not said to be idle before the next step
}

// rest is how much of a rest counts, next to the step. Common practice, no source.
const rest = int64(time.Minute)

// Steps finds the steps in events that are in order of time. A step without a
// hold is none to report.
func Steps(events []event.Event) []Step {
	var steps []Step
	open := map[string]int{} // in steps, and one more
	begun := map[string]Step{}
	for _, e := range events {
		at := e.Time.UnixNano()
		switch {
		case e.Event == "step" && e.State == "begin":
			begun[e.Name] = Step{Target: e.Target, Begin: at}
			open[e.Name] = 0
		case e.Event == "step" && e.State == "hold":
			s := begun[e.Name]
			steps = append(steps, Step{Name: e.Name, Target: cmp.Or(e.Target, s.Target), Begin: cmp.Or(s.Begin, at), Hold: at})
			open[e.Name] = len(steps)
		case e.Event == "step" && open[e.Name] > 0:
			steps[open[e.Name]-1].End = at
			delete(open, e.Name)
			delete(begun, e.Name)
		case e.Event == "load-state" && e.State == "idle":
			// Of the last step that ended before, unless another began since.
			if n := len(steps); n > 0 && steps[n-1].End > 0 && steps[n-1].Idle == 0 {
				steps[n-1].Idle = at
			}
		}
	}
	for i := range steps {
		if i+1 < len(steps) && steps[i].Idle > steps[i+1].Begin {
			steps[i].Idle = 0
		}
	}
	return steps
}

// Report makes the rows, in the order of steps and of the channels given. The
// events are those of one group in order of time; channels are what the segments
// say of the constants of each.
func Report(events []event.Event, channels []group.ChannelConstants, source Source) ([]Row, error) {
	steps := Steps(events)
	r := newReport(steps, channels)
	if err := source(r.windows.take); err != nil {
		return nil, err
	}
	if err := r.findMiddles(source); err != nil {
		return nil, err
	}
	var rows []Row
	for i := range steps {
		for _, c := range channels {
			rows = append(rows, r.row(i, c))
		}
	}
	for _, c := range channels {
		r.fit(rows, c.Name)
	}
	return rows, nil
}

type report struct {
	steps   []Step
	windows windows
	hold    []int // windows of each step
	before  []int
	after   []int
	up      []int // windows round the moment at which half of the load was on, -1 for none
	down    []int
}

func newReport(steps []Step, channels []group.ChannelConstants) *report {
	r := &report{steps: steps}
	for i, s := range steps {
		end := s.End
		if end == 0 {
			end = math.MaxInt64
		}
		r.hold = append(r.hold, r.windows.add(window{from: s.Hold, to: end, without: flag.LeavesOut}))
		from := s.Begin - rest
		if i > 0 {
			from = max(from, cmp.Or(steps[i-1].Idle, s.Begin)) // nobody said that it was idle between the two
		}
		r.before = append(r.before, r.windows.add(window{from: from, to: s.Begin, without: flag.LeavesOut}))
		to := s.Idle + rest
		if i+1 < len(steps) {
			to = min(to, steps[i+1].Begin)
		}
		if s.Idle == 0 {
			to = 0
		}
		r.after = append(r.after, r.windows.add(window{from: s.Idle, to: to, without: flag.LeavesOut}))
	}
	return r
}

// findMiddles finds when half of a step's load was on, on the way up and on the
// way down, and takes the means round these moments.
func (r *report) findMiddles(source Source) error {
	var middles []*middle
	r.up, r.down = make([]int, len(r.steps)), make([]int, len(r.steps))
	for i, s := range r.steps {
		low, high := r.windows.mean("", Load, r.before[i]).mean(), r.windows.mean("", Load, r.hold[i]).mean()
		r.up[i], r.down[i] = -1, -1
		if s.Idle == 0 || !(math.Abs(high-low) > 0) {
			continue
		}
		half := low + (high-low)/2
		middles = append(middles,
			&middle{step: i, from: s.Begin, to: s.Hold, half: half, windows: r.up},
			&middle{step: i, from: s.End, to: s.Idle, half: half, windows: r.down})
	}
	if len(middles) == 0 {
		return nil
	}
	err := source(func(s Series) {
		if s.Kind == Load {
			for _, m := range middles {
				m.look(s)
			}
		}
	})
	if err != nil {
		return err
	}
	second := windows{}
	for _, m := range middles {
		if m.crossed != 0 {
			// Wide enough for a line through the samples, narrow beside the ramp.
			width := min(max((m.to-m.from)/100, 5e9), (m.to-m.from)/4)
			m.windows[m.step] = second.add(window{from: m.crossed - width, to: m.crossed + width, without: flag.LeavesOut})
		}
	}
	if err := source(second.take); err != nil {
		return err
	}
	r.windows = r.windows.with(second, r.up, r.down)
	return nil
}

// middle looks for the moment at which the load passes its half.
type middle struct {
	step     int
	from, to int64
	half     float64
	windows  []int
	last     float64
	lastAt   int64
	crossed  int64
}

func (m *middle) look(s Series) {
	for i, at := range s.Time {
		v := s.Value[i]
		if m.crossed != 0 || at < m.from || at >= m.to || math.IsNaN(v) {
			continue
		}
		if m.lastAt != 0 && (m.last < m.half) != (v < m.half) {
			m.crossed = m.lastAt + int64(float64(at-m.lastAt)*(m.half-m.last)/(v-m.last))
		}
		m.last, m.lastAt = v, at
	}
}

func (r *report) row(i int, c group.ChannelConstants) Row {
	s := r.steps[i]
	hold := r.windows.mean(c.Name, Strain, r.hold[i])
	row := Row{
		Step: s.Name, Target: s.Target, Channel: c.Name, Hold: s.Hold, End: s.End,
		Mean: hold.mean(), SD: hold.SD(), Readings: hold.N, Load: r.windows.mean("", Load, r.hold[i]).mean(),
		Predicted: math.NaN(), Band: math.NaN(), Slope: math.NaN(), SlopeError: math.NaN(), Residual: math.NaN(),
		Return:     r.windows.mean(c.Name, Strain, r.after[i]).mean() - r.windows.mean(c.Name, Strain, r.before[i]).mean(),
		Hysteresis: r.hysteresis(i, c.Name),
	}
	for _, b := range c.Predictions {
		if b.Step == s.Name {
			row.Predicted, row.Band = (float64(b.Low)+float64(b.High))/2, (float64(b.High)-float64(b.Low))/2
		}
	}
	row.Deviation = row.Mean - row.Predicted
	return row
}

// hysteresis compares the way down with the way up: at half of the load of a
// step that went up and came down, else between two holds of the same load.
func (r *report) hysteresis(i int, channel string) float64 {
	if r.up[i] >= 0 && r.down[i] >= 0 {
		return r.windows.mean(channel, Strain, r.down[i]).middle() - r.windows.mean(channel, Strain, r.up[i]).middle()
	}
	// Steps that follow one another without a rest between them.
	first := i
	for first > 0 && r.steps[first-1].Idle == 0 {
		first--
	}
	load := func(k int) float64 { return r.windows.mean("", Load, r.hold[k]).mean() }
	highest := first
	for k := first; k <= i; k++ {
		if load(k) > load(highest) {
			highest = k
		}
	}
	if highest == i {
		return math.NaN()
	}
	for k := first; k < highest; k++ {
		if math.Abs(load(k)-load(i)) <= sameLoad*math.Abs(load(highest)) {
			return r.windows.mean(channel, Strain, r.hold[i]).mean() - r.windows.mean(channel, Strain, r.hold[k]).mean()
		}
	}
	return math.NaN()
}

// sameLoad is the part of the largest load within which two holds are of the
// same load. Common practice, no source.
const sameLoad = 0.02

// fit gives a channel's rows the line through its holds and the rests before them.
func (r *report) fit(rows []Row, channel string) {
	var load, strain []float64
	add := func(window int) {
		l, s := r.windows.mean("", Load, window).mean(), r.windows.mean(channel, Strain, window).mean()
		if !math.IsNaN(l) && !math.IsNaN(s) {
			load, strain = append(load, l), append(strain, s)
		}
	}
	for i := range r.steps {
		add(r.before[i])
		add(r.hold[i])
	}
	line := reduce.Line{Intercept: math.NaN(), Slope: math.NaN(), SlopeError: math.NaN()}
	if len(load) > 1 && slices.Max(load) > slices.Min(load) {
		line = reduce.Drift(load, strain)
	}
	for i := range rows {
		if row := &rows[i]; row.Channel == channel {
			row.Slope, row.SlopeError = line.Slope, line.SlopeError
			row.Residual = row.Mean - line.Intercept - line.Slope*row.Load
		}
	}
}

// Merge joins the events of several groups' records in order of time; an event
// that several groups have counts once.
func Merge(lists ...[]event.Event) []event.Event {
	var all []event.Event
	known := map[string]bool{}
	for _, list := range lists {
		for _, e := range list {
			key := fmt.Sprintf("%s|%s|%s|%s|%s|%s|%s|%s|%d|%s|%s", e.Event, e.State, e.Kind, e.Name, e.Target, e.Text, e.Value,
				strings.Join(e.Names(), ","), e.Time.UnixNano(), e.Source, e.Who)
			if !known[key] {
				known[key] = true
				all = append(all, e)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b event.Event) int { return a.Time.Compare(b.Time) })
	return all
}
