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
		{`{"event":"zero","state":"start","kind":"test",` + at + `}`, `state "start"; write one of begin, end, void`},
		{`{"event":"zero","state":"begin",` + at + `}`, `kind ""`},
		{`{"event":"zero","state":"end","kind":"test",` + at + `}`, "without its beginning"},
		{`{"event":"shunt","state":"on",` + at + `}`, `lacks "channel"`},
		{`{"event":"phase","name":"a","target":"b",` + at + `}`, `has no "target"`},
		{`{"event":"calibration","digest":"0f",` + at + `}`, `lacks "who"`},
		{`{"event":"calibration","who":"test",` + at + `}`, `lacks "digest"`},
		{`{"event":"calibration","digest":"0f","who":"test","revision":"../r2",` + at + `}`, `write r and its number`},
		{`{"event":"note","text":"x","revision":"r2",` + at + `}`, `no "revision"`},
		{`{"event":"ruled-out","channel":"a","name":"structure","who":"test",` + at + `}`, `lacks "why"`},
		{`{"event":"ruled-out","channel":"a","who":"test","why":"looked",` + at + `}`, `lacks "name"`},
		{`{"event":"insulation","channel":"a","value":"good",` + at + `}`, `insulation of "good"`},
		{`{"event":"phase","nme":"a",` + at + `}`, `unknown field "nme"`},
		{`{"event":"phase","name":"a",` + at + `} {}`, "something follows"},
		{`{"event":`, "does not end; write one JSON object a line"},
		{`{"event":"phase","name":"a",` + at, "an object that does not end"},
		{`{"event":"phase" "name":"a",` + at + `}`, "no JSON from character 1"},
		{`{"event":"phase","name":"a","name":"b",` + at + `}`, `the key "name" twice; write each key once`},
		{`{"event":"phase","Name":"a",` + at + `}`, `unknown field "Name"; the fields are event, state`},
		{`{"event":"phase","name":7,` + at + `}`, `"name" is 7; write a text in quotes`},
		{`{"event":"note","text":"x","channels":"a",` + at + `}`, `"channels" is "a"; write a list of names`},
		{`{"event":"note","text":"x","time":"04.05.2026"}`, `the time "04.05.2026" is no date and time with an offset; write "time" with its offset`},
		{`{"event":"note","text":"x","time":"2026-05-04T06:00:00"}`, `no date and time with an offset`},
		{`{"event":"note","text":"x","time":1777874400}`, `the time 1777874400 is no text`},
		{`{"event":"phase","state":"on","name":"a",` + at + `}`, `phase has no "state"; leave it out`},
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
	if !strings.Contains(err.Error(), "a line of more than 1048576 bytes; write one JSON object a line") {
		t.Errorf("got %v", err)
	}
}

// Pairs that overlap or bear two names are refused with both lines: which of two
// zeros was meant would be a guess.
func TestPairsAreOneInTheOther(t *testing.T) {
	line := func(state, more string, second int) string {
		return fmt.Sprintf(`{"event":%s,"state":%q,"time":"2026-05-04T06:00:%02dZ"}`, more, state, second)
	}
	const zero = `"zero","kind":"test"`
	for _, c := range []struct {
		name  string
		lines []string
		want  string // "" for none
	}{
		{"one after the other", []string{line("begin", zero+`,"name":"A"`, 1), line("end", zero+`,"name":"A"`, 2), line("begin", zero+`,"name":"B"`, 3), line("void", zero, 4)}, ""},
		{"of other channels", []string{line("begin", zero+`,"channels":["a"]`, 1), line("begin", zero+`,"channels":["b"]`, 2), line("end", zero+`,"channels":["b"]`, 3), line("end", zero+`,"channel":"a"`, 4)}, ""},
		{"of another kind", []string{line("begin", zero, 1), line("begin", `"zero","kind":"tare"`, 2), line("end", zero, 3), line("end", `"zero","kind":"tare"`, 4)}, ""},
		{"zero in a zero", []string{line("begin", zero+`,"name":"A"`, 1), line("begin", zero+`,"name":"B"`, 2)},
			`e.jsonl:2: zero "B" begins while zero "A", of the same kind and channels, is open since line 1; end that one first`},
		{"channels in another order", []string{line("begin", zero+`,"channels":["a","b"]`, 1), line("begin", zero+`,"channels":["b","a"]`, 2)}, "e.jsonl:2: zero begins while zero,"},
		{"shunt twice", []string{line("on", `"shunt","channel":"a"`, 1), line("on", `"shunt","channel":"a"`, 2)}, "e.jsonl:2: shunt begins while shunt,"},
		{"two names", []string{line("begin", zero+`,"name":"A"`, 1), line("end", zero+`,"name":"B"`, 2)},
			`e.jsonl:2: zero end of "B", but zero "A" began in line 1; both ends of a pair have one name`},
		{"steps in each other", []string{line("begin", `"step","name":"A"`, 1), line("begin", `"step","name":"B"`, 2), line("end", `"step","name":"A"`, 3), line("end", `"step","name":"B"`, 4)}, ""},
	} {
		_, err := Read("e.jsonl", strings.NewReader(strings.Join(c.lines, "\n")))
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
}

// Checks from outside are told with the others, in the order of lines.
func TestReadCheckedTellsAllTogether(t *testing.T) {
	const text = `{"event":"note","text":"x","channel":"mast","time":"2026-05-04T06:00:00Z"}
{"event":
{"event":"note","text":"x","channel":"a","time":"2026-05-04T06:00:00Z"}
{"event":"zero","state":"end","kind":"test","time":"2026-05-04T06:00:00Z"}`
	events, err := ReadChecked("e.jsonl", strings.NewReader(text), func(e *Event) error {
		if e.Channel == "mast" {
			return errors.New("no mast; write another")
		}
		return nil
	})
	if err == nil || events != nil {
		t.Fatalf("%v, %v", events, err)
	}
	lines := strings.Split(err.Error(), "\n")
	if len(lines) != 3 || lines[0] != "e.jsonl:1: no mast; write another" || !strings.HasPrefix(lines[1], "e.jsonl:2: ") || !strings.HasPrefix(lines[2], "e.jsonl:4: ") {
		t.Errorf("got %v", err)
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
