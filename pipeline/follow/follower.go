package follow

import (
	"math"
	"slices"
	"sort"

	"glueline/pipeline/cycles"
	"glueline/pipeline/drift"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
)

// window is how much is gathered before a record takes it.
const window = 10 * minute

// LoadCycle is the least range of a cycle, in microstrain, that counts as one of
// the load: smaller ones are noise and sway, and wear no grid within 1e7. Common
// practice, no source.
const LoadCycle = 100

// What leaves a sample out of the record, beyond what leaves it out of summaries:
// a temperature that is of another time, so that thermal output is in the strain.
const uncorrected = flag.TemperatureStale | flag.TemperatureAhead

// suspect are the flags that come some samples after what they tell of: the minute
// in which one stands, and the one before, have no mean.
const suspect = flag.Open | flag.Shorted | flag.Saturated | flag.Frozen

// follower goes through the samples of one channel.
type follower struct {
	name      string
	source    string                  // "" before its first row
	constants *group.ChannelConstants // of the stretch
	zero      *steps.ZeroAt           // newest that strain was counted from
	instants  []instant
	next      int // of instants

	record   drift.Record
	gather   drift.Gatherer
	counter  *cycles.Counter
	ruledOut []drift.RuledOut

	// The minute under way, and those that are over and not yet in the record.
	now    int64 // its beginning
	begun  bool
	marred bool // something happened within it: it has no mean
	sum    float64
	n      int
	spike  bool    // since the last reading
	held   waiting // the minute before, when holds
	holds  bool
	queue  []waiting

	level  float64 // newest idle mean, from the zero in force; NaN before the first
	first  float64 // idle mean, from the installation zero, that companions are compared from; NaN
	broken bool    // work at gauge or cable, and no sample that counts since
	borne  float64 // load cycles at the end of the newest window
	cycled float64 // those of borne that readings have told of

	readings int // minutes in the record
	samples  uint64
	leftOut  uint64
	from, to int64 // of the minutes in the record
	newest   int64 // sample
	replaced int64 // when the gauge was, 0 for never
}

// waiting is a minute that is over, or an instant, in their order.
type waiting struct {
	at      int64
	mean    float64
	spike   bool
	borne   float64
	instant *instant
	lost    bool // of a rezero: what happened since the samples before it is not known
}

func newFollower(name string) *follower {
	f := &follower{name: name, counter: cycles.New(cycles.Curve{}), level: math.NaN(), first: math.NaN()}
	f.gather.Length = window
	return f
}

// expect adds to the instants that are yet to come.
func (f *follower) expect(more []instant) {
	f.instants, f.next = append(slices.Clone(f.instants[f.next:]), more...), 0
	sort.SliceStable(f.instants, func(i, j int) bool { return f.instants[i].at < f.instants[j].at })
}

// take goes through consecutive samples.
func (f *follower) take(at []int64, strain []float64, flags []uint32) {
	from := 0
	for i, t := range at {
		for f.next < len(f.instants) && f.instants[f.next].at <= t {
			f.counter.Add(strain[from:i], flags[from:i])
			from = i
			f.happens()
		}
		if f.begun && t >= f.now+minute && floor(t, window) > floor(f.now, window) {
			f.counter.Add(strain[from:i], flags[from:i])
			from = i
			f.borne = loadCycles(f.counter.Count())
		}
		f.sample(t, strain[i], flag.Mask(flags[i]))
	}
	f.counter.Add(strain[from:], flags[from:])
}

func (f *follower) sample(at int64, strain float64, flags flag.Mask) {
	if m := floor(at, minute) * minute; !f.begun || m > f.now {
		f.close()
		f.now, f.begun, f.marred = m, true, false
	} else if m < f.now {
		return // it came late: its minute is over
	}
	f.samples++
	f.newest = at
	if flags&flag.Spike != 0 {
		f.spike = true
	}
	if flags&suspect != 0 {
		f.sum, f.n, f.marred, f.holds = 0, 0, true, false
	}
	if flags&(flag.LeavesOut|uncorrected) != 0 || math.IsNaN(strain) {
		f.leftOut++
		return
	}
	f.broken = false
	if f.marred {
		return
	}
	f.sum += strain
	f.n++
}

