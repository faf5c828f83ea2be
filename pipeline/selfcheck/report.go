package selfcheck

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// WriteTable writes the report as a table for people, the sources numbered below
// it. With onlyFailed, rows that passed are left out. The last line counts.
func (r Report) WriteTable(w io.Writer, onlyFailed bool) error {
	t := layOut(r, onlyFailed)
	out := bufio.NewWriter(w)
	for _, line := range t.lines {
		for k, cell := range line.cells {
			if k > 0 {
				out.WriteByte(' ')
			}
			pad := strings.Repeat(" ", max(0, t.widths[k]-utf8.RuneCountInString(cell)))
			switch {
			case columns[k].right:
				out.WriteString(pad + cell)
			case k == len(line.cells)-1:
				out.WriteString(cell)
			default:
				out.WriteString(cell + pad)
			}
		}
		out.WriteByte('\n')
		if line.why != "" {
			fmt.Fprintf(out, "    %s\n", wrapped(line.why, 4))
		}
	}
	if len(t.sources) > 0 {
		out.WriteString("\nSources\n")
		for i, s := range t.sources {
			fmt.Fprintf(out, "%5s %s\n", sourceMark(i), wrapped(s, 6))
		}
	}
	fmt.Fprintf(out, "\n%s\n", r.Summary())
	return out.Flush()
}

// Summary counts on one line.
func (r Report) Summary() string {
	return fmt.Sprintf("%d cases, %d run; %d quantities passed, %d failed; %d cases not run",
		r.Cases, r.Run, r.Passed, r.Failed, r.NotRun)
}

var columns = [...]struct {
	head  string
	right bool
}{
	{"case", false}, {"quantity", false}, {"expected", true}, {"got", true}, {"tolerance", true},
	{"source", true}, {"verdict", false},
}

type layout struct {
	lines   []line
	widths  [len(columns)]int
	sources []string
}

type line struct {
	cells [len(columns)]string
	why   string
}

// maxWidth keeps one long name from pulling the whole table apart.
const maxWidth = 40

func layOut(r Report, onlyFailed bool) layout {
	var t layout
	var head line
	for k, c := range columns {
		head.cells[k] = c.head
	}
	t.lines = append(t.lines, head)
	marks := map[string]string{}
	for _, row := range r.Rows {
		if onlyFailed && row.Verdict == Pass {
			continue
		}
		l := line{why: printable(row.Why)}
		l.cells = [...]string{printable(row.Case), "-", "-", "-", "-", "-", string(row.Verdict)}
		if row.Source != "" {
			source := printable(row.Source)
			if row.Status != "" {
				source += " (" + printable(row.Status) + ")"
			}
			if marks[source] == "" {
				marks[source] = sourceMark(len(t.sources))
				t.sources = append(t.sources, source)
			}
			l.cells[5] = marks[source]
		}
		if row.Verdict != NotRun {
			l.cells[1] = row.Quantity
			l.cells[2], l.cells[3] = figure(row.Expected), figure(row.Got)
			if !math.IsNaN(row.Expected) {
				l.cells[4] = strconv.FormatFloat(row.Tolerance, 'g', 2, 64)
				if row.Unit != pureUnit {
					l.cells[4] += " " + row.Unit
				}
			}
		}
		t.lines = append(t.lines, l)
	}
	for _, l := range t.lines {
		for k, cell := range l.cells {
			t.widths[k] = max(t.widths[k], min(maxWidth, utf8.RuneCountInString(cell)))
		}
	}
	return t
}

func sourceMark(i int) string { return fmt.Sprintf("[%d]", i+1) }

// figure has the digits that fit a column; the comparison uses all.
func figure(x float64) string {
	if math.IsNaN(x) {
		return "undefined"
	}
	return strconv.FormatFloat(x, 'g', 8, 64)
}

// wrapped breaks a text between words at 110 columns, further lines indented.
func wrapped(s string, indent int) string {
	var out strings.Builder
	column := indent
	for i, word := range strings.Fields(s) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case column+1+n > 110:
			out.WriteString("\n" + strings.Repeat(" ", indent))
			column = indent
		default:
			out.WriteByte(' ')
			column++
		}
		out.WriteString(word)
		column += n
	}
	return out.String()
}

// printable keeps what a file says from moving the cursor.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}
