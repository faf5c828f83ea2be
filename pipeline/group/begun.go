package group

import (
	"slices"

	"glueline/pipeline/event"
)

// Begun is something that people began by an event and have not ended: a step,
// work at a gauge, a shunt, excitation that is off. What it does to samples depends on their times;
// this is what was said, in the order in which it was said.
type Begun struct {
	Event   string
	Name    string `json:",omitempty"` // of a step
	Channel string `json:",omitempty"`
	Source  string `json:",omitempty"` // whose excitation is off
	At      int64  // ns, the event's time
	Who     string `json:",omitempty"`
	Wire    string `json:",omitempty"` // "source/input|gauge" of the channel, of work that a reading may jump through
}

func (k *Begun) is(e *event.Event) bool {
	return k.Event == e.Event && k.Name == e.Name && k.Channel == e.Channel && k.Source == e.Source
}

// begun keeps the list of what is begun. A hold begins a step that nobody began.
func (s *State) begun(e *event.Event) {
	if e.Event == "excitation" {
		s.Begun = slices.DeleteFunc(s.Begun, func(k Begun) bool { return k.is(e) })
		if e.State == "off" {
			s.Begun = append(s.Begun, Begun{Event: e.Event, Source: e.Source, At: e.Time.UnixNano(), Who: e.Who})
		}
		return
	}
	if e.Event != "step" && e.Event != "shunt" && e.Event != "handling" && !e.Paired() {
		return
	}
	same := func(k Begun) bool { return k.is(e) }
	switch e.State {
	case "end", "off":
		s.Begun = slices.DeleteFunc(s.Begun, same)
	case "begin", "hold", "on":
		if !slices.ContainsFunc(s.Begun, same) {
			s.Begun = append(s.Begun, Begun{Event: e.Event, Name: e.Name, Channel: e.Channel, At: e.Time.UnixNano(), Who: e.Who})
		}
	}
}
