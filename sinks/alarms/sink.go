package alarms

import (
	"fmt"
	"sync"

	"glueline/pipeline/alarm"
	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/worker"
	"glueline/sinks/disk"
)

var (
	_ worker.PlanSink  = (*Sink)(nil)
	_ worker.EventSink = (*Sink)(nil)
)

// Options say what becomes of decisions and of the state.
type Options struct {
	Decided func(alarm.Decision) // called in the order of the journal; it must be quick
	Sync    func() error         // returns when what was decided is on the disk; may be nil
	Folder  disk.Folder          // of the states; nil: none is kept
}

// Sink judges the batches and events of one group. It may be looked at while it
// works.
type Sink struct {
	options Options
	group   string

	mutex  sync.Mutex
	rules  *alarm.Rules
	engine *alarm.Engine
	cut    uint64            // that the next Cut ends
	frames map[string]uint64 // by source, since it was made
}

// New returns a sink that goes on behind the cuts that are before next, from the
// state that was kept there; nil at the beginning.
func New(p *group.Plan, next uint64, state []byte, o Options) (*Sink, error) {
	s := &Sink{options: o, group: p.Name, rules: alarm.Compile(p.Test(), p), cut: next, frames: map[string]uint64{}}
	if state == nil {
		s.engine = alarm.New(s.rules)
		return s, nil
	}
	var err error
	s.engine, err = alarm.Restore(s.rules, state)
	return s, err
}

// Use has the alarms of another plan hold.
func (s *Sink) Use(p *group.Plan) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.rules = alarm.Compile(p.Test(), p)
	s.engine.Use(s.rules)
}

// Append judges a batch.
func (s *Sink) Append(b *group.Batch) error {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.frames[b.Source]++
	if !s.rules.Empty() { // else Walk need not reduce anything
		s.decided(s.engine.Batch(b))
	}
	return nil
}

// Event takes an event.
func (s *Sink) Event(e event.Event) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.decided(s.engine.Event(e))
}

func (s *Sink) decided(ds []alarm.Decision) {
	for _, d := range ds {
		s.options.Decided(d)
	}
}

// Cut keeps the state, behind everything that was decided before it.
func (s *Sink) Cut([]group.ZeroInForce) error {
	if s.options.Sync != nil {
		if err := s.options.Sync(); err != nil {
			return err
		}
	}
	s.mutex.Lock()
	text, err := s.engine.MarshalState()
	cut := s.cut
	s.cut++
	s.mutex.Unlock()
	if err == nil && s.options.Folder != nil {
		err = keep(s.options.Folder, s.group, cut, text)
	}
	if err != nil {
		return fmt.Errorf("state of the alarms of group %s: %w", s.group, err)
	}
	return nil
}

// Abort does nothing: a sink that goes on is made anew, from the newest cut.
func (s *Sink) Abort() error { return nil }

// Look is a copy of what is known.
func (s *Sink) Look() (alarm.State, error) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.engine.Look()
}

// Watch is what the clock of a service is held against.
type Watch struct {
	Due    int64 // ns; when somebody is to be told, or a mute ends; of use when IsDue
	IsDue  bool
	Now    int64 // ns, the time that data and events have reached
	Source []SourceWatch
}

// SourceWatch is of a source whose silence is told of.
type SourceWatch struct {
	Name   string
	After  int64 // ns
	Silent bool  // it counts as such already
	Newest int64 // ns, of its rows; 0: none came
	Frames uint64
}

// Watch returns how far it is.
func (s *Sink) Watch() Watch {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	var w Watch
	w.Due, w.Now, w.IsDue = s.engine.Due()
	for _, name := range s.rules.Silent() {
		after, _ := s.rules.SilentAfter(name)
		newest, _ := s.engine.Newest(name)
		w.Source = append(w.Source, SourceWatch{name, after, s.engine.IsSilent(name), newest, s.frames[name]})
	}
	return w
}
