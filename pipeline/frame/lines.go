package frame

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"glueline/pipeline/testfile"
)

// Lines reads CSV that comes a line at a time, by the rules of raw files.
type Lines struct {
	rows *csvRows
	row  *block
}

// NewLines makes out the form of the lines from the header, which is line
// number at of what is called name, and the first row behind it. The error is
// an InputError: the form is not that of the source, or an input that the test
// file mentions is missing.
func NewLines(name string, test *testfile.Test, source string, header, first []byte, at int) (*Lines, error) {
	declared, ok := test.Sources.Get(source)
	if !ok {
		return nil, &InputError{File: name, Found: fmt.Sprintf("the source %q", source), Want: "the test file declares " + sourceNames(test)}
	}
	p := &preamble{}
	if err := p.find(name, header, true); err != nil {
		var input *InputError
		if errors.As(err, &input) {
			input.Row = at
		}
		return nil, err
	}
	p.sample, p.line = first, at
	form, err := newCSVForm(name, p, &declared.CSV, test.About.Zone.Text)
	if err != nil {
		return nil, err
	}
	if missing := missingInputs(InputsInUse(test, source), form.columns); len(missing) > 0 {
		return nil, &InputError{File: name, Row: at, Found: "the columns " + describe(form.columns),
			Want: fmt.Sprintf("the test file also has inputs %s of %s", strings.Join(missing, ", "), source)}
	}
	l := &Lines{rows: newCSVRows(name, nil, p, form)}
	l.rows.buffer = nil // lines come from outside
	l.row = (&blockPool{rows: 1}).get(len(form.columns))
	l.row.own(form.columns)
	return l, nil
}

// Columns are the names and units of the readings, in the order of the header.
func (l *Lines) Columns() []Column { return l.rows.form.columns }

// Row reads line number at, which ends in a line feed, and appends its readings
// to dst, NaN where one is missing. The error is an InputError; the next line
// may be sound. Whether times rise is for the caller to look at.
func (l *Lines) Row(dst []float64, line []byte, at int) (time int64, readings []float64, err error) {
	l.rows.line, l.rows.last = at, math.MinInt64
	if err := l.rows.parse(line, l.row, 0); err != nil {
		return 0, dst, err
	}
	for i := range l.rows.form.columns {
		dst = append(dst, l.row.ownFloat[i][0])
	}
	return l.row.ownTime[0], dst, nil
}

// Instants reads times that are written as in raw files.
type Instants struct{ clock clock }

// NewInstants takes the zone of times that state none; "" is none declared, and
// refuses them.
func NewInstants(zone string) (*Instants, error) {
	i := new(Instants)
	if zone == "" {
		return i, nil
	}
	var err error
	i.clock.zone, err = loadZone(zone)
	return i, err
}

// Parse returns nanoseconds since 1970-01-01 UTC.
func (i *Instants) Parse(text []byte) (int64, error) {
	t, fault := i.clock.parseInstant(text)
	if fault != nil {
		return 0, errors.New(fault.found + "; " + fault.want)
	}
	return t, nil
}

// InputsInUse lists the inputs of a source that the test file mentions.
func InputsInUse(test *testfile.Test, source string) []string { return inputsInUse(test)[source] }
