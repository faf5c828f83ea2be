package follow

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"glueline/pipeline/cycles"
	"glueline/pipeline/drift"
	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
)

// Input is a stretch of a group: all that came of it since the one before.
type Input struct {
	Events   []event.Event // in order of time
	Channels []group.ChannelConstants
	Zeros    []steps.ZeroAt // that strain is counted from, each as often as it stands in a record; those of one window in their order
	Checks   []steps.Check  // shunt checks that are over
	Declared *Declared      // of the test file; nil for nothing
	Batches  Batches        // of the group's strain, and of what is read beside it in any group
}

// Declared is what only a test file knows.
type Declared struct {
	Curves     map[string]cycles.Curve // S-N curves by channel; without one no damage is counted
	Relations  []Relation              // what checks itself
	Witnesses  map[string][]string     // by channel
	Neighbours map[string][]string     // by channel
}

// Health is what came of one channel.
type Health struct {
	Channel, Source string
	From, To        time.Time // of the first and the last minute in the record; zero without any
	Newest          time.Time // sample, whether it counts or not
	Minutes         int       // in the record
	Samples         uint64
	LeftOut         uint64    // of Samples: for a flag, or for want of a value
	Replaced        time.Time // when the gauge was, and the record began anew; zero for never
	Record          drift.Record
	Facts           drift.Facts
	Verdict         drift.Verdict
	Cycles          cycles.Count
	Curve           bool // Cycles.Damage is counted
}

// Learnt reports whether the record is long enough to know the channel's normal
// state. Before that nothing can be called healthy.
func (h *Health) Learnt() bool { return h.Record.Zeros.SD > 0 }

// LoadCycles are the cycles that the load makes, of a range of at least LoadCycle;
// a half cycle counts half.
func (h *Health) LoadCycles() float64 { return loadCycles(h.Cycles) }

// Noise is the standard deviation of white noise in idle minutes, in m/m, over the
// newest hour that has one; NaN before there is one.
func (h *Health) Noise() float64 {
	for i := range slices.Backward(h.Record.Epochs) {
		if w := h.Record.Epochs[i].Wobble; w.N > 0 {
			return math.Sqrt(w.Mean())
		}
	}
	return math.NaN()
}

// Pass follows the channels of a group stretch after stretch. What it remembers
// between two of them is its State.
type Pass struct {
	declared   *Declared
	background *background
	sources    []*source // in the order in which they came
	followers  []*follower
	named      map[string]*follower
	relations  []*related
}

// New returns a pass that has seen nothing.
func New() *Pass { return &Pass{background: newBackground(), named: map[string]*follower{}} }

// Run follows a whole group at once and judges each channel. They come in the
// order of in.Channels; a channel without a column is not among them.
func Run(in *Input) ([]Health, error) {
	whole := *in
	if whole.Checks == nil {
		var err error
		whole.Checks, err = steps.Checks(in.Events, in.Channels, in.Zeros, func(visit func(steps.Series)) error {
			return in.Batches(func(batch *Batch) { batch.Series(visit) })
		})
		if err != nil {
			return nil, fmt.Errorf("shunt checks: %w", err)
		}
	}
	p := New()
	if err := p.Take(&whole); err != nil {
		return nil, err
	}
	p.finish()
	return p.judge(), nil
}

// Take goes through a stretch. It asks for the batches twice: what was read beside
// the strain is known before the strain is. After an error the pass is of no use.
func (p *Pass) Take(in *Input) error {
	p.declared = in.Declared
	if p.declared == nil {
		p.declared = &Declared{}
	}
	for i := range in.Channels {
		c := &in.Channels[i]
		f := p.follower(c.Name)
		if f == nil {
			f = newFollower(c.Name)
			p.followers, p.named[c.Name] = append(p.followers, f), f
		}
		f.constants = c
		f.counter.Use(p.declared.Curves[c.Name])
		f.expect(instantsOf(f, in))
	}
	p.relate()
	p.background.begin(in.Events, p)
	if err := in.Batches(p.background.take); err != nil {
		return fmt.Errorf("what is read beside the strain: %w", err)
	}
	p.background.settle()
	if err := in.Batches(p.take); err != nil {
		return fmt.Errorf("follow the strain: %w", err)
	}
	p.background.forget()
	return nil
}

// Health judges each channel by what came so far, and changes nothing.
func (p *Pass) Health() ([]Health, error) {
	done, err := p.clone()
	if err != nil {
		return nil, err
	}
	done.finish()
	return done.judge(), nil
}

func (p *Pass) clone() (*Pass, error) {
	text, err := p.State()
	if err != nil {
		return nil, err
	}
	done, err := Restore(text)
	if err != nil {
		return nil, err
	}
	done.declared = p.declared
	for _, f := range done.followers {
		f.constants = p.follower(f.name).constants
		if p.declared != nil {
			f.counter.Use(p.declared.Curves[f.name])
		}
	}
	return done, nil
}

// finish takes what is left when there are no more batches.
func (p *Pass) finish() {
	for _, s := range p.sources {
		s.finish(p)
	}
}

func (p *Pass) judge() (all []Health) {
	for _, f := range p.followers {
		if f.source != "" && f.constants != nil {
			all = append(all, f.health(p.declared))
		}
	}
	return all
}

func (p *Pass) follower(name string) *follower { return p.named[name] }

func (p *Pass) source(name string) *source {
	for _, s := range p.sources {
		if s.name == name {
			return s
		}
	}
	return nil
}

