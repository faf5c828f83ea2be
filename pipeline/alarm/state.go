package alarm

import (
	"encoding/json"
	"errors"
	"fmt"
)

// State is what an Engine remembers; it is what a restart goes on from.
type State struct {
	Version int               `json:"version"`
	Now     int64             `json:"now"` // ns, the highest time of rows and events
	Newest  map[string]int64  `json:"newest"`
	Watches map[string]*Watch `json:"watches"` // those that are not at rest
	Open    map[string]*Alarm `json:"open"`
	Raised  map[string]uint64 `json:"raised"` // how often, by key
	Past    []*Alarm          `json:"past"`   // acknowledged and over, the newest last
	Mutes   []*Mute           `json:"mutes"`
	Unmuted []*Mute           `json:"unmuted"` // those that have ended, the newest last
}

// Watch is how far a condition has come.
type Watch struct {
	Level Level           `json:"level"`
	Runs  [Danger + 1]Run `json:"runs"`
}

// Run is samples in a row beyond a level that is not reached yet.
type Run struct {
	Since int64 `json:"since"`
	Count int   `json:"count"`
}

func (w *Watch) atRest() bool { return *w == Watch{} }

// Alarm is a condition that was true, until it is acknowledged and over.
type Alarm struct {
	Key     string  `json:"key"` // what it is acknowledged by
	Rule    string  `json:"rule"`
	Of      string  `json:"of"`
	Number  uint64  `json:"number"`  // of its key
	Level   Level   `json:"level"`   // at present; 0: its cause is over
	Highest Level   `json:"highest"` // since it was raised or last acknowledged
	Since   int64   `json:"since"`   // ns, its cause began to count
	At      int64   `json:"at"`      // ns, Highest was reached
	Ended   int64   `json:"ended"`   // ns, its cause was over; 0: it is not
	Value   float64 `json:"value"`   // when Highest was reached; 0 for flags and silence
	Reading string  `json:"reading"`
	Unit    string  `json:"unit"`
	Text    string  `json:"text"`
	Action  string  `json:"action"`
	Ack     *Ack    `json:"ack"`
	Lower   *Ack    `json:"lower"` // an acknowledgement of less than it had become
	Told    []Told  `json:"told"`
	Step    int     `json:"step"` // in the order of people
	Due     int64   `json:"due"`  // ns, when the next is told; 0: nobody is
	Held    bool    `json:"held"` // somebody would have been told, but it was muted
}

// Ack is an acknowledgement.
type Ack struct {
	Who   string `json:"who"`
	Why   string `json:"why"`
	At    int64  `json:"at"`
	Level Level  `json:"level"`
}

// Told is one who was to be told, and when.
type Told struct {
	ID  string `json:"id"`
	Who string `json:"who"`
	At  int64  `json:"at"`
}

// Mute holds alarms back until its end. They are decided all the same.
type Mute struct {
	What  string   `json:"what"` // an alarm, a rule, a channel or source, or all
	Who   string   `json:"who"`
	Why   string   `json:"why"`
	At    int64    `json:"at"`
	Until int64    `json:"until"`
	By    string   `json:"by"`   // who ended it before; "" when nobody did
	Held  []string `json:"held"` // alarms that it held back
}

func (m *Mute) covers(a *Alarm) bool {
	return m.What == "all" || m.What == a.Key || m.What == a.Rule || m.What == a.Of
}

// MutedUntil returns when the last of the mutes ends that hold an alarm back; ok is
// false where none does.
func (s *State) MutedUntil(a *Alarm) (ns int64, ok bool) {
	for _, m := range s.Mutes {
		if m.covers(a) && m.Until > s.Now && m.Until > ns {
			ns, ok = m.Until, true
		}
	}
	return ns, ok
}

// ReadState reads what MarshalState gave, to be looked at.
func ReadState(text []byte) (State, error) { return parseState(text) }

const stateVersion = 1

// Most alarms and mutes that are over are forgotten: the log of decisions has
// all.
const mostPast = 200

// ErrState occurs when a stored state is none.
var ErrState = errors.New("no state of alarms")

func newState() State {
	return State{Version: stateVersion, Newest: map[string]int64{}, Watches: map[string]*Watch{}, Open: map[string]*Alarm{}, Raised: map[string]uint64{}}
}

// parseState reads a state; what is wrong in it is an error, never a panic later.
func parseState(text []byte) (State, error) {
	s := newState()
	s.Version = 0 // what names none is no state
	if err := json.Unmarshal(text, &s); err != nil {
		return s, fmt.Errorf("%w: %w", ErrState, err)
	}
	if s.Version != stateVersion {
		return s, fmt.Errorf("%w: version %d, not %d", ErrState, s.Version, stateVersion)
	}
	if s.Newest == nil || s.Watches == nil || s.Open == nil || s.Raised == nil {
		return s, fmt.Errorf("%w: a part is null", ErrState)
	}
	wrong := func(l Level) bool { return l < None || l > Danger }
	for key, w := range s.Watches {
		if w == nil || wrong(w.Level) {
			return s, fmt.Errorf("%w: watch %q", ErrState, key)
		}
	}
	for key, a := range s.Open {
		if a == nil || a.Key != key || wrong(a.Level) || wrong(a.Highest) || a.Step < 0 || a.Ack != nil && wrong(a.Ack.Level) {
			return s, fmt.Errorf("%w: alarm %q", ErrState, key)
		}
	}
	for _, a := range s.Past {
		if a == nil {
			return s, fmt.Errorf("%w: a past alarm is null", ErrState)
		}
	}
	for _, m := range append(append([]*Mute{}, s.Mutes...), s.Unmuted...) {
		if m == nil {
			return s, fmt.Errorf("%w: a mute is null", ErrState)
		}
	}
	return s, nil
}
