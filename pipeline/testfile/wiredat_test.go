package testfile

import (
	"testing"
	"time"
)

func TestWiredAt(t *testing.T) {
	noon := Time{Time: time.Date(2031, 5, 2, 12, 0, 0, 0, time.UTC), Given: true}
	test := &Test{Wiring: []Wire{
		{Position: Word{Text: "post"}, Input: Word{Text: "n/1"}, To: noon},
		{Position: Word{Text: "post"}, Input: Word{Text: "n/2"}, From: noon},
		{Position: Word{Text: "beam"}, Input: Word{Text: "n/3"}},
	}}
	test.Channels.Entries = []Entry[Channel]{{Name: "bending", Value: Channel{Position: Word{Text: "post"}}}, {Name: "beam"}}
	for _, c := range []struct {
		channel string
		after   time.Duration
		want    string
	}{
		{"bending", -time.Second, "n/1"},
		{"bending", 0, "n/2"},
		{"beam", 0, "n/3"},
		{"post", 0, ""}, // a position, not a channel
	} {
		if got, ok := test.WiredAt(c.channel, noon.Time.Add(c.after)); got != c.want || ok != (c.want != "") {
			t.Errorf("%s %v after noon: %q, wanted %q", c.channel, c.after, got, c.want)
		}
	}
}
