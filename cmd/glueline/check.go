package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"glueline/pipeline/expect"
	"glueline/pipeline/printable"
	"glueline/pipeline/testfile"
)

type checkCommand struct {
	TestFile string    `arg:"" name:"testfile" help:"The test file (YAML)."`
	On       time.Time `help:"Judge certificates at this instant instead of now, for example 2026-05-04T06:00:00Z." placeholder:"TIME"`
}

// Run prints every mistake of the file, or else what to expect of each channel.
// Findings alone do not fail it: the file is valid.
func (c checkCommand) Run(s streams) error {
	t, err := testfile.Load(c.TestFile)
	var problems testfile.Problems
	if errors.As(err, &problems) {
		for _, p := range problems {
			fmt.Fprintln(s.err, printable.Text(p.Error()))
		}
		fmt.Fprintf(s.err, "glueline: %s in %s\n", count(len(problems), "mistake"), printable.Text(c.TestFile))
		return errReported
	}
	if err != nil {
		return err
	}
	now := c.On
	if now.IsZero() {
		now = time.Now()
	}
	r, err := expect.Of(t, now)
	if err != nil {
		return fmt.Errorf("%s: %w", c.TestFile, err)
	}
	var text strings.Builder
	writeExpectations(&text, c.TestFile, t, r)
	if _, err := io.WriteString(s.out, text.String()); err != nil {
		return fmt.Errorf("write what to expect: %w", err)
	}
	return nil
}

func writeExpectations(w *strings.Builder, name string, t *testfile.Test, r *expect.Report) {
	fmt.Fprintf(w, "%s is valid: %s, %s on %s, %s.\n", printable.Text(filepath.Base(name)), printable.Text(t.About.Name.Text),
		count(len(t.Channels.Entries), "channel"), count(len(t.Sources.Entries), "source"), count(len(t.Rosettes.Entries), "rosette"))
	signalTable(w, r)
	leadsTable(w, r)
	temperatureTable(w, r)
	installationTable(w, t, r)
	rosetteTable(w, r)
	materialTable(w, r)
	writeFindings(w, r.Subjects)
	paragraph(w, "\n", "", "Adhesives, solvents and conditioners are hazardous: the maker's safety sheets and local codes come before "+
		"anything said here. A structure under load can fail while it is gauged or tested: keep clear, or unload it. "+
		"Glueline monitors; it is not a protective system.")
}

// section begins a part of the output.
func section(w *strings.Builder, title, caption string) {
	fmt.Fprintf(w, "\n%s\n", title)
	paragraph(w, "", "", caption)
}

// columns makes a table whose headings that begin with ">" are of numbers.
func columns(heads ...string) table {
	var t table
	for _, h := range heads {
		head, number := strings.CutPrefix(h, ">")
		t.head, t.right = append(t.head, head), append(t.right, number)
	}
	return t
}

func signalTable(w *strings.Builder, r *expect.Report) {
	section(w, "Signal", "Readings change so with strain (engineering shear strain for full_shear), leads and gain included. "+
		"The error is that of the linear formula at the limit; the reduction does not have it.")
	t := columns("channel", "bridge", ">mV/V per 1000 um/m", ">um/m per mV/V", ">limit um/m", ">there mV/V", ">error um/m", ">error %")
	for _, c := range r.Channels {
		s := c.Signal
		t.rows = append(t.rows, []string{printable.Text(c.Name), c.Bridge,
			fixed(s.Sensitivity, 4), fixed(1e3/s.Sensitivity, 1), // V/V per m/m is mV/V per 1000 um/m
			fixed(s.Limit*1e6, 0), fixed(s.AtLimit*1e3, 4), fixed(s.Nonlinearity*1e6, 2), fixed(100*s.Nonlinearity/s.Limit, 3)})
	}
	t.write(w)
}

func leadsTable(w *strings.Builder, r *expect.Report) {
	section(w, "Leads and shunt", "The loss is corrected from the resistance of a wire at 20 degC. "+
		"Rest is the reading that leads and completion alone make, drift what warming leads look like. "+
		"The shunt's step looks like the strain beside it; it proves instrument, leads and wiring, not the bond.")
	t := columns("channel", ">ohm a wire", ">loss %", ">rest mV/V", ">drift um/m/K", "shunt at", ">ohm", ">step mV/V", ">as um/m")
	for _, c := range r.Channels {
		row := []string{printable.Text(c.Name), fixed(c.Leads.Ohm20, 3), fixed(100*c.Signal.LeadLoss, 2),
			fixed(c.Signal.Rest*1e3, 4), fixed(c.Signal.LeadDrift*1e6, 2), "-", "-", "-", "-"}
		if s := c.Shunt; s != nil {
			copy(row[5:], []string{s.Location.String(), fixed(s.Resistor, 0), fixed(s.Step*1e3, 4), fixed(s.Strain*1e6, 1)})
		}
		t.rows = append(t.rows, row)
	}
	t.write(w)
}

func temperatureTable(w *strings.Builder, r *expect.Report) {
	section(w, "Temperature, power and sampling", "Thermal output is what temperature alone would look like, uncorrected, "+
		"between the limits of temperature and counted from the zero's: the file's own, else 20 degC or, where the limits leave that out, their middle. "+
		"Peak loss is the most that sampling can miss of a sine at limits.frequency.")
	t := columns("channel", ">from degC", ">to degC", ">zero degC", ">least um/m", ">greatest um/m", ">power mW/mm2", ">rate Hz", ">peak loss %")
	for _, c := range r.Channels {
		t.rows = append(t.rows, []string{printable.Text(c.Name), fixed(c.Thermal.From, 1), fixed(c.Thermal.To, 1), fixed(c.Zero.Temperature, 1),
			fixed(c.Thermal.Low*1e6, 1), fixed(c.Thermal.High*1e6, 1), fixed(c.PowerDensity*1e-3, 2), short(c.Rate), fixed(100*c.PeakLoss, 1)})
	}
	t.write(w)
}

