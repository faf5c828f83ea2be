// Package metrics tells Prometheus how channels, groups and the process are.
//
// A Sink, one a group, keeps of every channel what its newest rows said and how
// many there were. A Collector makes metrics of the sinks and of what the
// service knows (Look) at the moment of a scrape; nothing is kept for
// Prometheus, so the series of a channel that the test file has no more are gone
// with the next scrape.
//
// A channel has at most ten series, labelled by source and channel as the test
// file names them: a message cannot make new ones. Three of them and those of
// pairs and rosettes say what its newest health file says. Counts begin at 0 with the
// process. Values are in base units: strain as a ratio (m/m), pascals,
// celsius, seconds.
//
// A scrape of 2,000 channels is about 20,000 lines, 1.5 MB of text before
// compression; BenchmarkScrape says what it takes. Taking rows costs a look at
// each flag and at one value a row.
package metrics

import (
	"math"
	"math/bits"
	"sync"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
)

// Sink is a worker.PlanSink that never fails. It may be asked for its figures
// while it takes rows.
type Sink struct {
	now func() time.Time

	mutex     sync.Mutex
	plan      *group.Plan
	sources   map[string]*sourceCounts
	committed time.Time // newest cut of this process; zero before the first
}

// sourceCounts is what is known of a source's columns, by their place.
type sourceCounts struct {
	fields   []group.Field
	newest   int64 // ns, the highest time of a row; of use once rows is not 0
	rows     uint64
	channels []channelCounts
	values   []valueCounts
	byFlag   [32]uint64 // channel rows that carry each flag
}

// channelCounts is a channel: a column of flags and those beside it.
type channelCounts struct {
	name                        string
	quantity                    group.Quantity
	strainAt, stressAt, flagsAt int // columns; stressAt -1: has none

	rows, leftOut  uint64
	strain, stress float64 // of the newest row that nothing leaves out; NaN before there is one
	at             int64   // ns, its time
}

// valueCounts is a temperature or an auxiliary quantity.
type valueCounts struct {
	field group.Field
	at    int     // column
	value float64 // newest; NaN where the newest row has none
}

// NewSink returns the sink of a group.
func NewSink(p *group.Plan) *Sink {
	s := &Sink{now: time.Now, sources: map[string]*sourceCounts{}}
	s.Use(p)
	return s
}

// Use has what follows be of another plan of the group. Channels that it has too
// count on, others are forgotten.
func (s *Sink) Use(p *group.Plan) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	if p == s.plan {
		return
	}
	before := s.sources
	s.plan, s.sources = p, map[string]*sourceCounts{}
	for _, source := range p.Sources() {
		s.sources[source] = newSourceCounts(p.Fields(source), before[source])
	}
}

func newSourceCounts(fields []group.Field, before *sourceCounts) *sourceCounts {
	s := &sourceCounts{fields: fields}
	known := map[string]channelCounts{}
	if before != nil {
		s.newest, s.rows, s.byFlag = before.newest, before.rows, before.byFlag
		for _, c := range before.channels {
			known[c.name] = c
		}
	}
	at := map[string]int{}
	for i, f := range fields {
		switch f.Quantity {
		case group.Strain, group.Shear, group.Indicated:
			c, counted := known[f.Of]
			if !counted {
				c.strain, c.stress = math.NaN(), math.NaN()
			}
			c.name, c.quantity, c.strainAt, c.stressAt, c.flagsAt = f.Of, f.Quantity, i, -1, -1
			at[f.Of] = len(s.channels)
			s.channels = append(s.channels, c)
		case group.Stress, group.ShearStress:
			if c, ok := at[f.Of]; ok {
				s.channels[c].stressAt = i
			}
		case group.FlagMask:
			if c, ok := at[f.Of]; ok { // a rosette's are those of its grids
				s.channels[c].flagsAt = i
			}
		case group.Temperature, group.Auxiliary:
			s.values = append(s.values, valueCounts{f, i, math.NaN()})
		}
	}
	return s
}

// Append takes a batch; nothing of it is kept. One that is not of the plan is
// passed over: what it is told of is the worker's to find. The error is always
// nil.
func (s *Sink) Append(b *group.Batch) error {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	source := s.sources[b.Source]
	if source == nil || b.Rows == 0 || len(b.Columns) != len(source.fields) {
		return nil
	}
	for _, at := range b.Time {
		if source.rows == 0 || at > source.newest {
			source.newest = at
		}
	}
	source.rows += uint64(b.Rows)
	for i := range source.channels {
		source.channels[i].add(b, &source.byFlag)
	}
	for i := range source.values {
		v := &source.values[i]
		v.value = b.Columns[v.at].Float[b.Rows-1]
	}
	return nil
}

func (c *channelCounts) add(b *group.Batch, byFlag *[32]uint64) {
	masks, strain := b.Columns[c.flagsAt].Flags, b.Columns[c.strainAt].Float
	c.rows += uint64(b.Rows)
	good := -1
	for i, m := range masks {
		if m != 0 {
			for rest := m; rest != 0; rest &= rest - 1 {
				byFlag[bits.TrailingZeros32(rest)]++
			}
			if flag.Mask(m)&flag.LeavesOut != 0 {
				c.leftOut++
				continue
			}
		}
		good = i
	}
	// The newest good row may have no value all the same; then an older one has.
	for ; good >= 0; good-- {
		if flag.Mask(masks[good])&flag.LeavesOut == 0 && !math.IsNaN(strain[good]) {
			c.strain, c.at = strain[good], b.Time[good]
			if c.stressAt >= 0 {
				c.stress = b.Columns[c.stressAt].Float[good]
			}
			return
		}
	}
}

// Cut notes when the newest commit was.
func (s *Sink) Cut([]group.ZeroInForce) error {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.committed = s.now()
	return nil
}

// Abort has no meaning here: rows that come again are counted again, as work that
// was done twice.
func (s *Sink) Abort() error { return nil }
