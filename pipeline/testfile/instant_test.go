package testfile

import (
	"strings"
	"testing"
	"time"
)

func TestTimes(t *testing.T) {
	london, err := loadZone("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ text, want string }{
		{"2026-05-04T06:00:00Z", "2026-05-04T06:00:00Z"},
		{"2026-05-04 06:00:00.25Z", "2026-05-04T06:00:00.25Z"},
		{"2026-05-04T06:00:00.123456789Z", "2026-05-04T06:00:00.123456789Z"},
		{"2026-05-04T06:00:00+02:00", "2026-05-04T04:00:00Z"},
		{"2026-05-04T06:00-0330", "2026-05-04T09:30:00Z"},
		{"2026-05-04T06:00", "2026-05-04T05:00:00Z"}, // summer time
		{"2026-01-04T06:00", "2026-01-04T06:00:00Z"},
		{"2026-03-29T00:59:59", "2026-03-29T00:59:59Z"}, // the last before the clocks go forward
		{"2026-03-29T02:00", "2026-03-29T01:00:00Z"},
		{"2026-10-25T00:59", "2026-10-24T23:59:00Z"},
		{"2026-10-25T02:00", "2026-10-25T02:00:00Z"},
		{"2026-10-25T01:30+01:00", "2026-10-25T00:30:00Z"}, // shown twice, but told apart
		{"2024-02-29T12:00Z", "2024-02-29T12:00:00Z"},
	} {
		got, ref := parseTime(c.text, london)
		if ref != nil || got.UTC().Format(time.RFC3339Nano) != c.want {
			t.Errorf("%s = %v (%v), want %s", c.text, got, ref, c.want)
		}
	}
	for _, c := range []struct{ text, found string }{
		{"2026-05-04", `"2026-05-04", a date alone`},
		{"04.05.2026 06:00", `"04.05.2026 06:00"`},
		{"2026-02-29T12:00Z", `"2026-02-29T12:00Z", which the calendar does not have`},
		{"2026-05-04T24:00Z", `"2026-05-04T24:00Z", which the calendar does not have`},
		{"2026-05-04T06:00+25:00", `"2026-05-04T06:00+25:00"`},
		{"2026-03-29T01:00", `"2026-03-29T01:00", which clocks of Europe/London skip`},
		{"2026-10-25T01:59", `"2026-10-25T01:59", which clocks of Europe/London show twice`},
		{"06:00", `"06:00"`},
		{"1777874400", `"1777874400"`},
	} {
		if got, ref := parseTime(c.text, london); ref == nil || ref.found != c.found || !strings.Contains(ref.want, "for example") {
			t.Errorf("%s = %v (%+v), want found %s", c.text, got, ref, c.found)
		}
	}
	if _, err := loadZone("Local"); err == nil {
		t.Error("the zone of the machine was taken")
	}
}

// Every instant, written as the clocks of its zone show it, is either read back
// or refused as ambiguous: never read as another.
func TestLocalTimesComeBack(t *testing.T) {
	for _, name := range []string{"Europe/London", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia", "UTC"} {
		zone, err := loadZone(name)
		if err != nil {
			t.Fatal(err)
		}
		refused := 0
		for at := time.Date(2026, 1, 1, 0, 15, 0, 0, time.UTC); at.Year() == 2026; at = at.Add(30 * time.Minute) {
			text := at.In(zone).Format("2006-01-02T15:04:05")
			got, ref := parseTime(text, zone)
			if ref != nil {
				refused++
			} else if !got.Equal(at) {
				t.Fatalf("%s in %s is %v, want %v", text, name, got, at)
			}
		}
		if refused > 4 { // one hour a year is shown twice: four half hours
			t.Errorf("%s: %d times refused", name, refused)
		}
	}
}
