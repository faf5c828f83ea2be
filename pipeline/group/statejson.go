package group

import (
	"encoding/json"
	"fmt"
)

// A state goes to a commit record and comes back as JSON, bit for bit, so that
// a restart goes on exactly where the files end.

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
