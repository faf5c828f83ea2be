package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/expect"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/printable"
	"glueline/pipeline/testfile"
)

// notesOf says what is odd about raw files that were read to their end: nothing
// that stops a reduction, but what a person would want to know before the table.
func notesOf(test *testfile.Test, plans []*group.Plan, frames *frame.Reader) (notes []string) {
	for _, p := range plans {
		if !given(p, frames) {
			continue
		}
		for _, source := range p.Sources() {
			columns, ok := frames.Columns(source)
			if !ok {
				notes = append(notes, fmt.Sprintf("%s: no raw file of it was given%s", source, missedWithout(test, source)))
				continue
			}
			used := frame.InputsInUse(test, source)
			var unused []string
			for _, c := range columns {
				if !slices.Contains(used, c.Name) {
					unused = append(unused, c.Name)
				}
			}
			if len(unused) > 0 {
				notes = append(notes, fmt.Sprintf("%s: the test file does not use the columns %s", source, some(unused)))
			}
			declared, _ := test.Sources.Get(source)
			timing, _ := frames.Timing(source)
			notes = append(notes, timingNotes(source, declared.Rate.Value, timing, zoneOf(test))...)
		}
	}
	return notes
}

// rateTolerance is how far a measured rate may be from the declared one before
// it is told; common practice, no source.
const rateTolerance = 0.01

func timingNotes(source string, rate float64, t frame.Timing, zone *time.Location) (notes []string) {
	if t.Median == 0 {
		return nil
	}
	period, median := 1/rate, float64(t.Median)*1e-9
	if !(math.Abs(median/period-1) <= rateTolerance) {
		notes = append(notes, fmt.Sprintf("%s: the test file declares %.5g Hz, but the rows come at %.5g Hz (median interval %s)",
			source, rate, 1/median, duration(t.Median)))
	}
	if t.Gaps > 0 && median < 3*period { // else every interval is one
		notes = append(notes, fmt.Sprintf("%s: %s longer than 3 sample periods, the longest of %s from %s on",
			source, count(int(t.Gaps), "gap"), duration(t.Longest), time.Unix(0, t.After).In(zone).Format("2006-01-02 15:04:05.000 MST")))
	}
	return notes
}

// duration writes nanoseconds to four digits: "2.5 ms", "36 s", "12h30m".
func duration(ns int64) string {
	switch s := float64(ns) * 1e-9; {
	case s < 1e-3:
		return fmt.Sprintf("%.4g us", s*1e6)
	case s < 1:
		return fmt.Sprintf("%.4g ms", s*1e3)
	case s < 120:
		return fmt.Sprintf("%.4g s", s)
	}
	text := time.Duration(ns).Round(time.Second).String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	return text
}

// missedWithout says what a source's readings would have served.
func missedWithout(test *testfile.Test, source string) string {
	of := func(w testfile.Word) bool {
		name, _ := testfile.SplitInput(w.Text)
		return name == source
	}
	served := map[string]bool{} // positions
	for i := range test.Wiring {
		if of(test.Wiring[i].Input) {
			served[test.Wiring[i].Position.Text] = true
		}
	}
	cold := map[string]bool{} // temperatures
	for again := true; again; {
		again = false
		for i := range test.Temperatures.Entries {
			e := &test.Temperatures.Entries[i]
			if !cold[e.Name] && (of(e.Value.Input) || cold[e.Value.ColdJunction.Text]) {
				cold[e.Name], again = true, true
			}
		}
	}
	var none, uncorrected, auxiliary []string
	for i := range test.Channels.Entries {
		e := &test.Channels.Entries[i]
		switch {
		case served[e.Value.Position.Or(e.Name)]:
			none = append(none, e.Name)
		case cold[e.Value.Temperature.Text], cold[e.Value.Leads.Temperature.Text]:
			uncorrected = append(uncorrected, e.Name)
		}
	}
	for i := range test.Auxiliary.Entries {
		if e := &test.Auxiliary.Entries[i]; of(e.Value.Input) {
			auxiliary = append(auxiliary, e.Name)
		}
	}
	var b strings.Builder
	for _, part := range []struct {
		what  string
		names []string
	}{
		{"no results of %s", none},
		{"%s not corrected for temperature (flagged temperature-missing)", uncorrected},
		{"no %s to read strain against", auxiliary},
	} {
		if len(part.names) > 0 {
			b.WriteString("; " + fmt.Sprintf(part.what, some(part.names)))
		}
	}
	return b.String()
}

// some is a list of names, its middle left out where it is long.
func some(names []string) string {
	const most = 8
	if len(names) <= most {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s … %s (%d)", strings.Join(names[:most/2], ", "), names[len(names)-1], len(names))
}

func printNotes(w io.Writer, notes []string) {
	if len(notes) == 0 {
		return
	}
	var b strings.Builder
	b.WriteString("\nNotes on the raw files\n")
	for _, note := range notes {
		paragraph(&b, "  ", "    ", printable.Text(note))
	}
	fmt.Fprint(w, b.String())
}

// lastRow is when the data end: certificates are judged then, so that the same
// files always give the same findings.
func lastRow(test *testfile.Test, frames *frame.Reader) time.Time {
	last := int64(math.MinInt64)
	for i := range test.Sources.Entries {
		if t, ok := frames.Timing(test.Sources.Entries[i].Name); ok {
			last = max(last, t.Last)
		}
	}
	return time.Unix(0, last)
}

// printGravest prints what glueline check would call broken or a caution, each
// remark once.
func printGravest(w io.Writer, file string, subjects []expect.Subject) {
	type remark struct {
		kind  string
		what  expect.Finding
		names []string
	}
	var remarks []*remark
	for _, s := range subjects {
		for _, f := range s.Findings {
			if f.Word != expect.Broken && f.Word != expect.Caution {
				continue
			}
			at := slices.IndexFunc(remarks, func(r *remark) bool { return r.kind == s.Kind && r.what == f })
			if at < 0 {
				at, remarks = len(remarks), append(remarks, &remark{kind: s.Kind, what: f})
			}
			remarks[at].names = append(remarks[at].names, s.Name)
		}
	}
	if len(remarks) == 0 {
		return
	}
	slices.SortStableFunc(remarks, func(a, b *remark) int { return int(a.what.Word) - int(b.what.Word) })
	const most = 8
	var b strings.Builder
	fmt.Fprintf(&b, "\nThe test file itself deserves a look; glueline check %s says more:\n", printable.Text(file))
	for _, r := range remarks[:min(len(remarks), most)] {
		paragraph(&b, fmt.Sprintf("  %-8s", r.what.Word), strings.Repeat(" ", 10), printable.Text(fmt.Sprintf("%s %s: %s", r.kind, some(r.names), r.what.Text)))
	}
	if more := len(remarks) - most; more > 0 {
		fmt.Fprintf(&b, "  and %d more\n", more)
	}
	fmt.Fprint(w, b.String())
}

// placed names the raw files of a column that cannot be read as the test file
// means it.
func placed(err error, frames *frame.Reader) error {
	var c *group.ColumnError
	if !errors.As(err, &c) {
		return err
	}
	return &frame.InputError{File: strings.Join(frames.Files(c.Source), ", "), Column: c.Column, Err: c.Err}
}
