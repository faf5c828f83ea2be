package worker

import (
	"maps"
	"slices"
	"sync"
	"time"

	"glueline/pipeline/journal"
)

// Progress is what a running worker has done, for people and metrics. All
// methods may be called on nil, and from any goroutine.
type Progress struct {
	mutex sync.Mutex
	now   Counts
}

// Counts is one look at a worker's progress, since it started.
type Counts struct {
	Sequence  uint64 // of the newest message taken
	Pending   uint64 // messages behind it when it was sent
	Stored    time.Time
	Frames    uint64
	Rows      uint64
	Refused   uint64
	Repeated  uint64
	Cuts      uint64
	Uncut     uint64           // frames taken since the newest cut was decided
	Committed uint64           // sequence that the newest commit reaches to
	Newest    map[string]int64 // ns, by source
	Arrived   map[string]int64 // ns, by source: when its newest frame was stored, by the server's clock
	RefusedOf []RefusedOf      // by source and reason

	// Boots is, by source, when another boot began, by the server's clock: the newest
	// KeptBoots times, oldest first.
	Boots map[string][]time.Time

	Calibration string // digest of the one in force; "" when the journal named none
}

// KeptBoots is how many beginnings of a source's boots are known.
const KeptBoots = 5

// RefusedOf is how many messages of a source were refused for a reason.
type RefusedOf struct {
	Source, Reason string // no source: events, and what is of no known subject
	Messages       uint64
}

// refusal is what refusals are counted by.
type refusal struct{ source, reason string }

// Look returns the present counts.
func (p *Progress) Look() Counts {
	p.mutex.Lock()
	defer p.mutex.Unlock()
	c := p.now
	c.Newest, c.Arrived = maps.Clone(p.now.Newest), maps.Clone(p.now.Arrived)
	c.RefusedOf = slices.Clone(p.now.RefusedOf)
	c.Boots = maps.Clone(p.now.Boots) // the lists are not changed any more
	return c
}

func (p *Progress) change(f func(*Counts)) {
	if p == nil {
		return
	}
	p.mutex.Lock()
	f(&p.now)
	p.mutex.Unlock()
}

func (p *Progress) message(m *journal.Message) {
	p.change(func(c *Counts) { c.Sequence, c.Pending, c.Stored = m.Seq, m.Pending, m.Stored })
}

func (p *Progress) frame(source string, rows int, newest int64, stored time.Time) {
	p.change(func(c *Counts) {
		c.Frames++
		c.Uncut++
		c.Rows += uint64(rows)
		if c.Newest == nil {
			c.Newest, c.Arrived = map[string]int64{}, map[string]int64{}
		}
		c.Newest[source], c.Arrived[source] = newest, stored.UnixNano()
	})
}

func (p *Progress) boot(source string, stored time.Time) {
	p.change(func(c *Counts) {
		if c.Boots == nil {
			c.Boots = map[string][]time.Time{}
		}
		list := append(slices.Clone(c.Boots[source]), stored)
		c.Boots[source] = list[max(0, len(list)-KeptBoots):]
	})
}

// Begin notes where the worker goes on from, and by which calibration.
func (p *Progress) Begin(from uint64, calibration string) {
	p.change(func(c *Counts) {
		c.Sequence, c.Pending, c.Stored, c.Calibration = max(from, 1)-1, 0, time.Time{}, calibration
	})
}

func (p *Progress) calibration(digest string) {
	p.change(func(c *Counts) { c.Calibration = digest })
}

func (p *Progress) refused(source, reason string) {
	p.change(func(c *Counts) {
		c.Refused++
		at := slices.IndexFunc(c.RefusedOf, func(r RefusedOf) bool { return r.Source == source && r.Reason == reason })
		if at < 0 {
			at, c.RefusedOf = len(c.RefusedOf), append(c.RefusedOf, RefusedOf{Source: source, Reason: reason})
		}
		c.RefusedOf[at].Messages++
	})
}

func (p *Progress) repeated() { p.change(func(c *Counts) { c.Repeated++ }) }
func (p *Progress) ends()     { p.change(func(c *Counts) { c.Uncut = 0 }) }
func (p *Progress) cut(e *End) {
	p.change(func(c *Counts) { c.Cuts++; c.Committed = e.Journal.Last })
}