// take is the second way through the batches.
func (p *Pass) take(batch *Batch) {
	s := p.source(batch.Source)
	for i := range batch.Columns {
		c := &batch.Columns[i]
		if c.Kind != Strain {
			continue
		}
		f := p.follower(c.Name)
		if f == nil || f.constants == nil {
			continue
		}
		if s == nil {
			s = &source{name: batch.Source}
			p.sources = append(p.sources, s)
		}
		if f.source != batch.Source { // at its first row, or its gauge went to another instrument
			if before := p.source(f.source); before != nil {
				before.followers = slices.DeleteFunc(before.followers, func(o *follower) bool { return o == f })
			}
			f.source = batch.Source
			s.followers = append(s.followers, f)
		}
		if c.Anew {
			f.counter.Break()
		}
		f.take(batch.Time, c.Value, c.Flags)
	}
	if s != nil {
		s.read(p)
	}
}

// source is the channels that one instrument reads.
type source struct {
	name      string
	followers []*follower
	moved     []float64 // of the idle ones in a minute, sorted
}

// read takes the minutes that are over in their order, each of all channels at
// once, since a channel is compared with its companions.
func (s *source) read(p *Pass) {
	heads := make([]int, len(s.followers))
	for {
		at := int64(math.MaxInt64)
		for i, f := range s.followers {
			for heads[i] < len(f.queue) && f.queue[heads[i]].instant != nil {
				f.happened(&f.queue[heads[i]], p)
				heads[i]++
			}
			if heads[i] < len(f.queue) {
				at = min(at, f.queue[heads[i]].at)
			}
		}
		if at == math.MaxInt64 {
			break
		}
		idle := p.background.idle(at)
		s.moved = s.moved[:0]
		for i, f := range s.followers {
			if heads[i] < len(f.queue) && f.queue[heads[i]].at == at && idle && !p.declared.witness(f.name) {
				s.moved = append(s.moved, f.since(f.queue[heads[i]].mean))
			}
		}
		sort.Float64s(s.moved)
		for i, f := range s.followers {
			if heads[i] < len(f.queue) && f.queue[heads[i]].at == at {
				w := &f.queue[heads[i]]
				companions := math.NaN()
				if idle {
					if companions = medianOf(s.moved); !p.declared.witness(f.name) {
						companions = medianWithout(s.moved, f.since(w.mean))
					}
				}
				f.read(w, p, idle, companions)
				heads[i]++
			}
		}
	}
	for _, f := range s.followers {
		f.queue = f.queue[:0]
	}
}

// witness says that a channel is a witness gauge of others: it hangs on a free
// coupon, and is no companion of what bears a load.
func (d *Declared) witness(name string) bool {
	for _, all := range d.Witnesses {
		if slices.Contains(all, name) {
			return true
		}
	}
	return false
}

// since returns by how much an idle mean differs from the first, both from the
// installation zero.
func (f *follower) since(mean float64) float64 {
	mean += f.record.Offset
	if math.IsNaN(f.first) {
		f.first = mean
	}
	return mean - f.first
}

// medianOf returns the median of sorted values, NaN of none.
func medianOf(sorted []float64) float64 {
	n := len(sorted)
	if n == 0 {
		return math.NaN()
	}
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// medianWithout returns the median of sorted values, one of which is left out;
// NaN where nothing is left.
func medianWithout(sorted []float64, one float64) float64 {
	n := len(sorted) - 1
	if n < 1 {
		return math.NaN()
	}
	out := sort.SearchFloat64s(sorted, one)
	value := func(i int) float64 {
		if i >= out {
			i++
		}
		return sorted[i]
	}
	return (value((n-1)/2) + value(n/2)) / 2
}

// finish takes what is left when there are no more batches.
func (s *source) finish(p *Pass) {
	for _, f := range s.followers {
		for f.next < len(f.instants) {
			f.happens()
		}
		f.close()
		f.release()
	}
	s.read(p)
	for _, f := range s.followers {
		f.flush()
	}
}

func (f *follower) health(declared *Declared) Health {
	h := Health{
		Channel: f.name, Source: f.source, Minutes: f.readings, Samples: f.samples, LeftOut: f.leftOut,
		Record: f.record, Facts: f.facts(), Cycles: f.counter.Count(), Curve: declared != nil && declared.Curves[f.name].SN != nil,
	}
	if f.samples > 0 {
		h.Newest = time.Unix(0, f.newest).UTC()
	}
	if f.readings > 0 {
		h.From, h.To = time.Unix(0, f.from).UTC(), time.Unix(0, f.to).UTC()
	}
	if f.replaced != 0 {
		h.Replaced = time.Unix(0, f.replaced).UTC()
	}
	h.Verdict = drift.Judge(&f.record, h.Facts)
	return h
}

// facts are what the constants of the newest wire say.
func (f *follower) facts() drift.Facts {
	facts := drift.Facts{RuledOut: f.ruledOut}
	wire := f.constants.At(f.to)
	if wire == nil {
		return facts
	}
	c := &wire.Constants
	for _, wires := range c.Layout.Leads {
		if wires >= 2 {
			facts.TwoWire = true
		}
	}
	facts.Gauge, facts.GaugeFactor, facts.LeadOhm = c.Resistance, c.GaugeFactor.Value, c.Leads.Ohm20
	if cured := wire.Judged.CuredAt; cured != math.MinInt64 && len(f.record.Epochs) > 0 {
		facts.CureHour = float64(cured-f.record.Epochs[0].From) / float64(60*minute)
	}
	return facts
}
