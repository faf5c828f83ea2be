package event

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

const (
	oneObject  = `write one JSON object a line, for example {"event":"zero","state":"begin","kind":"test","time":"2026-05-04T06:00:00Z","who":"…"}`
	timeFormat = `write "time" with its offset, for example 2026-05-04T06:00:00Z`
)

// fields are the keys of an event's JSON, in the order in which they are listed,
// and where their values go.
func (e *Event) fields() []struct {
	key string
	to  any
} {
	return []struct {
		key string
		to  any
	}{
		{"event", &e.Event}, {"state", &e.State}, {"kind", &e.Kind}, {"name", &e.Name}, {"target", &e.Target},
		{"text", &e.Text}, {"value", &e.Value}, {"channel", &e.Channel}, {"channels", &e.Channels}, {"inputs", &e.Inputs},
		{"source", &e.Source}, {"digest", &e.Digest}, {"revision", &e.Revision}, {"time", &e.Time}, {"who", &e.Who}, {"why", &e.Why},
	}
}

// parse reads the object key by key: a key twice, of which a decoder would
// quietly keep the last, is a mistake that changes what an event means.
func parse(text []byte) (e Event, err error) {
	d := json.NewDecoder(bytes.NewReader(text))
	if open, err := d.Token(); err != nil || open != json.Delim('{') {
		return e, errors.New("no JSON object; " + oneObject)
	}
	seen := map[string]bool{}
	for d.More() {
		token, err := d.Token()
		key, ok := token.(string)
		if err != nil || !ok {
			return e, broken(err)
		}
		if seen[key] {
			return e, fmt.Errorf("the key %q twice; write each key once", key)
		}
		seen[key] = true
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return e, broken(err)
		}
		if err := e.set(key, value); err != nil {
			return e, err
		}
	}
	if _, err := d.Token(); err != nil {
		return e, broken(err)
	}
	if _, err := d.Token(); err != io.EOF {
		return e, errors.New("something follows the object; write one JSON object a line")
	}
	return e, nil
}

// broken says where JSON stops being JSON.
func broken(err error) error {
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) && syntax.Offset > 0 && !strings.Contains(syntax.Error(), "unexpected end") {
		return fmt.Errorf("no JSON from character %d on; look for a missing quote, comma or colon there", syntax.Offset)
	}
	return errors.New("an object that does not end; " + oneObject)
}

// set decodes one value into its field.
func (e *Event) set(key string, value json.RawMessage) error {
	var keys []string
	for _, f := range e.fields() {
		keys = append(keys, f.key)
		if f.key != key {
			continue
		}
		switch to := f.to.(type) {
		case *time.Time:
			return setTime(to, value)
		case *[]string:
			if json.Unmarshal(value, to) != nil {
				return fmt.Errorf(`%q is %s; write a list of names, for example ["web","flange"]`, key, shown(value))
			}
		default:
			if json.Unmarshal(value, to) != nil {
				return fmt.Errorf("%q is %s; write a text in quotes", key, shown(value))
			}
		}
		return nil
	}
	return fmt.Errorf("unknown field %q; the fields are %s", key, strings.Join(keys, ", "))
}

func setTime(to *time.Time, value json.RawMessage) error {
	var text string
	if json.Unmarshal(value, &text) != nil {
		return fmt.Errorf("the time %s is no text; "+timeFormat, shown(value))
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return fmt.Errorf("the time %q is no date and time with an offset; "+timeFormat, text)
	}
	*to = at
	return nil
}

// shown is a value as it was written, shortened.
func shown(value json.RawMessage) string {
	const most = 40
	if len(value) > most {
		return strings.ToValidUTF8(string(value[:most]), "") + "…"
	}
	return string(value)
}
