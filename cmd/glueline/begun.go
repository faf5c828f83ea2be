package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
)

// What people begin they end, under the same name: an end without a beginning is
// a name that was misspelt, or was ended before. The service knows what is begun
// from the journal.

// knownWithin is how long the service waits for its workers to meet the journal's
// last event.
const knownWithin = 5 * time.Second

// begun answers GET /begun with what is begun and not ended, by everything that
// the journal held when it was asked.
func (s *service) begun(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), knownWithin)
	defer cancel()
	last := make([]uint64, len(s.groups))
	for i, g := range s.groups {
		state, err := g.journal.State(ctx)
		if err != nil {
			http.Error(w, err.Error(), http.StatusServiceUnavailable)
			return
		}
		last[i] = state.Last
	}
	for {
		// Every group has every event: one that has come so far will do.
		for i, g := range s.groups {
			live := g.live.Load()
			if live == nil || g.progress.Look().Sequence < last[i] {
				continue
			}
			begun := []group.Begun{}
			live.Look(func(r *group.Reducer) { begun = append(begun, r.State().Begun...) })
			answer(w, begun)
			return
		}
		select {
		case <-ctx.Done():
			http.Error(w, "the service has not come to the end of its journal, so that it does not know what was begun; glueline status tells how far it is", http.StatusServiceUnavailable)
			return
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// errNotBegun occurs when an event would end what has not begun, or begin what
// has begun already.
var errNotBegun = errors.New("refused, nothing was published")

// fits says what speaks against an event, by what is begun; nothing does when
// somebody forces it. The error wraps errNotBegun, unless the service could not
// be asked.
func (c *control) fits(ctx context.Context, e *event.Event, force string) error {
	var begun []group.Begun
	err := c.call(ctx, http.MethodGet, "/begun", nil, &begun)
	if err == nil {
		err = speaksAgainst(begun, e)
	}
	if err == nil || force == "" || errors.Is(err, errInterrupted) || errors.Is(err, errNoService) {
		return err
	}
	e.Why = strings.TrimPrefix(fmt.Sprintf("%s; forced: %s; against it: %s", e.Why, force, strings.TrimPrefix(err.Error(), errNotBegun.Error()+": ")), "; ")
	return nil
}

// unpaired says why no zero can be carried over work that ends, by where it began and
// the wires that the channel has now; "" when one may be.
func unpaired(begun []group.Begun, word, channel string, wires []string) string {
	for _, k := range begun {
		if k.Event != word || k.Channel != channel || k.Wire == "" || len(wires) == 0 || wires[0] == "" || wires[0] == k.Wire {
			continue
		}
		was, _, _ := strings.Cut(k.Wire, "|")
		is, _, _ := strings.Cut(wires[0], "|")
		from, _ := testfile.SplitInput(was)
		to, _ := testfile.SplitInput(is)
		switch {
		case from != to:
			return fmt.Sprintf("the reading before it was of source %s, and %s is on source %s now", from, channel, to)
		case !slices.Contains(wires[1:], k.Wire):
			return fmt.Sprintf("the test file does not say that %s was on %s before, with from and to", channel, was)
		}
	}
	return ""
}

// openSteps are the names of the steps that are begun, but one.
func (c *control) openSteps(ctx context.Context, but string) (names []string, err error) {
	var begun []group.Begun
	if err := c.call(ctx, http.MethodGet, "/begun", nil, &begun); err != nil {
		return nil, err
	}
	for _, k := range begun {
		if k.Event == "step" && k.Name != but {
			names = append(names, k.Name)
		}
	}
	return names, nil
}

func speaksAgainst(begun []group.Begun, e *event.Event) error {
	called := func(word, name, channel string) string {
		if name != "" {
			return fmt.Sprintf("%s %q", word, name)
		}
		return fmt.Sprintf("%s of %s", word, channel)
	}
	what := called(e.Event, e.Name, e.Channel)
	if e.Event == "excitation" {
		for _, k := range begun {
			if k.Event == e.Event && k.Source == e.Source && e.State == "off" {
				return fmt.Errorf("%w: the excitation of %s is off since %s, by %s; look at the name, or say why with --force", errNotBegun, e.Source, moment(k.At), k.Who)
			}
		}
		return nil // it may be switched on for the first time
	}
	var open []string
	for _, k := range begun {
		since := fmt.Sprintf("%s since %s, by %s", called(k.Event, k.Name, k.Channel), moment(k.At), k.Who)
		other := event.Event{Event: k.Event}
		if k.Event != e.Event {
			if e.State == "begin" && e.Paired() && other.Paired() && k.Channel == e.Channel {
				return fmt.Errorf("%w: the %s, has not ended, and its readings would be mixed with these; end that one first, or say why with --force", errNotBegun, since)
			}
			continue
		}
		if k.Name != e.Name || k.Channel != e.Channel {
			open = append(open, since)
			continue
		}
		if e.State == "begin" {
			return fmt.Errorf("%w: the %s, has not ended; end that one first, or say why with --force", errNotBegun, since)
		}
		return nil
	}
	if e.State == "begin" {
		return nil
	}
	others := fmt.Sprintf("no %s is begun", e.Event)
	if len(open) > 0 {
		others = "begun are: " + some(open)
	}
	return fmt.Errorf("%w: no %s was begun, or it has ended; %s. Look at the name, or say why with --force", errNotBegun, what, others)
}
