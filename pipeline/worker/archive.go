package worker

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
)

// Archive keeps what came, as it came. It is used by one goroutine and keeps
// nothing of a frame after Append returns.
type Archive interface {
	Append(f *frame.Frame, place uint64) error
	Event(PlacedEvent)
	Cut(End) error // what came since the last cut becomes durable; the reduced files are by then
	Abort() error
}

// PlacedEvent is an event and its place in the group's order of frames and
// events, which counts from 1.
type PlacedEvent struct {
	Place uint64      `json:"place"`
	ID    string      `json:"id,omitempty"`
	Event event.Event `json:"event"`
}

// Item is a frame or an event with its place. A frame is good until the next is
// asked for.
type Item struct {
	Place uint64
	Frame *frame.Frame // nil for an event
	Event *PlacedEvent
}

// Range is the part of the journal that a cut covers, sequences included.
type Range struct {
	Identity string `json:"identity"`
	First    uint64 `json:"first"`
	Last     uint64 `json:"last"`
	LastHash string `json:"last_hash"` // of the message at Last
}

// Refused is a message that is no frame of the test; it is kept in quarantine.
type Refused struct {
	Sequence uint64 `json:"sequence"`
	Reason   string `json:"reason"`
}

// End is what a cut knows beside the frames and events.
type End struct {
	Journal     Range
	First, Last uint64 // places; First is Last+1 when there is none
	Refused     []Refused
	Repeated    uint64
	CutBytes    int64  // of raw readings, at which a cut is full
	Calibration string // digest of the one that the cut was reduced by; "" when the journal named none
	Revision    string // of the results that the cut went into; "" for the first
	State       json.RawMessage
}

// state is what a worker remembers behind a cut: that of the pure function, and
// of the order in which frames came.
type state struct {
	Group json.RawMessage         `json:"group"`
	Order map[string]*sourceOrder `json:"order"`
	Place uint64                  `json:"place"` // of the last frame or event

	Calibration string   `json:"calibration,omitempty"` // digest of the one in force behind the cut
	Revision    string   `json:"revision,omitempty"`    // of the results that what is behind the cut goes into
	IDs         []string `json:"ids"`                   // of the newest events, oldest first
}

// knownIDs is how many events are remembered by their ids: one that is
// published again, because its acknowledgement was lost, comes soon.
const knownIDs = 1024

// repeats reports whether an event of that id came before, and remembers it.
func (s *state) repeats(id string) bool {
	if id == "" {
		return false
	}
	if slices.Contains(s.IDs, id) {
		return true
	}
	s.IDs = append(s.IDs, id)
	s.IDs = s.IDs[max(0, len(s.IDs)-knownIDs):]
	return false
}

func (s *state) reducer(p *group.Plan, text json.RawMessage) (*group.Reducer, error) {
	s.Order = map[string]*sourceOrder{}
	if len(text) == 0 {
		return group.NewReducer(p), nil
	}
	if err := json.Unmarshal(text, s); err != nil {
		return nil, err
	}
	at, err := p.ReadState(s.Group)
	if err != nil {
		return nil, err
	}
	return group.NewReducerAt(p, at), nil
}

func (s *state) order(source string) *sourceOrder {
	o := s.Order[source]
	if o == nil {
		o = new(sourceOrder)
		s.Order[source] = o
	}
	return o
}

// RevisionOf returns the revision that what is behind a cut goes into, by the
// state in its record; "" for the first.
func RevisionOf(after json.RawMessage) (string, error) {
	var s struct {
		Revision string `json:"revision"`
	}
	if err := json.Unmarshal(after, &s); err != nil {
		return "", fmt.Errorf("state behind a cut: %w", err)
	}
	return s.Revision, nil
}