func installationTable(w *strings.Builder, test *testfile.Test, r *expect.Report) {
	zone := expect.Zone(test)
	section(w, "Installation", fmt.Sprintf("Where a channel may be believed: within its adhesive's temperatures, after the end of cure (times in %s). "+
		"Ranges of adhesives that the record does not narrow: common practice, no source.", printable.Text(zone.String())))
	t := columns("channel", "gauge", "input", "record", ">from degC", ">to degC", "cured", "signed")
	for _, c := range r.Channels {
		cured := "-"
		if at := c.Envelope.CuredAt; !at.IsZero() {
			cured = at.In(zone).Format("2006-01-02 15:04")
		}
		signed := "no"
		if c.Envelope.Signed {
			signed = "yes"
		}
		record := c.Installation
		if record == "" {
			record = "none"
		}
		t.rows = append(t.rows, []string{printable.Text(c.Name), printable.Text(c.Wire.Gauge.Text), printable.Text(c.Wire.Input.Text), printable.Text(record),
			fixed(c.Envelope.Lowest, 0), fixed(c.Envelope.Highest, 0), cured, signed})
	}
	t.write(w)
}

func rosetteTable(w *strings.Builder, r *expect.Report) {
	if len(r.Rosettes) == 0 {
		return
	}
	section(w, "Rosettes", "Angles of the grids from the article's x axis, counterclockwise, after the sense of numbering.")
	t := columns("rosette", "form", "numbered", "grids and their angles in deg")
	for _, x := range r.Rosettes {
		var grids []string
		for i, g := range x.Grids {
			grids = append(grids, fmt.Sprintf("%s %s", printable.Text(g), short(x.Angles[i]*180/math.Pi)))
		}
		t.rows = append(t.rows, []string{printable.Text(x.Name), x.Form, x.Sense, strings.Join(grids, ", ")})
	}
	t.write(w)
}

func materialTable(w *strings.Builder, r *expect.Report) {
	section(w, "Materials", "The sources of figures from the built-in library are among the findings.")
	t := columns("material", ">E GPa", ">Poisson", ">expansion um/m/K", ">yield MPa", "figures")
	for _, m := range r.Materials {
		quantity := func(q testfile.Quantity, scale float64, decimals int) string {
			return fixed(q.Or(math.NaN())*scale, decimals)
		}
		origin := "the file's own"
		if m.Library {
			origin = "built-in library, at least in part"
		}
		t.rows = append(t.rows, []string{printable.Text(m.Name), quantity(m.Data.Young, 1e-9, 1), quantity(m.Data.Poisson, 1, 3),
			quantity(m.Data.Expansion, 1e6, 1), quantity(m.Data.Yield, 1e-6, 0), origin})
	}
	t.write(w)
}

// writeFindings prints what was found; subjects of one kind with the same
// findings share them.
func writeFindings(w *strings.Builder, subjects []expect.Subject) {
	fmt.Fprintf(w, "\nFindings\n")
	tally := map[expect.Word]int{}
	done := make([]bool, len(subjects))
	for i, s := range subjects {
		if done[i] {
			continue
		}
		names := []string{printable.Text(s.Name)}
		for k := i + 1; k < len(subjects); k++ {
			if subjects[k].Kind == s.Kind && slices.Equal(subjects[k].Findings, s.Findings) {
				names, done[k] = append(names, printable.Text(subjects[k].Name)), true
			}
		}
		kind := s.Kind
		if len(names) > 1 && kind != "auxiliary" {
			kind += "s"
		}
		paragraph(w, kind+" ", "    ", strings.Join(names, ", "))
		for _, f := range s.Findings {
			tally[f.Word] += len(names)
			text := f.Text
			if f.Source != "" {
				text += " (" + f.Source + ")"
			}
			paragraph(w, fmt.Sprintf("  %-8s", f.Word), strings.Repeat(" ", 10), printable.Text(text))
		}
	}
	var counts []string
	for _, word := range []expect.Word{expect.Broken, expect.Caution, expect.Missing, expect.Note} {
		counts = append(counts, fmt.Sprintf("%d %s", tally[word], word))
	}
	fmt.Fprintf(w, "%s\n", strings.Join(counts, ", "))
}

// lineWidth is what fits most screens and printers.
const lineWidth = 120

// paragraph writes text after first, broken between words, further lines
// indented.
func paragraph(w *strings.Builder, first, indent, text string) {
	column := utf8.RuneCountInString(first[strings.LastIndexByte(first, '\n')+1:])
	w.WriteString(first + broken(text, column, lineWidth, indent) + "\n")
}

// fixed writes a number with so many decimals; "-" when there is none.
func fixed(v float64, decimals int) string {
	switch {
	case math.IsNaN(v):
		return "-"
	case math.IsInf(v, 0):
		return "any"
	}
	s := fmt.Sprintf("%.*f", decimals, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-") // rounding noise has no sign
	}
	return s
}

// short writes a number that somebody chose.
func short(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return fmt.Sprintf("%.4g", v)
}

func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
