package testfile

import (
	"fmt"
	"regexp"
	"strconv"
	"time"
	_ "time/tzdata" // zones must not depend on the machine
)

// A date and a time of ISO 8601, with an offset, a Z, or local to a zone.
var isoTime = regexp.MustCompile(`^(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2})(:\d{2}(?:\.\d{1,9})?)?\s?(Z|[+-]\d{2}:?\d{2})?$`)

var dateAlone = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}$`)

const timeExample = `for example "2026-05-04T06:00:00Z"`

// parseTime reads an instant; zone is that of times that carry none. A local
// time that the zone skips or has twice is refused.
func parseTime(text string, zone *time.Location) (time.Time, *refusal) {
	m := isoTime.FindStringSubmatch(text)
	if m == nil {
		if dateAlone.MatchString(text) {
			return time.Time{}, &refusal{quote(text) + ", a date alone", "the time of day too, " + timeExample}
		}
		return time.Time{}, &refusal{quote(text), "a date and time of ISO 8601, " + timeExample}
	}
	seconds := m[3]
	if seconds == "" {
		seconds = ":00"
	}
	wall, err := time.Parse("2006-01-02T15:04:05", m[1]+"T"+m[2]+seconds)
	if err != nil {
		return time.Time{}, &refusal{quote(text) + ", which the calendar does not have", "a date and time of ISO 8601, " + timeExample}
	}
	switch offset := m[4]; offset {
	case "Z":
		return wall, nil
	case "":
		return local(wall, zone, text)
	default:
		hours, _ := strconv.Atoi(offset[1:3]) // digits by the pattern
		minutes, _ := strconv.Atoi(offset[len(offset)-2:])
		if hours > 14 || minutes > 59 {
			return time.Time{}, &refusal{quote(text), "an offset between -14:00 and +14:00, " + timeExample}
		}
		east := time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute
		if offset[0] == '-' {
			east = -east
		}
		return wall.Add(-east), nil
	}
}

// local finds the instants at which clocks of the zone show wall.
func local(wall time.Time, zone *time.Location, text string) (time.Time, *refusal) {
	var found []time.Time
	for _, near := range []time.Duration{-26 * time.Hour, 26 * time.Hour} {
		_, east := wall.Add(near).In(zone).Zone()
		at := wall.Add(-time.Duration(east) * time.Second)
		if _, here := at.In(zone).Zone(); here == east && (len(found) == 0 || !found[0].Equal(at)) {
			found = append(found, at)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return time.Time{}, &refusal{fmt.Sprintf("%s, which clocks of %s skip", quote(text), zone), "it with its offset, " + timeExample}
	default:
		return time.Time{}, &refusal{fmt.Sprintf("%s, which clocks of %s show twice", quote(text), zone), "it with its offset, " + timeExample}
	}
}

// loadZone returns an IANA zone. "Local" is refused: it is another one on
// another machine.
func loadZone(name string) (*time.Location, error) {
	if name == "Local" {
		return nil, fmt.Errorf("the zone of the machine is not the zone of the file")
	}
	return time.LoadLocation(name)
}
