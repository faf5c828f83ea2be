// Package live sends what is reduced to whoever listens just then: the reduced
// rows, when that is asked for, and always a light envelope of each source for
// screens, at most 20 times a second. It keeps nothing and waits for nobody: who
// does not listen, or is too slow, misses it. The segments hold everything.
package live

import (
	"encoding/json"
	"log/slog"
	"sync"
	"time"

	"glueline/pipeline/group"
)

// Options says what is sent, and how.
type Options struct {
	// Publish sends a message. One goroutine calls it, and it may block: what
	// comes meanwhile is dropped, oldest first.
	Publish  func(subject string, data []byte) error
	Envelope func(source string) (subject string)
	Reduced  func(source string) (subject string) // nil: no rows are sent
	Show     func(e *Envelope)                    // nil, or is told of each envelope before it is sent; it keeps nothing of it
	Log      *slog.Logger
}

// Counts is what a Sink has sent and dropped since it was made.
type Counts struct {
	Envelopes uint64 // sent
	Batches   uint64 // of rows, sent
	Dropped   uint64 // batches that something newer took the place of, or that could not be sent
	Failed    uint64 // envelopes that could not be sent; the next one holds none of their rows
}

const (
	every   = 50 * time.Millisecond // between two envelopes of a source
	waiting = 64                    // batches that may wait
)

// Sink is a worker.Sink that never fails and never waits.
type Sink struct {
	options Options
	test    string
	wake    chan struct{}
	stop    chan struct{}
	ended   chan struct{}

	mutex    sync.Mutex
	plan     *group.Plan
	gathered map[string]*gathering
	layouts  map[string]*layout
	queue    []*held // oldest first
	free     []*held
	counts   Counts
	wrong    map[string]bool // sources of which the plan gives no layout: said once
}

// New begins to send for a group. Close ends it.
func New(test string, plan *group.Plan, o Options) *Sink {
	s := &Sink{options: o, test: test, wake: make(chan struct{}, 1), stop: make(chan struct{}), ended: make(chan struct{})}
	if s.options.Log == nil {
		s.options.Log = slog.New(slog.DiscardHandler)
	}
	s.Use(plan)
	go s.run()
	return s
}

// Use has what follows be of another plan of the group.
func (s *Sink) Use(plan *group.Plan) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.plan = plan
	s.gathered, s.layouts, s.wrong = map[string]*gathering{}, map[string]*layout{}, map[string]bool{}
}

// Append takes a batch; nothing of it is kept. The error is always nil: nobody's
// wish to look on stops the reduction.
func (s *Sink) Append(b *group.Batch) error {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	if err := s.append(b); err != nil && !s.wrong[b.Source] {
		s.wrong[b.Source] = true
		s.options.Log.Warn("not shown live", "source", b.Source, "err", err)
	}
	return nil
}

func (s *Sink) append(b *group.Batch) (err error) {
	g := s.gathered[b.Source]
	if g == nil {
		if g, err = newGathering(s.plan, b.Source); err != nil {
			return err
		}
		s.gathered[b.Source] = g
	}
	g.add(b)
	if s.options.Reduced == nil || b.Rows == 0 {
		return nil
	}
	l := s.layouts[b.Source]
	if l == nil {
		if l, err = newLayout(s.plan, s.test, b.Source); err != nil {
			return err
		}
		s.layouts[b.Source] = l
	}
	var h *held
	switch n := len(s.free); {
	case len(s.queue) == waiting:
		h = s.queue[0]
		s.queue = append(s.queue[:0], s.queue[1:]...)
		s.counts.Dropped++
	case n > 0:
		h, s.free = s.free[n-1], s.free[:n-1]
	default:
		h = new(held)
	}
	h.copy(b, l)
	s.queue = append(s.queue, h)
	select {
	case s.wake <- struct{}{}:
	default: // it is awake
	}
	return nil
}

// Cut has no meaning here.
func (s *Sink) Cut([]group.ZeroInForce) error { return nil }

// Abort has no meaning here: what comes again is sent again.
func (s *Sink) Abort() error { return nil }

// Counts tells what was sent and dropped.
func (s *Sink) Counts() Counts {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.counts
}

// Close ends sending, once a Publish that is under way returns. What waits is
// dropped.
func (s *Sink) Close() {
	close(s.stop)
	<-s.ended
}

func (s *Sink) run() {
	defer close(s.ended)
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	mine := new(gathering)
	for {
		select {
		case <-s.stop:
			return
		case <-s.wake:
			s.sendRows()
		case <-ticker.C:
			s.sendEnvelopes(mine)
		}
	}
}

// sendRows sends the batches that wait, but leaves off when envelopes are due.
func (s *Sink) sendRows() {
	for began := time.Now(); time.Since(began) < every; {
		s.mutex.Lock()
		if len(s.queue) == 0 {
			s.mutex.Unlock()
			return
		}
		h := s.queue[0]
		s.queue = append(s.queue[:0], s.queue[1:]...)
		s.mutex.Unlock()
		subject := s.options.Reduced(h.source)
		err := h.send(func(text []byte) error { return s.options.Publish(subject, text) })
		s.mutex.Lock()
		s.free = append(s.free, h)
		s.count(err, &s.counts.Batches, &s.counts.Dropped)
		s.mutex.Unlock()
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// sendEnvelopes sends what was gathered; mine is memory for it.
func (s *Sink) sendEnvelopes(mine *gathering) {
	s.mutex.Lock()
	all := make([]*gathering, 0, len(s.gathered))
	for _, g := range s.gathered {
		all = append(all, g)
	}
	s.mutex.Unlock()
	for _, g := range all {
		s.mutex.Lock()
		if g.rows == 0 {
			s.mutex.Unlock()
			continue
		}
		g.take(mine)
		s.mutex.Unlock()
		e := mine.envelope()
		if s.options.Show != nil {
			s.options.Show(e)
		}
		text, err := json.Marshal(e)
		if err == nil {
			err = s.options.Publish(s.options.Envelope(mine.source), text)
		}
		s.mutex.Lock()
		s.count(err, &s.counts.Envelopes, &s.counts.Failed)
		s.mutex.Unlock()
	}
}

// count counts one more, and says once in a while what goes wrong.
func (s *Sink) count(err error, good, bad *uint64) {
	if err == nil {
		*good++
		return
	}
	if *bad&(*bad+1) == 0 { // 0, 1, 3, 7, …
		s.options.Log.Warn("not shown live", "err", err, "before this", *bad)
	}
	*bad++
}
