package printable_test

import (
	"fmt"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"glueline/pipeline/printable"
)

func ExampleText() {
	fmt.Println(printable.Text("web\x1b[2J\r\nflange"))
	fmt.Println(printable.Text("Träger 3, 20 °C"))
	// Output:
	// web?[2J??flange
	// Träger 3, 20 °C
}

func TestNothingThatMovesTheCursorIsLeft(t *testing.T) {
	for _, c := range []struct{ name, text, line, lines string }{
		{"escape sequence", "\x1b[31mred", "?[31mred", "?[31mred"},
		{"its 8-bit form", "\u009b31mred", "?31mred", "?31mred"},
		{"line feed", "a\nb", "a?b", "a\nb"},
		{"tab", "a\tb", "a?b", "a\tb"},
		{"carriage return", "good\rbad", "good?bad", "good?bad"},
		{"line separator", "a\u2028b", "a?b", "a?b"},
		{"direction of writing", "a\u202eb", "a?b", "a?b"},
		{"no width", "a\u200bb", "a?b", "a?b"},
		{"bell, backspace, delete", "\a\b\x7f", "???", "???"},
		{"no UTF-8", "a\xff\xfeb", "a??b", "a??b"},
		{"what people write", "Ø 12 mm, Δ < 3 µm/m, 梁 — “x”", "Ø 12 mm, Δ < 3 µm/m, 梁 — “x”", "Ø 12 mm, Δ < 3 µm/m, 梁 — “x”"},
	} {
		if got := printable.Text(c.text); got != c.line {
			t.Errorf("%s: Text %q, want %q", c.name, got, c.line)
		}
		if got := printable.Lines(c.text); got != c.lines {
			t.Errorf("%s: Lines %q, want %q", c.name, got, c.lines)
		}
	}
}

func FuzzText(f *testing.F) {
	f.Add("a\x1b]0;title\a\u202e\xff\nb")
	f.Fuzz(func(t *testing.T, text string) {
		got := printable.Text(text)
		if strings.ContainsFunc(got, func(r rune) bool { return !unicode.IsPrint(r) }) || !utf8.ValidString(got) {
			t.Errorf("%q became %q", text, got)
		}
		if utf8.RuneCountInString(got) != utf8.RuneCountInString(text) {
			t.Errorf("%q became %q: another length", text, got)
		}
		if printable.Text(got) != got || printable.Text(printable.Lines(text)) != got {
			t.Errorf("%q became %q, and then another", text, got)
		}
	})
}
