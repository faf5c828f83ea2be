package main

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"sort"
	"strings"
	"time"
	"unicode/utf8"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/printable"
	"glueline/sinks/summary"
)

// shownUnit converts a column's unit to what people read.
func shownUnit(unit string) (shown string, scale float64, decimals int) {
	switch unit {
	case "m/m":
		return "um/m", 1e6, 1
	case "Pa":
		return "MPa", 1e-6, 2
	case "rad":
		return "deg", 180 / math.Pi, 1
	}
	return unit, 1, 2
}

// print writes the table of what was reduced.
func (r *reduction) print(w io.Writer) {
	fmt.Fprintf(w, "\n%s: %s of raw readings reduced in %.1f s\n", printable.Text(r.test.About.Name.Text), size(r.rawBytes), r.took.Seconds())
	for _, s := range r.summaries {
		r.printGroup(w, s)
	}
	fmt.Fprintf(w, "\nResults in %s. Glueline monitors; it is not a protective system.\n", filepath.Clean(r.out))
}

func size(bytes int64) string {
	switch {
	case bytes >= 1e9:
		return fmt.Sprintf("%.1f GB", float64(bytes)/1e9)
	case bytes >= 1e6:
		return fmt.Sprintf("%.1f MB", float64(bytes)/1e6)
	}
	return fmt.Sprintf("%.1f kB", float64(bytes)/1e3)
}

func (r *reduction) printGroup(w io.Writer, s *summary.Summary) {
	zeros := map[string]group.ZeroInForce{}
	names := map[string]int{}
	for _, z := range s.Zeros {
		zeros[z.Channel] = z
		names[r.zeroName(z.Record)]++
	}
	usual := ""
	for _, name := range sortedKeys(names) {
		if names[name] > names[usual] {
			usual = name
		}
	}
	if usual != "" {
		var b strings.Builder
		paragraph(&b, "", "", fmt.Sprintf("Strain and stress are changes since %s, unless a row says otherwise;", usual))
		fmt.Fprintf(w, "%sdead load, residual and assembly stress are not in them.\n", b.String())
		if hasReplaced(s.Others) {
			fmt.Fprintln(w, "Rows before it are counted from an earlier zero, and are in the table too: see the zeros below.")
		}
	} else {
		fmt.Fprintf(w, "NO ZERO: no strain was written. Give zero events with --events, or state a zero in the test file\n"+
			"(for example \"zero: {first: 60 s}\" under test).\n")
	}
	t := table{head: []string{"channel", "unit", "min", "max", "mean", "noise", "zero mV/V", "rows", "flags"},
		right: []bool{false, false, true, true, true, true, true, true, false}}
	for _, row := range s.Rows() {
		if row.Field.Quantity == group.Rosette && !inTable(row.Field.Name) {
			continue
		}
		unit, scale, decimals := shownUnit(row.Field.Unit)
		name, _, _ := strings.Cut(row.Field.Name, " [")
		number := func(v float64) string {
			if math.IsNaN(v) {
				return "-"
			}
			return fixed(v*scale, decimals)
		}
		line := []string{name, unit, number(row.Min), number(row.Max), number(row.Mean), "", "", fmt.Sprint(row.Used), ""}
		if isStrain(row.Field) {
			line[5] = "-"
			if !math.IsNaN(row.Noise) {
				line[5] = fixed(row.Noise*scale, 2)
			}
			z, ok := zeros[row.Field.Of]
			line[6] = "none"
			if ok {
				if line[6] = fixed(z.Zero.Ratio*1e3, 4); z.Zero.Ratio > 0 {
					line[6] = "+" + line[6]
				}
			}
			line[8] = flagNames(row)
			if name := r.zeroName(z.Record); ok && name != usual {
				line[8] += " since " + name
			}
		}
		t.rows = append(t.rows, line)
	}
	t.write(w)
	r.printZeros(w, append(s.Others, s.Zeros...))
	r.printFlags(w, s.Rows())
}

// inTable keeps the table short: of a rosette the principal values only.
func inTable(name string) bool {
	for _, part := range []string{" e1 ", " e2 ", " von Mises "} {
		if strings.Contains(name, part) {
			return true
		}
	}
	return false
}

func (r *reduction) zeroName(z group.ZeroRecord) string {
	name := fmt.Sprintf("%q (%s", z.Name, z.Kind)
	if z.Name == "" {
		name = fmt.Sprintf("a zero without name (%s", z.Kind)
	}
	if z.Raw.N > 0 {
		name += ", " + r.instant(z.To)
	}
	return name + ")"
}

