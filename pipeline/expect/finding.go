package expect

import (
	"cmp"
	"fmt"
	"slices"
)

// Word says how a finding is meant. It is printed as a word, so that nothing
// hangs on colour.
type Word uint8

// The words, the gravest first.
const (
	Broken  Word = iota // a rule of practice was broken: samples carry a flag
	Caution             // results may be poor or doubted
	Missing             // the file does not say something that matters
	Note                // good to know
)

var words = [...]string{"broken", "caution", "missing", "note"}

func (w Word) String() string {
	if int(w) < len(words) {
		return words[w]
	}
	return fmt.Sprintf("word %d", uint8(w))
}

// Finding is one remark.
type Finding struct {
	Word   Word
	Text   string
	Source string // of the rule or limit applied; "" where the remark is plain arithmetic or quotes the file
}

// Subject is what findings are about, and the findings.
type Subject struct {
	Kind     string // test, source, channel, rosette, auxiliary or material
	Name     string
	Findings []Finding // the gravest first
}

// practice marks limits that are habit rather than literature.
const practice = "common practice, no source"

func (s *Subject) add(w Word, source, format string, values ...any) {
	s.Findings = append(s.Findings, Finding{w, fmt.Sprintf(format, values...), source})
}

// sorted puts the gravest findings first and keeps the order of equals.
func (s Subject) sorted() Subject {
	slices.SortStableFunc(s.Findings, func(a, b Finding) int { return cmp.Compare(a.Word, b.Word) })
	return s
}
