package main

import (
	"strings"
	"testing"
	"time"
)

// The rule of dataClock's comment, case by case.
func TestEventsGoByTheClockOfTheData(t *testing.T) {
	now := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	ago := func(d time.Duration) time.Time { return now.Add(-d) }
	const s, min, h = time.Second, time.Minute, time.Hour
	// of is a source by how old its newest reading is, and how long ago it came.
	of := func(name string, old, came time.Duration) heard {
		return heard{name, ago(old), ago(came), 10 * s}
	}
	for name, c := range map[string]struct {
		sources []heard
		at      time.Time
		silent  time.Duration
		says    string // "" is nothing
	}{
		"nothing has come":               {nil, now, 0, "No readings have come since the service began"},
		"a second behind":                {[]heard{of("node", s, 0)}, ago(s).Add(1), 0, ""},
		"the newest of two counts":       {[]heard{of("node", 2*s, 0), of("mast", s, s/2)}, ago(s).Add(1), 0, ""},
		"one has been silent for hours":  {[]heard{of("node", s, 0), of("mast", 3*h, 3*h)}, ago(s).Add(1), 0, ""},
		"a source comes late throughout": {[]heard{of("node", 40*s, 0)}, ago(40 * s).Add(1), 0, "of source node, is 40 s behind this machine's clock"},
		"replayed":                       {[]heard{of("node", 1000*h, 0)}, ago(1000 * h).Add(1), 0, "is 42 days behind"},
		"one is an hour ahead":           {[]heard{of("node", s, 0), of("mast", -h, 0)}, ago(s).Add(1), 0, ""},
		"all are an hour ahead":          {[]heard{of("node", -h, 0)}, now.Add(h + 1), 0, "1 h ahead of this machine's clock"},
		"silent, with this clock":        {[]heard{of("node", h+s, h), of("mast", 2*h, 2*h)}, ago(s), h, "No readings have come for 1 h: the newest, of source node, is of 2026-05-04 10:59:59Z, 1 h behind this machine's clock. The time is what the data's clock would show now"},
		"silent, replayed":               {[]heard{of("node", 1000*h, h)}, ago(1000 * h).Add(1), h, "it holds from the next reading on"},
		"a slow source is not silent yet": {[]heard{{"mast", ago(2 * min), ago(2 * min), 5 * min}, of("node", 3*min, 3*min)},
			ago(2 * min).Add(1), 0, "2 min behind"},
	} {
		got := clockOf(c.sources, now)
		if !got.At.Equal(c.at) || got.Silent != c.silent || !got.Machine.Equal(now) {
			t.Errorf("%s: %v, silent for %v; want %v and %v", name, got.At, got.Silent, c.at, c.silent)
		}
		if says := got.says(); !strings.Contains(says, c.says) || c.says == "" && says != "" {
			t.Errorf("%s: %q, want %q", name, says, c.says)
		}
	}
}

// What is said one after the other stands so in the journal, also when the data
// come behind the clock of the machine by a moment only.
func TestIdleHoldsForTheZeroThatFollowsAtOnce(t *testing.T) {
	b := newLiveBench(t)
	b.second = int(time.Since(liveStart)/time.Second) - 5 // what is fed is 2 to 3 s behind
	b.feed(3)
	b.command(0, nil, "load-state", "idle")
	wants(t, b.command(0, b.fed("zero test begin", 12), "zero", "--kind", "test", "--for", "10s"), "good", "zero test end")
}

func TestCommandsTellWhoseTimeItIs(t *testing.T) {
	b := newLiveBench(t)
	wants(t, b.command(0, nil, "note", "first"), "No readings have come since the service began")
	b.feed(3)
	// The bench's time is another than this machine's.
	wants(t, b.command(0, nil, "load-state", "idle"), "2026-03-02T08:00:02.9", "The time is that of the data", "behind this machine's clock")
}

func TestHelpTellsWhoseTimeItIs(t *testing.T) {
	for _, command := range []string{"note", "zero", "rewire"} {
		if _, out, _ := glueline(t.Context(), command, "--help"); !strings.Contains(strings.Join(strings.Fields(out), " "), "just behind the newest reading of any source") {
			t.Errorf("%s:\n%s", command, out)
		}
	}
}
