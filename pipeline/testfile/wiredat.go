package testfile

import "time"

// WiredAt is the input, source/input, that serves a position at a time.
func (t *Test) WiredAt(position string, at time.Time) (input string, ok bool) {
	for _, w := range t.Wiring {
		if w.Position.Text == position && (!w.From.Given || !at.Before(w.From.Time)) && (!w.To.Given || at.Before(w.To.Time)) {
			return w.Input.Text, true
		}
	}
	return "", false
}
