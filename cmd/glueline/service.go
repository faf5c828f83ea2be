package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/journal"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/live"
	"glueline/sinks/tell"
)

// service answers on the control socket: events go in, the status comes out.
type service struct {
	test   *testfile.Test // as it was at the start
	data   string
	log    *slog.Logger
	began  time.Time
	groups []*liveGroup // of use once opened

	opened   atomic.Bool
	ready    chan struct{} // closed when the service was ready for the first time
	stopping atomic.Bool
	taking   sync.Mutex  // while frames are taken back from quarantine
	changing sync.Mutex  // while the test file in force becomes another
	undo     []string    // re-reductions that a test file may take back
	settled  bool        // guarded by changing: every journal has heard which one is
	inForce  atomic.Bool // the test file of the start is, or it was said why not
	current  atomic.Pointer[keptTest]
	reloaded atomic.Pointer[reloadResult] // nil until one was asked for
	journal  string                       // folder of the embedded journal; "" when it is elsewhere
	metrics  http.Handler
	health   *healthKeeper
	ways     *tell.Ways // nil: nobody can be told of alarms
	page     *page      // nil without a console
}

// maxEvent is far above any event that a person writes.
const maxEvent = 64 << 10

// groupStatus is what is told of a group.
type groupStatus struct {
	Group    string         `json:"group"`
	Sources  []string       `json:"sources"`
	Progress worker.Counts  `json:"progress"`
	Journal  *journal.State `json:"journal,omitempty"`
	Room     string         `json:"journal_room,omitempty"` // what is wrong with the room in it
	LastCut  *cutStatus     `json:"last_cut,omitempty"`
	Live     live.Counts    `json:"live"` // what was sent to whoever listens
	Health   *healthStatus  `json:"health,omitempty"`
	Alarms   *alarmCounts   `json:"alarms,omitempty"`
	Error    string         `json:"error,omitempty"`
}

// cutStatus is what is told of a group's newest cut.
type cutStatus struct {
	Cut       uint64    `json:"cut"`
	Committed time.Time `json:"committed"`
	Rows      int64     `json:"rows"`
	Bytes     int64     `json:"bytes"` // of raw files
}

// status is what GET /status answers.
type status struct {
	Test     string        `json:"test"`
	Began    time.Time     `json:"began"`
	Data     string        `json:"data"`
	FreeDisk uint64        `json:"free_disk_bytes"`
	Groups   []groupStatus `json:"groups"`
}

// published is what POST /events answers.
type published struct {
	ID    string      `json:"id"`
	Event event.Event `json:"event"`
}

func (s *service) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	switch r.Method + " " + r.URL.Path {
	case "GET /healthz":
		fmt.Fprintln(w, "ok")
		return
	case "GET /readyz":
		s.readyz(w)
		return
	case "GET /metrics":
		s.metrics.ServeHTTP(w, r)
		return
	}
	if !s.opened.Load() {
		http.Error(w, "the journal is being opened; ask /readyz how far it is", http.StatusServiceUnavailable)
		return
	}
	switch r.Method + " " + r.URL.Path {
	case "GET /status":
		answer(w, s.status(r.Context()))
	case "GET /zeros":
		answer(w, s.looks())
	case "GET /begun":
		s.begun(w, r)
	case "GET /alarms":
		answer(w, s.alarms())
	case "POST /alarms/try":
		s.try(w, r)
	case "POST /events":
		s.event(w, r)
	case "POST /revision":
		s.revision(w, r)
	case "POST /quarantine/take-back":
		s.takeBack(w, r)
	default:
		if r.Method == http.MethodGet && (r.URL.Path == healthPath || strings.HasPrefix(r.URL.Path, healthPath+"/")) {
			s.health1(w, r)
			return
		}
		if id, ok := strings.CutPrefix(r.URL.Path, "/alarms/deliveries/"); ok && r.Method == http.MethodGet {
			s.deliveries(w, r, id)
			return
		}
		if r.Method == http.MethodGet && (r.URL.Path == "/quarantine" || strings.HasPrefix(r.URL.Path, "/quarantine/")) {
			s.quarantine(w, r)
			return
		}
		http.NotFound(w, r)
	}
}

func answer(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	// A reader that went away is nobody to tell.
	_ = json.NewEncoder(w).Encode(v)
}

