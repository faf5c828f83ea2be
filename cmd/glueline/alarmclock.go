package main

import (
	"time"

	"glueline/pipeline/event"
	"glueline/sinks/alarms"
)

// alarmTick is how often the clock of alarms is looked at.
const alarmTick = 250 * time.Millisecond

// saidAgain is how long the journal has to meet what the clock said before it is
// said again.
const saidAgain = 5 * time.Second

// alarmClock finds out what only a clock can say about alarms: that a source is
// silent, and that the time has come to tell the next person although no data move
// it on. It goes by how long something has not moved, so that a wrong time of the
// machine, or data that are replayed, do no harm.
type alarmClock struct {
	begun   bool
	now     int64     // the time of the data, ns
	moved   time.Time // when it came to that
	said    time.Time // that the time has come
	sources map[string]*sourceClock
}

type sourceClock struct {
	frames uint64
	moved  time.Time
	said   time.Time // that it is silent
}

// look returns the events to publish at an instant.
func (c *alarmClock) look(now time.Time, w alarms.Watch) (events []event.Event) {
	if !c.begun || w.Now != c.now {
		c.begun, c.now, c.moved = true, w.Now, now
	}
	at := now
	if w.Now != 0 {
		at = time.Unix(0, w.Now).Add(now.Sub(c.moved))
	}
	at = at.UTC().Round(0)
	if c.sources == nil {
		c.sources = map[string]*sourceClock{}
	}
	for _, s := range w.Source {
		of := c.sources[s.Name]
		if of == nil || of.frames != s.Frames {
			of = &sourceClock{frames: s.Frames, moved: now}
			c.sources[s.Name] = of
		}
		still := now.Sub(of.moved)
		if s.Silent || still < time.Duration(s.After) || !isDue(now, of.said) {
			continue
		}
		of.said = now
		since := at.Add(-still) // nothing ever came
		if s.Newest != 0 {
			since = time.Unix(0, s.Newest).UTC()
		}
		events = append(events, event.Event{Event: event.Silence, Source: s.Name, Value: since.Format(time.RFC3339Nano), Time: at, Who: "glueline",
			Why: "no frame for " + still.Round(time.Second).String()})
	}
	if w.IsDue && at.UnixNano() >= w.Due && isDue(now, c.said) {
		c.said = now
		events = append(events, event.Event{Event: event.Clock, Time: at, Who: "glueline", Why: "an alarm waits, and no data come"})
	}
	return events
}

func isDue(now, said time.Time) bool { return said.IsZero() || now.Sub(said) >= saidAgain }
