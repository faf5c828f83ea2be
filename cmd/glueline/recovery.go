package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"time"
)

// recovery is how far a group is in getting to where its journal is.
type recovery struct {
	mutex    sync.Mutex
	doing    string
	cut, of  uint64
	from     uint64 // sequence that the worker began with
	last     uint64 // of the journal, when it began
	began    time.Time
	caughtUp bool
}

// What a group does until it keeps up.
const (
	doesWait   = "waiting"
	doesCheck  = "comparing journal and archive"
	doesRepair = "reducing archived cuts again"
	doesCatch  = "catching up"
	doesWork   = "working"
	doesPause  = "stopped by an error, soon to go on"
)

// groupRecovery is what GET /readyz tells of a group.
type groupRecovery struct {
	Group       string  `json:"group"`
	Doing       string  `json:"doing"`
	Cut         uint64  `json:"cut,omitempty"` // that is being reduced again, from 1
	Of          uint64  `json:"of,omitempty"`
	Sequence    uint64  `json:"sequence,omitempty"` // of the newest message taken
	Last        uint64  `json:"last,omitempty"`     // of the journal, when the worker began
	PerSecond   float64 `json:"messages_per_second,omitempty"`
	SecondsLeft float64 `json:"seconds_left,omitempty"`
}

func (r *recovery) does(what string) {
	r.mutex.Lock()
	defer r.mutex.Unlock()
	r.doing, r.cut, r.of, r.caughtUp = what, 0, 0, false
}

func (r *recovery) repairs(cut, of uint64) {
	r.does(doesRepair)
	r.mutex.Lock()
	defer r.mutex.Unlock()
	r.cut, r.of = cut, of
}

func (r *recovery) catchesUp(from, last uint64, now time.Time) {
	r.does(doesCatch)
	r.mutex.Lock()
	defer r.mutex.Unlock()
	r.from, r.last, r.began = from, last, now
}

// lagAllowed is how far the newest message taken may be behind now.
const lagAllowed = time.Second

// recovery tells how far the group is. It has caught up once it has taken all
// that the journal held when it began, or what it takes has just come.
func (g *liveGroup) recovery(now time.Time) (status groupRecovery, caughtUp bool) {
	counts := g.progress.Look()
	r := &g.recovering
	r.mutex.Lock()
	defer r.mutex.Unlock()
	if r.doing == doesCatch && (counts.Sequence >= r.last || !counts.Stored.IsZero() && now.Sub(counts.Stored) < lagAllowed) {
		r.doing, r.caughtUp = doesWork, true
	}
	status = groupRecovery{Group: g.plan.Name, Doing: r.doing, Cut: r.cut, Of: r.of}
	if r.doing == "" {
		status.Doing = doesWait
	}
	if r.doing == doesCatch || r.doing == doesWork {
		status.Sequence, status.Last = counts.Sequence, r.last
	}
	if took := now.Sub(r.began).Seconds(); r.doing == doesCatch && took > 0 && counts.Sequence >= r.from {
		status.PerSecond = float64(counts.Sequence+1-r.from) / took
		status.SecondsLeft = float64(r.last-counts.Sequence) / status.PerSecond
	}
	return status, r.caughtUp
}

// reachedCalibration is the digest in force where the worker is. It is known
// only behind all that the journal held when the worker began: what names
// another may be in that.
func (g *liveGroup) reachedCalibration() (digest string, known bool) {
	counts := g.progress.Look()
	g.recovering.mutex.Lock()
	defer g.recovering.mutex.Unlock()
	return counts.Calibration, g.recovering.doing == doesWork && counts.Sequence >= g.recovering.last
}