// answersWithin is how long the status waits for the journals: what it knows
// without them is wanted most when they do not answer.
const answersWithin = 2 * time.Second

// status asks all groups at once.
func (s *service) status(ctx context.Context) status {
	st := status{Test: s.test.About.Name.Text, Began: s.began, Data: s.data, FreeDisk: freeDisk(s.data), Groups: make([]groupStatus, len(s.groups))}
	ctx, cancel := context.WithTimeout(ctx, answersWithin)
	defer cancel()
	var asking sync.WaitGroup
	for i, g := range s.groups {
		asking.Go(func() {
			st.Groups[i] = g.status(ctx)
			st.Groups[i].Health = s.health.look(g.plan.Name)
			st.Groups[i].Alarms = s.alarmCounts(g)
		})
	}
	asking.Wait()
	return st
}

func (g *liveGroup) status(ctx context.Context) groupStatus {
	gs := groupStatus{Group: g.plan.Name, Sources: g.plan.Sources(), Progress: g.progress.Look(), Live: g.shown.Counts()}
	switch state, err := g.journal.State(ctx); {
	case errors.Is(err, context.DeadlineExceeded):
		// Told by its absence.
	case err != nil:
		gs.Error = err.Error()
	default:
		gs.Journal, gs.Room = &state, g.roomWarning(&state)
	}
	var err error
	if gs.LastCut, err = g.lastCut(); err != nil {
		gs.Error = strings.TrimPrefix(gs.Error+"; "+err.Error(), "; ")
	}
	return gs
}

// lastCut looks at the newest commit record; nil when there is none.
func (g *liveGroup) lastCut() (*cutStatus, error) {
	newest, err := archive.Newest(g.raw, g.plan.Name)
	if err != nil || newest == nil {
		return nil, err
	}
	info, err := os.Stat(filepath.Join(g.raw, newest.Name()))
	if err != nil {
		return nil, err
	}
	c := &cutStatus{Cut: newest.Cut, Committed: info.ModTime()}
	for _, f := range newest.Files {
		c.Rows += f.Rows
		c.Bytes += f.Bytes
	}
	return c, nil
}

// event publishes an event to the journals of all groups under one id.
func (s *service) event(w http.ResponseWriter, r *http.Request) {
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxEvent))
	if err != nil {
		http.Error(w, fmt.Sprintf("an event has at most %d bytes, and this one has more; say it shorter, and name the file where the rest stands", maxEvent), http.StatusRequestEntityTooLarge)
		return
	}
	e, err := event.Parse(text)
	if err == nil {
		err = errors.Join(namesKnown(&e, s.current.Load().test), s.current.Load().test.CheckTarget(e.Target), s.fitsAlarms(&e))
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	id, err := publishToAll(r.Context(), s.groups, e)
	switch {
	case errors.Is(err, journal.ErrFull):
		http.Error(w, err.Error(), http.StatusInsufficientStorage)
	case err != nil:
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
	default:
		answer(w, published{id, e})
	}
}

func publishToAll(ctx context.Context, groups []*liveGroup, e event.Event) (id string, err error) {
	text, err := json.Marshal(e)
	if err != nil {
		return "", err
	}
	id = journal.NewEventID()
	for _, g := range groups {
		if e := g.publish(ctx, id, text); e != nil {
			err = errors.Join(err, fmt.Errorf("group %s: %w", g.plan.Name, e))
		}
	}
	return id, err
}

func publish1(ctx context.Context, j *journal.Journal, e event.Event) error {
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	_, err = j.PublishEvent(ctx, journal.NewEventID(), text)
	return err
}

// serveHTTP answers on one listener until ctx ends.
func (s *service) serveHTTP(ctx context.Context, l net.Listener) error {
	var handler http.Handler = s
	if l.Addr().Network() != "unix" {
		handler = readOnly(s)
	}
	server := &http.Server{Handler: handler, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, MaxHeaderBytes: 16 << 10}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		<-ctx.Done()
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if err := server.Shutdown(stop); err != nil {
			s.log.Warn("the control socket was cut off", "err", err)
		}
	}()
	err := server.Serve(l)
	if ctx.Err() == nil {
		return fmt.Errorf("control socket: %w", err)
	}
	<-ended
	return nil
}
