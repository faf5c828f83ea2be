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

// Input is all that is known of a group.
type Input struct {
	Events   []event.Event // in order of time
	Channels []group.ChannelConstants
	Zeros    []steps.ZeroAt          // that strain is counted from, each as often as it stands in a record; those of one window in their order
	Curves   map[string]cycles.Curve // S-N curves by channel; without one no damage is counted
	Batches  Batches                 // of the group's strain, and of what is read beside it in any group
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

// Run follows the channels of a group and judges each. They come in the order of
// in.Channels; a channel without a column is not among them.
func Run(in *Input) ([]Health, error) {
	b := newBackground(in.Events)
	gathered := false
	checks, err := steps.Checks(in.Events, in.Channels, in.Zeros, func(visit func(steps.Series)) error {
		gathered = true
		return in.Batches(func(batch *Batch) {
			b.take(batch)
			batch.series(visit)
		})
	})
	if err == nil && !gathered { // there is no check to be made
		err = in.Batches(b.take)
	}
	if err != nil {
		return nil, fmt.Errorf("what is read beside the strain: %w", err)
	}
	b.settle()
	r := &run{in: in, background: b, checks: checks, sources: map[string]*source{}, channels: map[string]*follower{}}
	if err := in.Batches(r.take); err != nil {
		return nil, fmt.Errorf("follow the strain: %w", err)
	}
	var all []Health
	for _, s := range r.sources {
		s.finish(b)
	}
	for i := range in.Channels {
		if f := r.channels[in.Channels[i].Name]; f != nil {
			all = append(all, f.health(in.Curves))
		}
	}
	return all, nil
}

// run is the second way through the batches.
type run struct {
	in         *Input
	background *background
	checks     []steps.Check
	sources    map[string]*source
	channels   map[string]*follower
}

func (r *run) take(batch *Batch) {
	s := r.sources[batch.Source]
	for i := range batch.Columns {
		c := &batch.Columns[i]
		if c.Kind != Strain {
			continue
		}
		f := r.channels[c.Name]
		if f == nil {
			at := slices.IndexFunc(r.in.Channels, func(known group.ChannelConstants) bool { return known.Name == c.Name })
			if at < 0 {
				continue
			}
			constants := &r.in.Channels[at]
			f = newFollower(constants, batch.Source, instantsOf(constants, r.in, r.checks), r.in.Curves[c.Name])
			r.channels[c.Name] = f
			if s == nil {
				s = &source{}
				r.sources[batch.Source] = s
			}
			s.followers = append(s.followers, f)
		}
		f.take(batch.Time, c.Value, c.Flags)
	}
	if s != nil {
		s.read(r.background)
	}
}

// source is the channels that one instrument reads.
type source struct {
	followers []*follower
	moved     []float64 // of the idle ones in a minute, sorted
}

// read takes the minutes that are over in their order, each of all channels at
// once, since a channel is compared with its companions.
func (s *source) read(b *background) {
	heads := make([]int, len(s.followers))
	for {
		at := int64(math.MaxInt64)
		for i, f := range s.followers {
			for heads[i] < len(f.queue) && f.queue[heads[i]].instant != nil {
				f.happened(&f.queue[heads[i]])
				heads[i]++
			}
			if heads[i] < len(f.queue) {
				at = min(at, f.queue[heads[i]].at)
			}
		}
		if at == math.MaxInt64 {
			break
		}
		idle := b.idle(at)
		s.moved = s.moved[:0]
		for i, f := range s.followers {
			if heads[i] < len(f.queue) && f.queue[heads[i]].at == at && idle {
				s.moved = append(s.moved, f.since(f.queue[heads[i]].mean))
			}
		}
		sort.Float64s(s.moved)
		for i, f := range s.followers {
			if heads[i] < len(f.queue) && f.queue[heads[i]].at == at {
				w := &f.queue[heads[i]]
				companions := math.NaN()
				if idle {
					companions = medianWithout(s.moved, f.since(w.mean))
				}
				f.read(w, b, idle, companions)
				heads[i]++
			}
		}
	}
	for _, f := range s.followers {
		f.queue = f.queue[:0]
	}
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
func (s *source) finish(b *background) {
	for _, f := range s.followers {
		for f.next < len(f.instants) {
			f.happens()
		}
		f.close()
		f.release()
	}
	s.read(b)
	for _, f := range s.followers {
		f.flush()
	}
}

func (f *follower) health(curves map[string]cycles.Curve) Health {
	h := Health{
		Channel: f.constants.Name, Source: f.source, Minutes: f.readings, Samples: f.samples, LeftOut: f.leftOut,
		Record: f.record, Facts: f.facts(), Cycles: f.counter.Count(), Curve: curves[f.constants.Name].SN != nil,
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
