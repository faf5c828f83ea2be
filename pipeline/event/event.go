// Package event reads the things that people do during a test and that change
// the meaning of later samples: zeros, shunts, steps, load states and the like.
// Offline they come as JSON lines, one object a line.
package event

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
)

// Event is one of them. Which fields count depends on the word Event; see Forms.
type Event struct {
	Event    string    `json:"event"`
	State    string    `json:"state,omitempty"`
	Kind     string    `json:"kind,omitempty"`    // of a zero: installation, test, tare
	Name     string    `json:"name,omitempty"`    // of a zero, step or phase
	Target   string    `json:"target,omitempty"`  // of a step
	Text     string    `json:"text,omitempty"`    // of a note
	Value    string    `json:"value,omitempty"`   // of an insulation reading
	Channel  string    `json:"channel,omitempty"` // one channel
	Channels []string  `json:"channels,omitempty"`
	Inputs   []string  `json:"inputs,omitempty"` // source/input that the channels were on when it was said
	Source   string    `json:"source,omitempty"`
	Digest   string    `json:"digest,omitempty"`   // of a calibration
	Revision string    `json:"revision,omitempty"` // of a calibration: the results that what follows goes into
	Time     time.Time `json:"time"`
	Who      string    `json:"who,omitempty"`
	Why      string    `json:"why,omitempty"`

	Line int `json:"-"` // in its file, from 1
}

// Form says which states and fields an event has.
type Form struct {
	States  []string // empty: none
	Needs   []string // fields that must be there
	Allows  []string // further fields
	Meaning string
}

// Cut is the word of an event that ends the files of a group: when it is idle,
// at a change of calibration, at the end of an input.
const Cut = "cut"

// Calibration is the word of an event that ends the files of a group too: what
// follows is reduced by the test file of its digest.
const Calibration = "calibration"

// RuledOut is the word of an event that says what a drift of a channel does not
// come from. Nothing is reduced otherwise for it.
const RuledOut = "ruled-out"

// pairStates are those of work that a reading may jump through. A reading is
// taken from "before" to "begin", and another from "after" to "end"; when both
// were taken and the article was idle, the zero is carried over, else the series
// restarts. Either reading may be left out, or dropped by "void" ahead of its end.
var pairStates = []string{"before", "begin", "after", "end", "void"}

// Paired reports whether an event is about work that a reading may jump through.
func (e *Event) Paired() bool { return slices.Equal(Forms[e.Event].States, pairStates) }

// Forms lists the events by their word. Every event may say who and why.
var Forms = map[string]Form{
	"zero":       {[]string{"begin", "end", "void"}, nil, []string{"kind", "name", "channel", "channels", "inputs"}, "readings between begin and end are averaged to a zero (kind installation, test or tare); void drops them"},
	"shunt":      {[]string{"on", "off"}, []string{"channel"}, []string{"inputs"}, "a shunt resistor is connected"},
	"step":       {[]string{"begin", "hold", "end"}, []string{"name"}, []string{"target"}, "a named load step"},
	"phase":      {nil, []string{"name"}, nil, "a named stretch of the test begins"},
	"load-state": {[]string{"idle", "loaded"}, nil, nil, "the article is idle or loaded"},
	"handling":   {[]string{"begin", "end"}, []string{"channel"}, []string{"inputs"}, "somebody works at the gauge"},
	"excitation": {[]string{"off", "on"}, []string{"source"}, nil, "excitation of a source is switched"},
	"check":      {nil, []string{"channel", "who"}, nil, "a signed check: the installation was looked at and may be believed again"},
	"insulation": {nil, []string{"channel", "value"}, nil, "an insulation reading, gauge to article"},
	"balance":    {pairStates, []string{"channel"}, []string{"inputs"}, "the bridge is balanced in the instrument: the reading jumps, and the zero follows"},
	"rewire":     {pairStates, []string{"channel"}, nil, "a cable is re-routed, lengthened or re-terminated"},
	"replace":    {pairStates, []string{"channel"}, nil, "the gauge is replaced by another"},
	Cut:          {nil, nil, nil, "the files of the group end here"},
	Calibration:  {nil, []string{"digest", "who"}, []string{"revision"}, "from here on the test file of that digest holds, and a revision where it names one"},
	"note":       {nil, []string{"text"}, []string{"channel", "channels"}, "a note"},
	Acknowledge:  {nil, []string{"name", "value", "who", "why"}, nil, "a person answers for an alarm, by name, at the level that was seen"},
	Mute:         {nil, []string{"name", "value", "who", "why"}, nil, "alarms are held back until the time of its value"},
	Unmute:       {nil, []string{"name", "who", "why"}, nil, "a mute ends before its time"},
	Silence:      {nil, []string{"source", "value", "who"}, nil, "no frame of a source came since the time of its value, by the clock of the service"},
	Clock:        {nil, []string{"who"}, nil, "the service's time, when an alarm waits for an answer and no data come"},
	RuledOut:     {nil, []string{"channel", "name", "who", "why"}, nil, "a person takes a cause of drift, by name, off the list of a channel"},
}

