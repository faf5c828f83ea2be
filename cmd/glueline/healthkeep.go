package main

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"sync"
	"time"

	"glueline/sinks/health"
)

// healthKeeper makes the health files of a service's groups as their cuts are
// committed, beside the workers and never in their way: whatever fails is told,
// and tried again.
type healthKeeper struct {
	data string
	log  *slog.Logger

	mutex  sync.Mutex
	groups map[string]*healthStatus
}

// healthStatus is what is told of a group's health.
type healthStatus struct {
	Cut   uint64    `json:"cut"`
	UpTo  string    `json:"up_to"`                // time of the newest row in it
	Waits string    `json:"waits_for,omitempty"`  // another group, whose readings go beside these
	Since time.Time `json:"waits_since,omitzero"` // by the clock of the service
	Error string    `json:"error,omitempty"`

	file     *health.File
	behind   *health.File                // that the waiting began with
	evidence map[string]*health.Evidence // by channel, as far as the file
}

func newHealthKeeper(data string, log *slog.Logger) *healthKeeper {
	return &healthKeeper{data: data, log: log, groups: map[string]*healthStatus{}}
}

// How often it looks for new cuts, and how long it waits after something failed.
const (
	healthLook  = 5 * time.Second
	healthPause = time.Minute
)

// healthShare is how much of one core it takes at most: a part in so many.
const healthShare = 4

// run makes health files until ctx ends.
func (k *healthKeeper) run(ctx context.Context, ready <-chan struct{}) {
	select {
	case <-ctx.Done():
		return
	case <-ready:
	}
	var walks map[string]*healthWalk
	for pause := time.Duration(0); ; {
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		}
		pause = healthLook
		if walks == nil {
			walks = map[string]*healthWalk{}
		}
		begun, err := k.walks(walks)
		if err != nil {
			k.tell("", nil, err)
			pause = healthPause
			continue
		}
		k.tell("", nil, nil)
		for _, w := range begun {
			share := sharer{begun: time.Now()}
			w.rest = share.rest
			k.keepEvidence(w)
			err := w.toTheEnd(ctx, true)
			if ctx.Err() != nil {
				return
			}
			if err == nil {
				k.keepEvidence(w)
			}
			k.tell(w.group, w, err)
			if err != nil {
				delete(walks, w.group) // it goes on from the newest file
				pause = healthPause
			}
		}
	}
}

// walks begins those of groups that have none.
func (k *healthKeeper) walks(known map[string]*healthWalk) (all []*healthWalk, err error) {
	fresh, err := walksOf(k.data, nil, known)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil // nothing is committed yet
	}
	for _, w := range fresh {
		for _, err := range w.skipped {
			k.log.Warn("a health file is of no use and is made again", "group", w.group, "err", err)
		}
		w.skipped = nil
		known[w.group] = w
	}
	return fresh, err
}

// tell keeps how a group's health is, and logs an error once.
func (k *healthKeeper) tell(group string, w *healthWalk, err error) {
	k.mutex.Lock()
	defer k.mutex.Unlock()
	s := k.groups[group]
	if s == nil {
		s = &healthStatus{}
		k.groups[group] = s
	}
	before := s.Error
	if s.Error = ""; err != nil {
		s.Error = err.Error()
	}
	if w != nil {
		s.waitsFor(w, time.Now())
	}
	if w != nil && w.wrote != nil {
		s.Cut, s.UpTo, s.file = w.wrote.Cut, w.wrote.UpTo, w.wrote
	}
	if err != nil && s.Error != before {
		k.log.Error("the health of the channels is not known further; the results are not touched by it", "group", group, "again in", healthPause, "err", err)
	}
}

// waitsFor keeps for whom a walk waits, and since when it has made no file for it.
func (h *healthStatus) waitsFor(w *healthWalk, now time.Time) {
	if w.waits == "" || h.Waits == "" || w.wrote != h.behind {
		h.Since, h.behind = now.UTC(), w.wrote
	}
	if h.Waits = w.waits; w.waits == "" {
		h.Since = time.Time{}
	}
}

// keepEvidence keeps what the records behind the newest file hold, while the walk is
// where that file ends.
func (k *healthKeeper) keepEvidence(w *healthWalk) {
	if w.wrote == nil || w.wrote == w.evident {
		return
	}
	evidence := evidenceOf(w.pass)
	w.evident = w.wrote
	k.mutex.Lock()
	defer k.mutex.Unlock()
	if s := k.groups[w.group]; s != nil {
		s.Cut, s.UpTo, s.file, s.evidence = w.wrote.Cut, w.wrote.UpTo, w.wrote, evidence
		return
	}
	k.groups[w.group] = &healthStatus{Cut: w.wrote.Cut, UpTo: w.wrote.UpTo, file: w.wrote, evidence: evidence}
}

// look returns what is known of a group; nil before anything is.
func (k *healthKeeper) look(group string) *healthStatus {
	if k == nil {
		return nil
	}
	k.mutex.Lock()
	defer k.mutex.Unlock()
	s := k.groups[group]
	if all := k.groups[""]; s == nil && all != nil && all.Error != "" {
		s = all
	}
	if s == nil {
		return nil
	}
	copied := *s
	return &copied
}

// sharer leaves the rest of a core to others.
type sharer struct{ begun time.Time }

// rest waits as long as what was done since the last rest says.
func (s *sharer) rest(ctx context.Context) error {
	const least = 2 * time.Millisecond
	worked := time.Since(s.begun)
	if worked < least {
		return nil
	}
	select {
	case <-ctx.Done():
		return errInterrupted
	case <-time.After(worked * (healthShare - 1)):
	}
	s.begun = time.Now()
	return nil
}
