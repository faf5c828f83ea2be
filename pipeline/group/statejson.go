package group

import (
	"encoding/json"
	"fmt"
)

// A state goes to a commit record and comes back as JSON, bit for bit, so that
// a restart goes on exactly where the files end.

// inputJSON shadows the fields that may be infinite or not a number.
type inputJSON struct {
	*plainInput
	LastRaw, Coldest, Hottest Real
}

type plainInput InputState

// MarshalJSON writes all of the state.
func (s *InputState) MarshalJSON() ([]byte, error) {
	return json.Marshal(inputJSON{(*plainInput)(s), Real(s.LastRaw), Real(s.Coldest), Real(s.Hottest)})
}

// UnmarshalJSON reads what MarshalJSON writes.
func (s *InputState) UnmarshalJSON(text []byte) error {
	j := inputJSON{plainInput: (*plainInput)(s)}
	if err := json.Unmarshal(text, &j); err != nil {
		return err
	}
	s.LastRaw, s.Coldest, s.Hottest = float64(j.LastRaw), float64(j.Coldest), float64(j.Hottest)
	return nil
}

// ReadState reads a state of this plan's group from JSON. What the plan has and
// the state does not know yet begins with nothing known.
func (p *Plan) ReadState(text []byte) (*State, error) {
	s := newState(p)
	var read State
	if err := json.Unmarshal(text, &read); err != nil {
		return nil, fmt.Errorf("state of group %s: %w", p.Name, err)
	}
	for name, source := range read.Sources {
		if source != nil {
			s.Sources[name] = source
		}
	}
	s.Load = read.Load
	s.Begun = read.Begun
	for name, temperature := range read.Temperatures {
		if temperature != nil {
			s.Temperatures[name] = temperature
		}
	}
	for key, input := range read.Inputs {
		if input == nil {
			continue
		}
		if input.Taken == nil {
			input.Taken = map[string]*ZeroRecord{}
		}
		if input.InProgress == nil {
			input.InProgress = map[string]*ZeroRecord{}
		}
		s.Inputs[key] = input
	}
	return s, nil
}