// IsRevision reports whether text can be the name of a revision: r and its number,
// counted from 1.
func IsRevision(text string) bool {
	n, err := strconv.ParseUint(strings.TrimPrefix(text, "r"), 10, 32)
	return err == nil && n > 0 && text == fmt.Sprintf("r%d", n)
}

// Names returns the channels that the event names; none means all.
func (e *Event) Names() []string {
	if e.Channel != "" {
		return append([]string{e.Channel}, e.Channels...)
	}
	return e.Channels
}

// Reaches reports whether the event is about a channel on an input, source/input.
// What was done at a wire stays with it, also where it is found later that the
// wire was another channel's.
func (e *Event) Reaches(channel, input string) bool {
	if len(e.Inputs) > 0 {
		return slices.Contains(e.Inputs, input)
	}
	return e.Touches(channel)
}

// AtWires reports whether what the event tells happens at the wires of its
// channels, at the instrument's end of them.
func (e *Event) AtWires() bool {
	return len(e.Names()) > 0 && slices.Contains([]string{"zero", "shunt", "handling", "balance"}, e.Event)
}

// Touches reports whether the event is about a channel.
func (e *Event) Touches(channel string) bool {
	names := e.Names()
	return len(names) == 0 || slices.Contains(names, channel)
}

// Problem is one thing wrong in a file of events.
type Problem struct {
	File  string
	Line  int
	Found string
	Want  string
}

func (p Problem) Error() string {
	return fmt.Sprintf("%s:%d: %s; %s", p.File, p.Line, p.Found, p.Want)
}

// maxLine is far above any event that a person writes.
const maxLine = 1 << 20

// Read reads events as JSON lines and returns them in order of time; events of
// one instant keep their order. The error joins every Problem, in the order of
// lines.
func Read(name string, r io.Reader) ([]Event, error) {
	return ReadChecked(name, r, func(*Event) error { return nil })
}

// ReadChecked is Read with a further check of each event that is sound in
// itself. What is wrong and what would be right are parted by "; " in its error.
func ReadChecked(name string, r io.Reader, check func(*Event) error) ([]Event, error) {
	var events []Event
	var problems []Problem
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, maxLine)
	line := 0
	for lines.Scan() {
		line++
		text := bytes.TrimSpace(lines.Bytes())
		if line == 1 {
			text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
		}
		if len(text) == 0 {
			continue
		}
		e, err := Parse(text)
		if err == nil {
			e.Line = line
			events = append(events, e)
			err = check(&e)
		}
		if err != nil {
			found, want, _ := strings.Cut(err.Error(), "; ")
			problems = append(problems, Problem{name, line, found, want})
		}
	}
	unreadable := lines.Err()
	switch {
	case errors.Is(unreadable, bufio.ErrTooLong):
		problems = append(problems, Problem{name, line + 1, fmt.Sprintf("a line of more than %d bytes", maxLine), "write one JSON object a line"})
		unreadable = nil
	case unreadable != nil:
		unreadable = fmt.Errorf("%s:%d: %w", name, line+1, unreadable)
	}
	sort.SliceStable(events, func(i, j int) bool { return events[i].Time.Before(events[j].Time) })
	problems = append(problems, pairs(name, events)...)
	if len(problems) == 0 && unreadable == nil {
		return events, nil
	}
	sort.SliceStable(problems, func(i, j int) bool { return problems[i].Line < problems[j].Line })
	all := make([]error, len(problems), len(problems)+1)
	for i, p := range problems {
		all[i] = p
	}
	return nil, errors.Join(append(all, unreadable)...)
}

// Parse reads one event from its JSON. What is wrong and what would be right are
// parted by "; " in the error.
func Parse(text []byte) (Event, error) {
	e, err := parse(text)
	if err == nil {
		err = e.check()
	}
	return e, err
}

