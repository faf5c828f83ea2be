package selfcheck

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"glueline/pipeline/printable"
)

// WriteTable writes the report as a table for people, the sources numbered below
// it. With onlyFailed, rows that passed are left out. The last line counts.
func (r Report) WriteTable(w io.Writer, onlyFailed bool) error {
	t := layOut(r, onlyFailed)
	var out strings.Builder
	for _, l := range t.lines {
		out.WriteString(t.format(l))
		out.WriteByte('\n')
		if l.why != "" {
			fmt.Fprintf(&out, "    %s\n", wrapped(l.why, 4))
		}
	}
	if len(t.sources) > 0 {
		out.WriteString("\nSources\n")
		for i, s := range t.sources {
			fmt.Fprintf(&out, "%5s %s\n", sourceMark(i), wrapped(s, 6))
		}
	}
	fmt.Fprintf(&out, "\n%s\n", r.Summary())
	_, err := io.WriteString(w, out.String())
	return err
}

// Summary counts on one line.
func (r Report) Summary() string {
	return fmt.Sprintf("%d cases, %d run; %d quantities passed, %d failed; %d cases not run",
		r.Cases, r.Run, r.Passed, r.Failed, r.NotRun)
}

// columns of the table. A cell longer than the widest that is allowed pushes
// only what follows on its own line, and only as far as there is no room.
var columns = [...]struct {
	head   string
	right  bool
	widest int
}{
	{"case", false, 29}, {"quantity", false, 31}, {"expected", true, 13}, {"got", true, 13}, {"tolerance", true, 12},
	{"source", true, 6}, {"verdict", false, 7},
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

func (t *layout) format(l line) string {
	var out strings.Builder
	position, end := 0, 0 // what is written, and where the column should end
	for k, cell := range l.cells {
		n := utf8.RuneCountInString(cell)
		start := end
		if end += t.widths[k]; columns[k].right {
			start = end - n
		}
		if pad := max(start-position, min(k, 1)); pad > 0 {
			out.WriteString(strings.Repeat(" ", pad))
			position += pad
		}
		out.WriteString(cell)
		position += n
		end++
	}
	return out.String()
}

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
		l := line{why: printable.Text(row.Why)}
		if off := row.Got - row.Expected; row.Verdict == Fail && !math.IsNaN(off) {
			l.why = strings.TrimSuffix(fmt.Sprintf("off by %.3g; %s", off, l.why), "; ")
		}
		l.cells = [...]string{printable.Text(row.Case), "-", "-", "-", "-", "-", string(row.Verdict)}
		if row.Source != "" {
			source := printable.Text(row.Source)
			if row.Status != "" {
				source += " (" + printable.Text(row.Status) + ")"
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
			t.widths[k] = max(t.widths[k], min(columns[k].widest, utf8.RuneCountInString(cell)))
		}
	}
	return t
}

func sourceMark(i int) string { return fmt.Sprintf("[%d]", i+1) }

// figure has the digits that fit a column; the comparison uses all. NaN is the
// result of a formula outside its domain, or an axis that has no direction.
func figure(x float64) string {
	if math.IsNaN(x) {
		return "undefined"
	}
	return strconv.FormatFloat(x, 'g', 7, 64)
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
