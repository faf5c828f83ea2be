package group

import (
	"encoding/json"
	"reflect"
	"testing"
	"time"

	"glueline/pipeline/event"
)

// What was begun and not ended is known, over a restart too.
func TestWhatIsBegun(t *testing.T) {
	plan := new(Plan)
	at := time.Unix(0, 5)
	say := func(s *State, word, state, name, channel string) *State {
		s.begun(&event.Event{Event: word, State: state, Name: name, Channel: channel, Time: at, Who: "M. Arkle"})
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		again, err := plan.ReadState(text)
		if err != nil {
			t.Fatal(err)
		}
		return again
	}
	one := func(word, name, channel string) Begun {
		return Begun{Event: word, Name: name, Channel: channel, At: 5, Who: "M. Arkle"}
	}
	s := newState(plan)
	for _, c := range []struct {
		word, state, name, channel string
		want                       []Begun
	}{
		{"step", "end", "first", "", nil},
		{"step", "begin", "first", "", []Begun{one("step", "first", "")}},
		{"step", "hold", "first", "", []Begun{one("step", "first", "")}},
		{"step", "hold", "second", "", []Begun{one("step", "first", ""), one("step", "second", "")}},
		{"step", "end", "first", "", []Begun{one("step", "second", "")}},
		{"balance", "before", "", "web", []Begun{one("step", "second", "")}},
		{"balance", "begin", "", "web", []Begun{one("step", "second", ""), one("balance", "", "web")}},
		{"balance", "end", "", "beam", []Begun{one("step", "second", ""), one("balance", "", "web")}},
		{"balance", "after", "", "web", []Begun{one("step", "second", ""), one("balance", "", "web")}},
		{"rewire", "end", "", "web", []Begun{one("step", "second", ""), one("balance", "", "web")}},
		{"balance", "end", "", "web", []Begun{one("step", "second", "")}},
		{"shunt", "on", "", "web", []Begun{one("step", "second", ""), one("shunt", "", "web")}},
		{"shunt", "off", "", "web", []Begun{one("step", "second", "")}},
		{"step", "end", "second", "", nil},
		{"zero", "begin", "", "", nil},
		{"excitation", "on", "", "", nil},
		{"load-state", "idle", "", "", nil},
	} {
		s = say(s, c.word, c.state, c.name, c.channel)
		if len(s.Begun)+len(c.want) > 0 && !reflect.DeepEqual(s.Begun, c.want) {
			t.Errorf("after %s %s: %+v, want %+v", c.word, c.state, s.Begun, c.want)
		}
	}
}
