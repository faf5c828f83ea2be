package alarms

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"glueline/pipeline/alarm"
	"glueline/sinks/tell"
)

// Message is a decision as it is told. A decision that was held back is told
// nobody.
func Message(d alarm.Decision) (tell.Message, error) {
	body, err := json.Marshal(d)
	if err != nil {
		return tell.Message{}, fmt.Errorf("message of alarm %s: %w", d.Alarm, err)
	}
	subject := fmt.Sprintf("%s: %s (%s)", strings.ToUpper(d.Level), d.Text, d.Test)
	if d.Kind == "repeated" {
		subject = "not acknowledged: " + subject
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\nTest %s, group %s, alarm %s, %s since %s, decided %s (in the time of the data).\n", d.Text, d.Test, d.Group, d.Alarm, d.Level, clock(d.Since), clock(d.At))
	if d.Kind == "repeated" {
		b.WriteString("Nobody has acknowledged it so far.\n")
	}
	if d.Action != "" {
		fmt.Fprintf(&b, "What to do: %s\n", d.Action)
	}
	fmt.Fprintf(&b, "\nTo acknowledge it by name: glueline alarms acknowledge %q --who NAME --why REASON\n", d.Alarm)
	fmt.Fprintf(&b, "A message that comes twice has the same id: %s\n\n%s\n", d.ID, d.Notice)
	return tell.Message{ID: d.ID, Who: d.Who, Subject: subject, Text: b.String(), Body: body}, nil
}

func clock(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05Z") }
