package main

import (
	"errors"
	"strings"
	"testing"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
)

// What stands in the journal for ever says who, and fits what is begun.
func TestWhatIsSaidFits(t *testing.T) {
	for _, who := range []string{"", "  ", "\t"} {
		if (explained{Who: who, Why: "x"}).Validate() == nil || (explained{Who: "A. Fitter", Why: who}).Validate() == nil || (signed{Who: who}).Validate() == nil {
			t.Errorf("%q is taken", who)
		}
	}
	if err := (signed{Who: "A. Fitter"}).Validate(); err != nil {
		t.Error(err)
	}
	if _, err := event.Parse([]byte(`{"event":"phase","name":"x","time":"2026-05-04T06:00:00Z","who":" "}`)); err == nil || !strings.Contains(err.Error(), "blank") {
		t.Errorf("a blank name in an event: %v", err)
	}
	begun := []group.Begun{{Event: "excitation", Source: "node"}, {Event: "rewire", Channel: "web"}}
	for _, c := range []struct {
		e    event.Event
		fits bool
	}{
		{event.Event{Event: "excitation", State: "off", Source: "node"}, false},
		{event.Event{Event: "excitation", State: "on", Source: "node"}, true},
		{event.Event{Event: "excitation", State: "off", Source: "mast"}, true},
		{event.Event{Event: "replace", State: "begin", Channel: "web"}, false},
		{event.Event{Event: "replace", State: "begin", Channel: "flange"}, true},
		{event.Event{Event: "handling", State: "begin", Channel: "web"}, true},
	} {
		if err := speaksAgainst(begun, &c.e); (err == nil) != c.fits || err != nil && !errors.Is(err, errNotBegun) {
			t.Errorf("%+v: %v", c.e, err)
		}
	}
	for text, e := range map[string]event.Event{
		"signed: the installation of web was looked at and found sound": {Event: "check", Channel: "web"},
		"ruled out as a cause for web: moisture":                        {Event: event.RuledOut, Channel: "web", Name: "moisture"},
	} {
		if got := words(e); got != text {
			t.Errorf("%q, want %q", got, text)
		}
	}
}

// A zero is not carried to another source, nor from a wire that the test file has
// forgotten: whoever ends the work is told.
func TestWorkThatEndsElsewhere(t *testing.T) {
	begun := []group.Begun{{Event: "replace", Channel: "beam", Wire: "node/A1|g1"}, {Event: "rewire", Channel: "web"}}
	for _, c := range []struct {
		word, channel string
		wires         []string
		says          string
	}{
		{"replace", "beam", []string{"node/A1|g1", "node/A1|g1"}, ""},
		{"replace", "beam", []string{"node/A2|g2", "node/A1|g1", "node/A2|g2"}, ""},
		{"replace", "beam", []string{"node/A2|g2", "node/A2|g2"}, "the test file does not say that beam was on node/A1 before, with from and to"},
		{"replace", "beam", []string{"far/A1|g2", "node/A1|g1", "far/A1|g2"}, "the reading before it was of source node, and beam is on source far now"},
		{"replace", "beam", []string{""}, ""},
		{"rewire", "web", []string{"far/A1|g2", "far/A1|g2"}, ""}, // of a state from before that was noted
		{"rewire", "beam", []string{"far/A1|g2", "far/A1|g2"}, ""},
	} {
		if got := unpaired(begun, c.word, c.channel, c.wires); got != c.says {
			t.Errorf("%s of %s on %v: %q", c.word, c.channel, c.wires, got)
		}
	}
}
