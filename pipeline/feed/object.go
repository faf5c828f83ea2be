package feed

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// member is one key of a flat JSON object, with its values: numbers, NaN where
// null, or texts, or the members of an object of texts.
type member struct {
	key     string
	array   bool
	numbers []float64
	texts   []string
	inner   []member // of a nested object
}

// parseObject reads one JSON object whose values are numbers, null, text,
// arrays of these, or one further level of objects.
func parseObject(text []byte) ([]member, error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	first, err := d.Token()
	if err == nil && first != json.Delim('{') {
		err = errors.New("it does not begin with {")
	}
	if err != nil {
		return nil, notJSON(err)
	}
	members, err := parseMembers(d, 1)
	if err != nil {
		return nil, notJSON(err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, notJSON(errors.New("something follows the object"))
	}
	return members, nil
}

func notJSON(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = errors.New("it is cut off")
	}
	return fmt.Errorf("not one JSON object: %w", err)
}

func parseMembers(d *json.Decoder, depth int) ([]member, error) {
	var members []member
	seen := map[string]bool{}
	for {
		token, err := d.Token()
		if err != nil {
			return nil, err
		}
		if token == json.Delim('}') {
			return members, nil
		}
		m := member{key: token.(string)} // a key, or the decoder would have said so
		if seen[m.key] {
			return nil, fmt.Errorf("the key %q twice", m.key)
		}
		seen[m.key] = true
		if err := m.parse(d, depth); err != nil {
			return nil, err
		}
		members = append(members, m)
	}
}

func (m *member) parse(d *json.Decoder, depth int) error {
	token, err := d.Token()
	if err != nil {
		return err
	}
	switch token {
	case json.Delim('{'):
		if depth > 1 {
			return fmt.Errorf("%q holds objects in objects", m.key)
		}
		m.inner, err = parseMembers(d, depth+1)
		return err
	case json.Delim('['):
		m.array = true
		for d.More() {
			if token, err = d.Token(); err != nil {
				return err
			}
			if err := m.value(token); err != nil {
				return err
			}
		}
		_, err = d.Token()
		return err
	}
	return m.value(token)
}

func (m *member) value(token json.Token) error {
	switch v := token.(type) {
	case nil:
		m.numbers = append(m.numbers, math.NaN())
	case json.Number:
		number, err := strconv.ParseFloat(v.String(), 64)
		if err != nil {
			return fmt.Errorf("%q holds %s, which is beyond the range of float64", m.key, v)
		}
		if len(m.texts) > 0 {
			return fmt.Errorf("%q mixes text and numbers", m.key)
		}
		m.numbers = append(m.numbers, number)
		if !m.array {
			m.texts = append(m.texts, v.String()) // as written, for counts beyond 2^53
		}
		return nil
	case string:
		m.texts = append(m.texts, v)
	default:
		return fmt.Errorf("%q holds %v; write numbers, null or text", m.key, v)
	}
	if len(m.texts) > 0 && len(m.numbers) > 0 {
		return fmt.Errorf("%q mixes text and numbers", m.key)
	}
	return nil
}

// readings are the member's values as readings.
func (m *member) readings() ([]float64, error) {
	if m.inner != nil || len(m.numbers) == 0 {
		return nil, fmt.Errorf("%q holds no number; write a number, or null where a reading is missing", m.key)
	}
	return m.numbers, nil
}

// instants are the member's values as times.
func (m *member) instants() ([]string, error) {
	if m.inner != nil || len(m.numbers) > 0 || len(m.texts) == 0 {
		return nil, fmt.Errorf("%q holds no text; write ISO 8601 in quotes, for example \"2026-05-04T06:00:00.25Z\"", m.key)
	}
	return m.texts, nil
}

// units reads {"units":{"A1":"mV/V"}}; ok says whether the object is that.
func units(members []member) (units map[string]string, ok bool, err error) {
	if len(members) != 1 || members[0].key != "units" || members[0].inner == nil {
		return nil, false, nil
	}
	units = map[string]string{}
	for _, m := range members[0].inner {
		if len(m.texts) != 1 || len(m.numbers) > 0 || m.array {
			return nil, true, fmt.Errorf("the unit of %q is no text", m.key)
		}
		units[m.key] = strings.TrimSpace(m.texts[0])
	}
	return units, true, nil
}
