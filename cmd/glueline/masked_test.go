package main

import (
	"strings"
	"testing"
	"unicode"
)

// What people and publishers write is shown without moving the cursor.
func TestTextOfOthersIsMasked(t *testing.T) {
	b := newLiveBench(t)
	b.feed(1)
	const hostile = "quiet\x1b[2J\r\nbeam  agrees\u202e\u009b31m"
	for _, args := range [][]string{
		{"note", hostile},
		{"phase", hostile},
		{"step", "begin", hostile, "--target", "3 kN"},
	} {
		out := b.command(0, nil, args...)
		wants(t, out, "quiet?[2J??beam  agrees??31m")
		if lines := strings.Split(strings.TrimRight(out, "\n"), "\n"); strings.HasPrefix(lines[len(lines)-1], "beam") {
			t.Errorf("%q begins a line of its own:\n%s", args, out)
		}
		noControls(t, out)
	}
	// An error that repeats it is masked too.
	noControls(t, b.command(1, nil, "sign", hostile))
}

func noControls(t *testing.T, text string) {
	t.Helper()
	if i := strings.IndexFunc(text, func(r rune) bool { return !unicode.IsPrint(r) && r != '\n' }); i >= 0 {
		t.Errorf("%q at %d of %q", text[i:min(len(text), i+3)], i, text)
	}
}

func TestWhatIsShownOfAMessageAsText(t *testing.T) {
	for _, c := range []struct {
		name, data string
		cut, text  bool
	}{
		{"JSON", "{\"a\":1}\n", false, true},
		{"lines of a PC", "a\r\nb\r\n", false, true},
		{"a return alone writes over the line", "refused\rgood", false, false},
		{"escape", "\x1b[2J", false, false},
		{"escape of 8 bits", "\u009b2J", false, false},
		{"direction", "a\u202eb", false, false},
		{"cut within a character", "µ\xc2", true, true},
		{"broken at the end", "µ\xc2", false, false},
	} {
		if got := isText([]byte(c.data), c.cut); got != c.text {
			t.Errorf("%s: %t", c.name, got)
		}
	}
}
