package feed

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"glueline/pipeline/frame"
	"glueline/pipeline/testfile"
)

// Message is what a JSON message of some rows says.
type Message struct {
	Boot    string // "" where it states none, and no counter either
	Counter uint64 // of the first row
	Time    []int64
	Columns []frame.Column
}

// ParseMessage reads a message of a source. boot and counter go together; all
// arrays are as long as that of the times; times rise. Units stand under
// "units", else they are the test file's.
func ParseMessage(text []byte, test *testfile.Test, source string) (*Message, error) {
	members, err := parseObject(text)
	if err != nil {
		return nil, err
	}
	times, err := frame.NewInstants(zoneOf(test, source))
	if err != nil {
		return nil, err
	}
	m := new(Message)
	counted := false
	var stated map[string]string
	for i := range members {
		switch of := &members[i]; of.key {
		case "boot":
			if len(of.texts) != 1 || len(of.numbers) > 0 || of.array || of.texts[0] == "" {
				return nil, errors.New(`"boot" is no text`)
			}
			m.Boot = of.texts[0]
		case "counter":
			if m.Counter, err = of.count(); err != nil {
				return nil, err
			}
			counted = true
		case "units":
			var ok bool
			if stated, ok, err = units(members[i : i+1]); err == nil && !ok {
				err = errors.New(`"units" is no object`)
			}
			if err != nil {
				return nil, err
			}
		case frame.TimeColumn:
			texts, err := of.instants()
			if err != nil {
				return nil, err
			}
			for _, t := range texts {
				at, err := times.Parse([]byte(t))
				if err != nil {
					return nil, err
				}
				if n := len(m.Time); n > 0 && at <= m.Time[n-1] {
					return nil, fmt.Errorf("%w: %s after %s", ErrTime, instant(at), instant(m.Time[n-1]))
				}
				m.Time = append(m.Time, at)
			}
		default:
			values, err := of.readings()
			if err != nil {
				return nil, err
			}
			m.Columns = append(m.Columns, frame.Column{Name: of.key, Float: values})
		}
	}
	return m, m.check(counted, stated, frame.InputsInUse(test, source))
}

func (m *Message) check(counted bool, stated map[string]string, used []string) error {
	switch {
	case len(m.Time) == 0:
		return errors.New(`no "time"`)
	case (m.Boot != "") != counted:
		return errors.New(`"boot" and "counter" go together: with both, repeats are noticed`)
	}
	for _, input := range used {
		known := false
		for i := range m.Columns {
			known = known || m.Columns[i].Name == input
		}
		if !known {
			return fmt.Errorf("no %q; write null where a reading is missing", input)
		}
	}
	if len(m.Columns) == 0 {
		return errors.New("no reading")
	}
	for i := range m.Columns {
		c := &m.Columns[i]
		if len(c.Float) != len(m.Time) {
			return fmt.Errorf("%q has %d readings at %d times", c.Name, len(c.Float), len(m.Time))
		}
		c.Unit = stated[c.Name]
	}
	return nil
}

// count is a whole number, exactly.
func (m *member) count() (uint64, error) {
	if m.array || len(m.numbers) != 1 || len(m.texts) != 1 || math.IsNaN(m.numbers[0]) {
		return 0, fmt.Errorf("%q is no whole number", m.key)
	}
	n, err := strconv.ParseUint(m.texts[0], 10, 63)
	if err != nil {
		return 0, fmt.Errorf("%q is %s, not a whole number below 2^63", m.key, m.texts[0])
	}
	return n, nil
}