// close ends the minute under way.
func (f *follower) close() {
	if f.n > 0 {
		f.release()
		f.held, f.holds = waiting{at: f.now, mean: f.sum / float64(f.n), spike: f.spike, borne: f.borne}, true
		f.spike = false
	}
	f.sum, f.n = 0, 0
}

// release queues the minute that is held back.
func (f *follower) release() {
	if f.holds {
		f.queue, f.holds = append(f.queue, f.held), false
	}
}

// happens lets the next instant happen to what counts samples, and queues it for
// what counts minutes. A minute on both sides of another zero has no mean.
func (f *follower) happens() {
	i := &f.instants[f.next]
	f.next++
	if i.at >= f.now+minute {
		f.close()
	}
	f.release()
	f.queue = append(f.queue, waiting{at: i.at, instant: i, lost: f.broken})
	switch i.what {
	case rezero:
		f.counter.Rezero(i.value)
	case interrupt, replace:
		f.counter.Break()
		f.broken = true
	default:
		return
	}
	if i.at < f.now+minute {
		f.sum, f.n, f.marred = 0, 0, true
	}
}

// happened lets an instant happen to the record.
func (f *follower) happened(w *waiting, p *Pass) {
	switch i := w.instant; i.what {
	case rezero:
		if f.readings == 0 {
			return // the record begins with this zero
		}
		moved := i.value
		if w.lost || math.IsNaN(moved) {
			moved = f.level // go on where it was
		}
		if math.IsNaN(moved) {
			return
		}
		f.flush()
		f.record.Zero(i.at, moved)
		f.level -= moved
	case replace: // another gauge has another story
		f.record, f.gather = drift.Record{}, drift.Gatherer{Length: window}
		f.level, f.first, f.readings, f.replaced = math.NaN(), math.NaN(), 0, i.at
		p.replaced(f.name)
	case insulate:
		f.record.Insulate(i.at, i.value)
	case shunt:
		f.record.Shunt(i.at, i.value)
	case ruleOut:
		f.ruledOut = append(f.ruledOut, i.out)
	}
}

// flush hands the window under way to the record, so that another zero does not
// fall within it.
func (f *follower) flush() {
	if f.gather.Begun {
		f.record.Add(f.gather.Now)
		f.gather.Now = drift.Window{From: f.gather.Now.From, To: f.gather.Now.To}
		f.gather.Run = 0
	}
}

// read gives a minute to the record.
func (f *follower) read(w *waiting, p *Pass, idle bool, companions float64) {
	b := p.background
	r := drift.Reading{Time: w.at, Strain: w.mean, Load: b.loaded(w.at), Idle: idle, Spike: w.spike}
	for i := range r.With {
		r.With[i] = math.NaN()
	}
	r.With[drift.Temperature] = b.temperatures[f.constants.Temperature].mean(w.at)
	if wire := f.constants.At(w.at); wire != nil {
		r.With[drift.LeadTemperature] = b.temperatures[wire.LeadsAt].mean(w.at)
	}
	r.With[drift.Humidity] = b.humidity.mean(w.at)
	r.With[drift.Excitation] = b.excitations[f.source].mean(w.at)
	r.With[drift.Companions] = companions
	r.With[drift.Reference] = b.references[f.source].mean(w.at)
	r.With[drift.Witness] = b.median(p.declared.Witnesses[f.name], w.at)
	if idle {
		r.With[drift.Neighbours] = b.median(p.declared.Neighbours[f.name], w.at)
	}
	p.relation(f.name, w.at, w.mean+f.record.Offset)
	r.Cycles = max(0, w.borne-f.cycled)
	f.cycled += r.Cycles
	if done, ok := f.gather.Add(&r); ok {
		f.record.Add(done)
	}
	if idle {
		f.level = w.mean
	}
	if f.readings++; f.readings == 1 {
		f.from = w.at
	}
	f.to = w.at
}

// loadCycles are the cycles of a count that the load makes.
func loadCycles(c cycles.Count) (n float64) {
	for _, b := range c.Bins {
		if b.RangeFrom >= LoadCycle {
			n += float64(b.Halves) / 2
		}
	}
	return n
}
