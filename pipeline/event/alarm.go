package event

import (
	"fmt"
	"time"
)

// Words of events about alarms. Nothing is reduced otherwise for them.
const (
	Acknowledge = "acknowledge" // name: the alarm; value: the level that was seen
	Mute        = "mute"        // name: an alarm, a rule, a channel or source, or all; value: its end
	Unmute      = "unmute"
	Silence     = "silence" // value: time of the source's newest row
	Clock       = "clock"   // the service's time, when an alarm waits and no data come
)

// longestMute keeps a mute from being one without an end (our choice).
const longestMute = 31 * 24 * time.Hour

// checkAlarm checks the value of an event about alarms.
func (e *Event) checkAlarm() error {
	switch e.Event {
	case Acknowledge:
		if e.Value != "notice" && e.Value != "warning" && e.Value != "danger" {
			return fmt.Errorf("acknowledge of the level %q; write the level that was seen: notice, warning or danger", e.Value)
		}
	case Mute, Silence:
		at, err := time.Parse(time.RFC3339, e.Value)
		if err != nil {
			return fmt.Errorf("%s with the value %q; write a time with its offset, for example 2026-05-04T06:00:00Z", e.Event, e.Value)
		}
		if length := at.Sub(e.Time); e.Event == Mute && (length <= 0 || length > longestMute) {
			return fmt.Errorf("mute until %s, from %s; write an end that is later, by 31 days at most", e.Value, e.Time.Format(time.RFC3339))
		}
	}
	return nil
}
