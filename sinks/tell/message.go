package tell

import (
	"encoding/json"
	"time"
)

// Message is one thing to tell one person.
type Message struct {
	ID      string          `json:"id"`  // the same when it comes again
	Who     string          `json:"who"` // nobody, when it only goes into the ledger
	Subject string          `json:"subject"`
	Text    string          `json:"text"` // for people, several lines
	Body    json.RawMessage `json:"body"` // for programs
}

// Trial is a message that says it is one.
func Trial(who, test, notice string, at time.Time) (Message, error) {
	id := "trial-" + at.UTC().Format("20060102T150405.000")
	body, err := json.Marshal(map[string]any{"id": id, "kind": "trial", "test": test, "who": who, "at": at.UTC(), "notice": notice})
	return Message{
		ID: id, Who: who, Subject: "trial: nothing has happened",
		Text: "This is a trial of the way by which alarms of " + test + " reach " + who + ". Nothing has happened.\n\n" + notice + "\n",
		Body: body,
	}, err
}
