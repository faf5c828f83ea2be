package testfile

import "time"

// WiredAt is the input, source/input, that a channel is on at a time.
func (t *Test) WiredAt(channel string, at time.Time) (input string, ok bool) {
	c, ok := t.Channels.Get(channel)
	if !ok {
		return "", false
	}
	position := c.Position.Or(channel)
	for _, w := range t.Wiring {
		if w.Position.Text == position && (!w.From.Given || !at.Before(w.From.Time)) && (!w.To.Given || at.Before(w.To.Time)) {
			return w.Input.Text, true
		}
	}
	return "", false
}
