package event

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

func TestReadSortsByTime(t *testing.T) {
	events, err := Read("e.jsonl", strings.NewReader(`{"event":"step","state":"end","name":"fill","time":"2026-05-04T07:00:00Z"}

{"event":"step","state":"begin","name":"fill","target":"3 m","time":"2026-05-04T08:30:00+02:00"}`))
	if err != nil {
		t.Fatal(err)
	}
	if len(events) != 2 || events[0].State != "begin" || events[0].Line != 3 || events[1].Line != 1 {
		t.Fatalf("order: %+v", events)
	}
}

func TestReadNamesEveryProblem(t *testing.T) {
	const at = `"time":"2026-05-04T06:00:00Z"`
	cases := []struct{ line, want string }{
		{`{"event":"tare",` + at + `}`, `event "tare" is not known`},
		{`{"event":"note","text":"x"}`, "has no time"},
		{`{"event":"note","text":"x","time":"0001-01-02T00:00:00Z"}`, "has no time"},
		{`{"event":"zero","state":"start","kind":"test",` + at + `}`, `state "start"`},
		{`{"event":"zero","state":"begin",` + at + `}`, `kind ""`},
		{`{"event":"zero","state":"end","kind":"test",` + at + `}`, "without its beginning"},
		{`{"event":"shunt","state":"on",` + at + `}`, `lacks "channel"`},
		{`{"event":"phase","name":"a","target":"b",` + at + `}`, `has no "target"`},
		{`{"event":"calibration","digest":"0f",` + at + `}`, `lacks "who"`},
		{`{"event":"calibration","who":"test",` + at + `}`, `lacks "digest"`},
		{`{"event":"insulation","channel":"a","value":"good",` + at + `}`, `insulation of "good"`},
		{`{"event":"phase","nme":"a",` + at + `}`, `unknown field "nme"`},
		{`{"event":"phase","name":"a",` + at + `} {}`, "something follows"},
		{`{"event":`, "one JSON object a line"},
		{`[]`, "one JSON object a line"},
	}
	for _, c := range cases {
		_, err := Read("e.jsonl", strings.NewReader("\n"+c.line+"\n"))
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "e.jsonl:2: ") {
			t.Errorf("%s\n got %v\nwant e.jsonl:2: … %s", c.line, err, c.want)
		}
	}
	var all []string
	for _, c := range cases {
		all = append(all, c.line)
	}
	_, err := Read("e.jsonl", strings.NewReader(strings.Join(all, "\n")))
	if joined, ok := err.(interface{ Unwrap() []error }); !ok || len(joined.Unwrap()) != len(cases) {
		t.Errorf("want %d problems at once, got %v", len(cases), err)
	}
}

func TestReadTakesWorkWithItsReadings(t *testing.T) {
	for _, states := range []string{"before begin after end", "begin end", "before void begin after void end"} {
		var lines strings.Builder
		for i, state := range strings.Fields(states) {
			fmt.Fprintf(&lines, `{"event":"rewire","state":%q,"channel":"a","time":"2026-05-04T06:00:%02dZ"}`+"\n", state, i)
		}
		if events, err := Read("e.jsonl", strings.NewReader(lines.String())); err != nil || !events[0].Paired() {
			t.Errorf("%s: %v", states, err)
		}
	}
	const lone = `{"event":"balance","state":"end","channel":"a","time":"2026-05-04T06:00:00Z"}`
	if _, err := Read("e.jsonl", strings.NewReader(lone)); err == nil || !strings.Contains(err.Error(), "without its beginning") {
		t.Errorf("an end alone: %v", err)
	}
}

func TestReadRefusesALineWithoutEnd(t *testing.T) {
	_, err := Read("e.jsonl", strings.NewReader(strings.Repeat("x", maxLine+1)))
	if err == nil || !strings.Contains(err.Error(), "e.jsonl:1") {
		t.Fatalf("got %v", err)
	}
	if errors.As(err, new(Problem)) {
		t.Fatal("a line too long is not a problem of its content")
	}
}

func FuzzRead(f *testing.F) {
	f.Add(`{"event":"zero","state":"begin","kind":"test","time":"2026-05-04T06:00:00Z","channels":["a"]}`)
	f.Add(`{"event":"note","text":"x","time":"2026-05-04T06:00:00Z"}` + "\n" + `{"event":"step"}`)
	f.Fuzz(func(t *testing.T, text string) {
		events, err := Read("e.jsonl", strings.NewReader(text))
		if err != nil && events != nil {
			t.Fatal("events beside an error")
		}
		for _, e := range events {
			if _, known := Forms[e.Event]; !known || e.Time.IsZero() {
				t.Fatalf("passed: %+v", e)
			}
		}
	})
}