// flagNames lists the flags of a row; "always" where no row was without.
func flagNames(row summary.Row) string {
	if len(row.Flags) == 0 {
		return "ok"
	}
	var parts []string
	for _, f := range row.Flags {
		name := f.Name
		if f.Rows == row.Rows {
			name += " always"
		}
		parts = append(parts, name)
	}
	return strings.Join(parts, ", ")
}

// printFlags says of each flag that was set what it means, on which channels,
// on how many rows and since when. Channels that share the figures share a line.
func (r *reduction) printFlags(w io.Writer, rows []summary.Row) {
	t := table{head: []string{"flag", "rows", "first at", "channels"}, right: []bool{false, true, false, false}}
	var meanings []string
	for _, info := range flag.All() {
		type line struct {
			rows  int
			since int64
		}
		var lines []line
		channels := map[line][]string{}
		for _, row := range rows {
			if !isStrain(row.Field) {
				continue
			}
			for _, f := range row.Flags {
				if f.Name != info.Name {
					continue
				}
				l := line{f.Rows, f.Since}
				if channels[l] == nil {
					lines = append(lines, l)
				}
				channels[l] = append(channels[l], row.Field.Of)
			}
		}
		for _, l := range lines {
			names := channels[l]
			cell := strings.Join(names, " ")
			if len(names) > 5 {
				cell = fmt.Sprintf("%s … %s (%d channels)", names[0], names[len(names)-1], len(names))
			}
			t.rows = append(t.rows, []string{info.Name, fmt.Sprint(l.rows), r.instant(l.since), cell})
		}
		if len(lines) > 0 {
			out := ""
			if info.LeavesOut {
				out = "; left out of the table above"
			}
			meanings = append(meanings, fmt.Sprintf("  %s: %s%s", info.Name, info.Meaning, out))
		}
	}
	if len(t.rows) == 0 {
		fmt.Fprintln(w, "No flags.")
		return
	}
	fmt.Fprintln(w)
	t.write(w)
	fmt.Fprintln(w, strings.Join(meanings, "\n"))
}

func isStrain(f group.Field) bool {
	return f.Quantity == group.Strain || f.Quantity == group.Shear || f.Quantity == group.Indicated
}

func (r *reduction) instant(ns int64) string {
	return time.Unix(0, ns).In(r.zone).Format("2006-01-02 15:04:05 MST")
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

// table lines up text in columns.
type table struct {
	head  []string
	right []bool // numbers
	rows  [][]string
}

// write writes the table no wider than lineWidth where that is possible: text
// of the last column goes on in further lines. Cells are masked: names and reasons
// come from files and messages.
func (t *table) write(w io.Writer) {
	width := make([]int, len(t.head))
	for _, row := range append([][]string{t.head}, t.rows...) {
		for i, cell := range row {
			cell = printable.Text(cell)
			row[i] = cell
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	last, indent := len(width)-1, 0
	for _, n := range width[:last] {
		indent += n + 2
	}
	const narrowest = 16 // narrower text nobody reads
	if room := max(lineWidth-indent, narrowest); width[last] > room && !t.right[last] {
		width[last] = room
	}
	line := func(row []string) {
		var b strings.Builder
		for i, cell := range row {
			pad := strings.Repeat(" ", max(0, width[i]-utf8.RuneCountInString(cell)))
			switch {
			case t.right[i]:
				b.WriteString(pad + cell)
			case i == last && utf8.RuneCountInString(cell) > width[i]:
				b.WriteString(broken(cell, indent, indent+width[i], strings.Repeat(" ", indent)))
			default:
				b.WriteString(cell + pad)
			}
			if i < last {
				b.WriteString("  ")
			}
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
	line(t.head)
	rule := make([]string, len(width))
	for i, n := range width {
		rule[i] = strings.Repeat("-", n)
	}
	line(rule)
	for _, row := range t.rows {
		line(row)
	}
}

// broken breaks text that begins at a column between words, into lines that end
// at most at column end, those after the first indented.
func broken(text string, column, end int, indent string) string {
	var b strings.Builder
	for i, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case column+1+n > end:
			b.WriteString("\n" + indent)
			column = len(indent)
		default:
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += n
	}
	return b.String()
}
