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
	State       json.RawMessage
}

// state is what a worker remembers behind a cut: that of the pure function, and
// of the order in which frames came.
type state struct {
	Group json.RawMessage         `json:"group"`
	Order map[string]*sourceOrder `json:"order"`
	Place uint64                  `json:"place"` // of the last frame or event

	Calibration string   `json:"calibration,omitempty"` // digest of the one in force behind the cut
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

// Recompute makes the reduced files of one cut again, from what the archive has
// of it and the state before it, by the plan of the cut's own calibration. next
// ends with io.EOF.
func Recompute(p *group.Plan, before json.RawMessage, next func() (Item, error), sinks []Sink) error {
	err := recompute(p, before, next, sinks)
	if err != nil {
		for _, s := range sinks {
			err = errors.Join(err, s.Abort())
		}
	}
	return err
}

func recompute(p *group.Plan, before json.RawMessage, next func() (Item, error), sinks []Sink) error {
	reducer, err := new(state).reducer(p, before)
	if err != nil {
		return err
	}
	batch := new(group.Batch)
	for {
		i, err := next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if i.Event != nil {
			takeEvent(reducer, i.Event.Event)
			tell(sinks, i.Event.Event)
			continue
		}
		if err := reducer.Reduce(i.Frame, batch); err != nil {
			return err
		}
		for _, s := range sinks {
			if err := s.Append(batch); err != nil {
				return err
			}
		}
	}
	for _, s := range sinks {
		if err := s.Cut(reducer.Zeros()); err != nil {
			return err
		}
	}
	return nil
}