// String is the status for a log.
func (s groupRecovery) String() string {
	switch {
	case s.Doing == doesRepair:
		return fmt.Sprintf("group %s: %s, %d of %d", s.Group, s.Doing, s.Cut, s.Of)
	case s.Doing == doesCatch && s.PerSecond > 0:
		return fmt.Sprintf("group %s: %s, message %d of %d, %.0f a second, %.0f s left", s.Group, s.Doing, s.Sequence, s.Last, s.PerSecond, s.SecondsLeft)
	case s.Doing == doesCatch:
		return fmt.Sprintf("group %s: %s, message %d of %d", s.Group, s.Doing, s.Sequence, s.Last)
	}
	return "group " + s.Group + ": " + s.Doing
}

// readiness is what GET /readyz answers, with status 200 when Ready.
type readiness struct {
	Ready  bool            `json:"ready"`
	Doing  string          `json:"doing"`
	For    float64         `json:"seconds_since_start"`
	Groups []groupRecovery `json:"groups"`
}

func (s *service) readiness(now time.Time) readiness {
	r := readiness{For: now.Sub(s.began).Seconds(), Groups: []groupRecovery{}}
	switch {
	case s.stopping.Load():
		r.Doing = "stopping"
		return r
	case !s.opened.Load():
		r.Doing = "opening the journal"
		return r
	}
	r.Doing, r.Ready = doesWork, true
	for _, g := range s.groups {
		status, caughtUp := g.recovery(now)
		r.Groups = append(r.Groups, status)
		if !caughtUp {
			r.Doing, r.Ready = "recovering", false
		}
	}
	if r.Ready && !s.inForce.Load() {
		r.Doing, r.Ready = "taking on the test file", false
	}
	return r
}

// caughtUp reports whether every group has.
func (s *service) caughtUp(now time.Time) bool {
	return s.opened.Load() && !slices.ContainsFunc(s.groups, func(g *liveGroup) bool {
		_, caughtUp := g.recovery(now)
		return !caughtUp
	})
}

func (r readiness) lines() []string {
	if len(r.Groups) == 0 {
		return []string{fmt.Sprintf("%s, for %.0f s", r.Doing, r.For)}
	}
	var lines []string
	for _, g := range r.Groups {
		lines = append(lines, g.String())
	}
	return lines
}

func (s *service) readyz(w http.ResponseWriter) {
	r := s.readiness(time.Now())
	w.Header().Set("Content-Type", "application/json")
	if !r.Ready {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	// A reader that went away is nobody to tell.
	_ = json.NewEncoder(w).Encode(r)
}

const (
	progressEvery = 5 * time.Second
	lookEvery     = 50 * time.Millisecond
	// extension is how long a supervisor shall wait after each sign of life; it
	// is far above progressEvery.
	extension = 30 * time.Second
)

// tell logs the progress of a recovery and tells it to the supervisor, until ctx
// ends. The service is ready once the test file that it was started with is in
// force: whoever publishes then is reduced by it.
func (s *service) tell(ctx context.Context, log *slog.Logger) {
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	told, settled := time.Now(), time.Time{}
	was, isSettled := false, false
	first := sync.OnceFunc(func() { close(s.ready) })
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		now := time.Now()
		if s.caughtUp(now) && !isSettled && now.Sub(settled) >= progressEvery {
			all, err := s.settle(ctx, (*liveGroup).reachedCalibration)
			if err != nil && ctx.Err() == nil {
				log.Warn("the test file of the start is not in force yet", "err", err)
				settled = now
			}
			isSettled = all && err == nil
			if isSettled || err != nil {
				s.inForce.Store(true)
			}
		}
		r := s.readiness(now)
		switch {
		case r.Ready && !was:
			log.Info("ready", "seconds since the start", fmt.Sprintf("%.1f", r.For))
			tellSupervisor(log, "READY=1\nSTATUS=working")
			first()
		case !r.Ready && (was || now.Sub(told) >= progressEvery):
			told = now
			for _, line := range r.lines() {
				log.Info("not ready yet", "doing", line)
			}
			tellSupervisor(log, fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d\nSTATUS=%s", extension.Microseconds(), r.lines()[0]))
		}
		was = r.Ready
	}
}
