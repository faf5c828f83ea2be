package testfile

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one mistake in a test file: where it is, what was found there and
// what would be right.
type Problem struct {
	Mark  Mark
	Path  string // dotted keys from the top, for example lots.A23.gauge-factor; list items count from 1
	Found string
	Want  string
}

// Error is the problem on one line.
func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.Mark.String())
	b.WriteString(": ")
	if p.Path != "" {
		b.WriteString(p.Path)
		b.WriteString(": ")
	}
	b.WriteString("found ")
	b.WriteString(p.Found)
	b.WriteString("; write ")
	b.WriteString(p.Want)
	return b.String()
}

// Problems are all the mistakes of a test file, sorted by place. It is the
// error of Load and Parse when a file could be read but is not right.
type Problems []Problem

// Error is every problem, one a line.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}

func (p Problems) sort() {
	slices.SortStableFunc(p, func(a, b Problem) int {
		return cmp.Or(
			cmp.Compare(a.Mark.File, b.Mark.File),
			cmp.Compare(a.Mark.Line, b.Mark.Line),
			cmp.Compare(a.Mark.Column, b.Mark.Column),
			cmp.Compare(a.Path, b.Path),
		)
	})
}

// String is file:line:column.
func (m Mark) String() string { return fmt.Sprintf("%s:%d:%d", m.File, m.Line, m.Column) }

// written says whether the mark is a place in a file: whether something was
// written there, right or wrong.
func (m Mark) written() bool { return m.Line > 0 }

// mostSuggestions bounds the names that a wrong one is compared with, so that a
// file of nothing but mistakes is refused in good time too.
const mostSuggestions = 2000

// nearest returns the word of known that was probably meant, or "".
func nearest(word string, known []string) string {
	const longest = 64 // longer words are not typing errors of ours
	if word == "" || len(word) > longest {
		return ""
	}
	fold := func(s string) string { return strings.ReplaceAll(strings.ToLower(s), "_", "-") }
	best, least := "", 1+max(1, len(word)/3)
	for _, k := range known[:min(len(known), mostSuggestions)] {
		if len(k) > longest {
			continue
		}
		if d := distance(fold(word), fold(k)); d < least {
			best, least = k, d
		}
	}
	return best
}

// distance counts the insertions, deletions and replacements between two words.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			step := diagonal
			if a[i] != b[j] {
				step++
			}
			diagonal = row[j+1]
			row[j+1] = min(step, row[j+1]+1, row[j]+1)
		}
	}
	return row[len(b)]
}

// quote shows a text as found, shortened when it is very long.
func quote(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
