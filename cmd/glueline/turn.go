package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/revise"
)

// turningFile names the revision that a service is turning to: every journal is
// told of it, however often the service ends in between.
const turningFile = "turning"

// wantedRevision is the revision that the results are to go into.
func wantedRevision(data string) (string, error) {
	text, err := os.ReadFile(filepath.Join(data, turningFile))
	if errors.Is(err, fs.ErrNotExist) {
		return currentRevision(data)
	}
	if err != nil {
		return "", fmt.Errorf("which revision holds: %w", err)
	}
	name := strings.TrimSpace(string(text))
	if !event.IsRevision(name) {
		return "", fmt.Errorf("%s names no revision; remove it, and ask for the revision again", filepath.Join(data, turningFile))
	}
	return name, nil
}

// turn asks the service to go on in another revision, and waits until all groups
// do.
func (c *control) turn(ctx context.Context, name string) error {
	body, err := json.Marshal(turnTo{name})
	if err != nil {
		return err
	}
	var answer turnTo
	if err := c.call(ctx, http.MethodPost, "/revision", body, &answer); err != nil {
		return err
	}
	for {
		current, err := currentRevision(c.data)
		if err != nil || current == name {
			return err
		}
		var st status
		if err := c.call(ctx, http.MethodGet, "/status", nil, &st); err != nil {
			return fmt.Errorf("the service was turning to revision %s, and goes on with that when it runs again: %w", name, err)
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%w; the service goes on turning to revision %s", errInterrupted, name)
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// turnTo is what POST /revision takes and answers.
type turnTo struct {
	Revision string `json:"revision"`
}

func (s *service) revision(w http.ResponseWriter, r *http.Request) {
	var to turnTo
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxEvent)).Decode(&to); err != nil || !event.IsRevision(to.Revision) {
		http.Error(w, fmt.Sprintf("revision %q; write r and its number, for example r2", to.Revision), http.StatusBadRequest)
		return
	}
	if err := s.turn(r.Context(), to.Revision); err != nil {
		http.Error(w, err.Error(), http.StatusConflict)
		return
	}
	answer(w, to)
}

// turn has every group go on in another revision, behind a cut of its own.
func (s *service) turn(ctx context.Context, name string) error {
	s.changing.Lock()
	defer s.changing.Unlock()
	r, err := readRevision(s.data, name)
	if err != nil {
		return err
	}
	wanted, err := wantedRevision(s.data)
	if err != nil {
		return err
	}
	if later(wanted, name) {
		return fmt.Errorf("the results go into revision %s already", wanted)
	}
	digest := ""
	for _, entries := range r.Groups {
		digest = entries[len(entries)-1].Digest
	}
	next, err := keptTestOf(s.data, digest)
	if err != nil {
		return err
	}
	if err := mayReload(s.current.Load(), next); err != nil {
		return err
	}
	if err := reached(s.ways, next.test); err != nil {
		return err
	}
	if err := writeSynced(filepath.Join(s.data, turningFile), []byte(name+"\n")); err != nil {
		return fmt.Errorf("turn to revision %s: %w", name, err)
	}
	e := calibrationEvent(next.digest, r.Why, r.Changes)
	e.Who, e.Revision = r.Who, name
	if _, err := publishToAll(ctx, s.groups, e); err != nil {
		return fmt.Errorf("say so in the journal: %w", err)
	}
	s.current.Store(next)
	s.settled = true
	s.log.Info("turning to another revision", "revision", name, "was", r.From, "digest", next.digest)
	return nil
}

// turned has the revision hold that all groups work in.
func (s *service) turned() error {
	s.changing.Lock()
	defer s.changing.Unlock()
	wanted, err := wantedRevision(s.data)
	if err != nil {
		return err
	}
	for _, g := range s.groups {
		if *g.revision.Load() != wanted {
			return nil
		}
	}
	current, err := currentRevision(s.data)
	if err != nil {
		return err
	}
	if current == wanted {
		return turnedTo(s.data, wanted)
	}
	if err := hold(s.data, wanted); err != nil {
		return err
	}
	s.log.Info("another revision holds", "revision", wanted)
	return nil
}

// hold has a revision hold that nothing turns to any more. What a service was
// turning to when it ended is not what the next one is to go on with.
func hold(data, name string) error {
	if err := setCurrent(data, name); err != nil {
		return err
	}
	return turnedTo(data, name)
}

// turnedTo takes note that there is nothing to turn to.
func turnedTo(data, name string) error {
	if err := os.Remove(filepath.Join(data, turningFile)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("turn to revision %s: %w", name, err)
	}
	return nil
}

// goInto finds the revision that the results behind a cut go into.
func (g *liveGroup) goInto(newest *archive.Record) error {
	name := reducedFolder
	if newest != nil {
		behind, err := worker.RevisionOf(newest.State)
		if err != nil {
			return err
		}
		name = cmp.Or(behind, name)
	}
	g.revision.Store(&name)
	return nil
}

// complete makes what its revision lacks up to the newest cut, where it lacks that.
func (g *liveGroup) complete(ctx context.Context, newest *archive.Record) error {
	there, err := g.isReduced(newest.Cut)
	if err != nil || there {
		return err
	}
	return g.fill(ctx, g.recovering.repairs)
}

// fill makes the cuts that its revision lacks, and tells how far it is.
func (g *liveGroup) fill(ctx context.Context, tell func(cut, of uint64)) error {
	name := *g.revision.Load()
	r, err := readRevision(g.data, name)
	if err != nil {
		return err
	}
	// Readings may wait meanwhile, so that a cut or two are made rather than compared.
	o, err := r.orderOfItself(g.data, g.plan.Name, keptPlans(g.data, g.plan.Name))
	if err != nil {
		return err
	}
	g.log.Info("completing a revision", "group", g.plan.Name, "revision", name, "cuts", o.Cuts)
	o.Done = func(cut uint64, _ int64) { tell(cut+1, o.Cuts) }
	return revise.Run(ctx, o)
}