// CalibrationOf returns the digest of the calibration in force behind a cut, by
// the state in its record; "" when the journal had named none.
func CalibrationOf(after json.RawMessage) (string, error) {
	var s struct {
		Calibration string `json:"calibration"`
	}
	if err := json.Unmarshal(after, &s); err != nil {
		return "", fmt.Errorf("state behind a cut: %w", err)
	}
	return s.Calibration, nil
}

// Switch has another plan of the group hold from a place of its order on.
type Switch struct {
	From uint64
	Plan *group.Plan
}

// Recompute makes the reduced files of one cut again, from what the archive has
// of it and the state before it, by the plan of the cut's own calibration. next
// ends with io.EOF.
func Recompute(p *group.Plan, before json.RawMessage, next func() (Item, error), sinks []Sink) error {
	_, err := RecomputeBy([]Switch{{Plan: p}}, before, next, sinks)
	return err
}

// RecomputeBy is Recompute by several plans: the first holds from the beginning,
// each other one from its place on. It returns the state of the pure function
// behind the cut.
func RecomputeBy(plans []Switch, before json.RawMessage, next func() (Item, error), sinks []Sink) (after json.RawMessage, err error) {
	after, err = recompute(plans, before, next, sinks)
	if err != nil {
		for _, s := range sinks {
			err = errors.Join(err, s.Abort())
		}
	}
	return after, err
}

func recompute(plans []Switch, before json.RawMessage, next func() (Item, error), sinks []Sink) (json.RawMessage, error) {
	reducer, err := new(state).reducer(plans[0].Plan, before)
	if err != nil {
		return nil, err
	}
	batch := new(group.Batch)
	for {
		i, err := next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		for len(plans) > 1 && plans[1].From <= i.Place {
			plans = plans[1:]
			if reducer, err = HandOn(reducer, plans[0].Plan); err != nil {
				return nil, err
			}
			use(sinks, plans[0].Plan)
		}
		if i.Event != nil {
			takeEvent(reducer, i.Event.Event)
			tell(sinks, i.Event.Event)
			continue
		}
		if err := reducer.Reduce(i.Frame, batch); err != nil {
			return nil, err
		}
		for _, s := range sinks {
			if err := s.Append(batch); err != nil {
				return nil, err
			}
		}
	}
	for _, s := range sinks {
		if err := s.Cut(reducer.Zeros()); err != nil {
			return nil, err
		}
	}
	after, err := json.Marshal(reducer.State())
	if err != nil {
		return nil, fmt.Errorf("state behind a cut: %w", err)
	}
	return after, nil
}

// HandOn makes a reducer of another plan that goes on where one is. What the
// group remembers is read back as at a restart, so that a restart here changes
// nothing.
func HandOn(r *group.Reducer, to *group.Plan) (*group.Reducer, error) {
	text, err := json.Marshal(r.State())
	if err != nil {
		return nil, fmt.Errorf("state of group %s: %w", to.Name, err)
	}
	at, err := to.ReadState(text)
	if err != nil {
		return nil, err
	}
	return group.NewReducerAt(to, at), nil
}

// with is the state with that of the pure function, which is written in its
// place at once: a text that goes into another is read over for each.
func (s *state) with(g *group.State) (json.RawMessage, error) {
	return json.Marshal(struct {
		Group *group.State `json:"group"`
		*state
	}{g, s})
}

// GroupState is the part of a state behind a cut that is the pure function's;
// nil before the first cut.
func GroupState(behind json.RawMessage) (json.RawMessage, error) {
	if len(behind) == 0 {
		return nil, nil
	}
	var s state
	if err := json.Unmarshal(behind, &s); err != nil {
		return nil, fmt.Errorf("state behind a cut: %w", err)
	}
	return s.Group, nil
}

// WithGroupState is a state behind a cut in which the pure function's part is
// another.
func WithGroupState(behind, group json.RawMessage) (json.RawMessage, error) {
	var s state
	if err := json.Unmarshal(behind, &s); err != nil {
		return nil, fmt.Errorf("state behind a cut: %w", err)
	}
	s.Group = group
	return json.Marshal(&s)
}