func (e *Event) check() error {
	form, known := Forms[e.Event]
	if !known {
		return fmt.Errorf("event %q is not known; write one of %s", e.Event, strings.Join(words(), ", "))
	}
	if e.Time.IsZero() || e.Time.Year() < 1900 || e.Time.Year() > 2200 {
		return fmt.Errorf("%s has no time between the years 1900 and 2200; write \"time\" with its offset, for example 2026-05-04T06:00:00Z", e.Event)
	}
	if len(form.States) == 0 && e.State != "" || len(form.States) > 0 && !slices.Contains(form.States, e.State) {
		if len(form.States) == 0 {
			return fmt.Errorf("%s has no \"state\"; leave it out", e.Event)
		}
		return fmt.Errorf("%s has the state %q; write one of %s", e.Event, e.State, strings.Join(form.States, ", "))
	}
	fields := map[string]bool{
		"kind": e.Kind != "", "name": e.Name != "", "target": e.Target != "", "text": e.Text != "", "value": e.Value != "",
		"channel": e.Channel != "", "channels": len(e.Channels) > 0, "inputs": len(e.Inputs) > 0, "source": e.Source != "", "digest": e.Digest != "", "revision": e.Revision != "", "who": e.Who != "", "why": e.Why != "",
	}
	for _, need := range form.Needs {
		if !fields[need] {
			return fmt.Errorf("%s lacks %q; add it", e.Event, need)
		}
	}
	for _, field := range []string{"kind", "name", "target", "text", "value", "channel", "channels", "inputs", "source", "digest", "revision"} {
		if fields[field] && !slices.Contains(form.Needs, field) && !slices.Contains(form.Allows, field) {
			return fmt.Errorf("%s has no %q; leave it out", e.Event, field)
		}
	}
	if e.Revision != "" && !IsRevision(e.Revision) {
		return fmt.Errorf("calibration of the revision %q; write r and its number, for example r2", e.Revision)
	}
	if err := e.checkAlarm(); err != nil {
		return err
	}
	for _, field := range []struct{ name, text string }{{"who", e.Who}, {"why", e.Why}} {
		if field.text != "" && strings.TrimSpace(field.text) == "" {
			return fmt.Errorf("%s has a blank %q; write one, or leave it out where it may be", e.Event, field.name)
		}
	}
	if e.Event == "insulation" {
		if _, _, err := ParseInsulation(e.Value); err != nil {
			return err
		}
	}
	if e.Event == "zero" && !slices.Contains([]string{"installation", "test", "tare"}, e.Kind) {
		return fmt.Errorf("zero of the kind %q; write installation, test or tare", e.Kind)
	}
	return nil
}

// pairs finds ends without a beginning and beginnings of what is open already:
// what they meant is unknown.
func pairs(file string, events []Event) (problems []Problem) {
	open := map[string]*Event{}
	for i := range events {
		e := &events[i]
		begins := e.State == "begin" || e.State == "on"
		ends := e.State == "end" || e.State == "off" || e.State == "void"
		if e.Event == "excitation" || e.Event == "load-state" || e.Paired() && e.State == "void" || !begins && !ends {
			continue
		}
		names := slices.Sorted(slices.Values(e.Names()))
		key := e.Event + "|" + e.Kind + "|" + strings.Join(names, ",")
		if e.Event == "step" {
			key += "|" + e.Name
		}
		before := open[key]
		wrong := func(found, want string) {
			problems = append(problems, Problem{file, e.Line, found, want})
		}
		switch {
		case ends && before == nil:
			wrong(fmt.Sprintf("%s %s without its beginning", e.Event, e.State), "the pair needs the same kind, name and channels")
		case ends && e.Name != "" && e.Name != before.Name:
			wrong(fmt.Sprintf("%s %s of %q, but %s began in line %d", e.Event, e.State, e.Name, before.called(), before.Line), "both ends of a pair have one name")
		case begins && before != nil:
			wrong(fmt.Sprintf("%s begins while %s, of the same kind and channels, is open since line %d", e.called(), before.called(), before.Line),
				"end that one first")
		}
		open[key] = nil
		if begins {
			open[key] = e
		}
	}
	return problems
}

// called is the event by its word and name.
func (e *Event) called() string {
	if e.Name == "" {
		return e.Event
	}
	return fmt.Sprintf("%s %q", e.Event, e.Name)
}

func words() []string {
	var w []string
	for word := range Forms {
		w = append(w, word)
	}
	sort.Strings(w)
	return w
}
