// Package printable makes text that others wrote fit to be shown: names in test
// files, notes, what publishers send.
package printable

import (
	"strings"
	"unicode"
)

// Text returns text of one line that cannot move the cursor, change colours,
// turn the direction of writing or begin a line of its own: each character that
// is not to be seen (Unicode's control, format, private and unassigned ones,
// line breaks and every blank but the space), and each byte that is no UTF-8,
// becomes a question mark.
func Text(text string) string {
	return strings.Map(mask, text)
}

// Lines is Text for text that may have several lines: line feeds and tabs stay.
func Lines(text string) string {
	return strings.Map(func(r rune) rune {
		if r == '\n' || r == '\t' {
			return r
		}
		return mask(r)
	}, text)
}

func mask(r rune) rune {
	if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
		return '?'
	}
	return r
}
