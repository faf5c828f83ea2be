package export

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/sinks/segment"
)

// Flagged says what becomes of a value that a flag leaves out (flag.LeavesOut).
type Flagged uint8

// What becomes of it.
const (
	Keep Flagged = iota // it stays, its flags beside it
	Null                // it is left empty
	Drop                // as Null; and a row without any value left of channels that are flagged anywhere is dropped whole
)

// Options are what is asked for.
type Options struct {
	From, To  int64                // ns since 1970 UTC, To excluded; both 0: everything
	Want      func(of string) bool // channel, rosette, temperature or quantity; nil: all
	Rows      int                  // so many rows make one; 0 or 1: none are put together
	Every     time.Duration        // or so long a stretch, from whole multiples since 1970 UTC on
	Flagged   Flagged
	Practical bool // um/m, MPa and degrees, instead of the segments' m/m, Pa and rad
	Tare      *Tare
	Done      func(bytes int64) // is told of what was read; may be nil
}

// Tare is what is subtracted: each strain's and stress's mean over a stretch, of the
// samples that no flag leaves out. It has a name, which the columns carry.
type Tare struct {
	Name     string
	From, To int64 // ns since 1970 UTC, To excluded
}

func (o *Options) grouped() bool { return o.Rows > 1 || o.Every > 0 }

func (o *Options) inside(t int64) bool { return t >= o.From && (o.To == 0 || t < o.To) }

// touches reports whether a file has a row that is asked for, or may have.
func (o *Options) touches(f segment.File) bool {
	return f.Rows > 0 && f.LastTime >= o.From && (o.To == 0 || f.FirstTime < o.To)
}

// Source is the files of one source, in the order of its journal.
type Source struct {
	Name  string
	Dir   string
	Files []segment.File
}

// Kind is what a column of a table holds.
type Kind uint8

// The kinds of columns.
const (
	Time  Kind = iota // ns since 1970 UTC
	Count             // a whole number from 0 up
	Value             // may be empty
	Flags             // a flag.Mask
)

// Column describes a column of a table.
type Column struct {
	Name     string   `json:"name"` // with its unit
	Of       string   `json:"of,omitempty"`
	Quantity string   `json:"quantity,omitempty"`
	Unit     string   `json:"unit,omitempty"`
	Note     string   `json:"note,omitempty"`
	Sum      string   `json:"of_the_rows,omitempty"` // min, max, mean, used, where rows were put together
	Tare     *float64 `json:"tare,omitempty"`        // what was subtracted, in Unit
	Kind     Kind     `json:"-"`
}

// Report is what came of a source.
type Report struct {
	Rows     int64
	First    int64 // time of the first row; 0 without rows
	Last     int64
	Columns  []Column
	Dropped  int64    // rows, by Drop
	Left     []string // columns that a tare has no meaning for, and that are left out
	Constant []string // digests of the constants that the rows were made with
}

// Table takes the rows of a source, in order.
type Table interface {
	// Begin is called once, before the first row.
	Begin(columns []Column) error
	// Row takes the values of a row: whole numbers of columns of Time, Count and
	// Flags, and values, NaN for empty, in the order of columns.
	Row(whole []int64, values []float64) error
	// Close ends the table; about is put beside its columns where the form has
	// room for that.
	Close(about [][2]string) error
}

// ErrTare occurs when a tare has no reading.
var ErrTare = errors.New("no reading to tare by")

// ErrNothing occurs when a source has none of the columns that are asked for.
var ErrNothing = errors.New("no column of it is asked for")

// Columns finds the columns that Write makes of a source; their tares are not known
// yet.
func Columns(s Source, o Options) ([]Column, error) {
	w := &work{Options: o, source: s}
	if err := w.plan(); err != nil {
		return nil, err
	}
	return w.columns, nil
}

// Write writes the rows of a source. With a tare it reads what that covers first.
func Write(ctx context.Context, s Source, t Table, o Options) (*Report, error) {
	w := &work{Options: o, source: s, table: t}
	if err := w.plan(); err != nil {
		return nil, err
	}
	if o.Tare != nil {
		if err := w.tare(ctx); err != nil {
			return nil, err
		}
	}
	if err := t.Begin(w.columns); err != nil {
		return nil, err
	}
	err := w.each(ctx, func(f segment.File) bool { return o.touches(f) }, w.batch, o.Done)
	if err == nil && w.Options.grouped() {
		err = w.flush()
	}
	if err != nil {
		return nil, err
	}
	w.report.Columns = w.columns
	return &w.report, nil
}

// work is an export under way.
type work struct {
	Options
	source  Source
	table   Table
	columns []Column // of the table
	series  []series
	flags   []string // names of the series' flag columns: a channel or rosette each
	report  Report
	bin     bin
	whole   []int64
	values  []float64
}

// series is a column of values in the segments.
type series struct {
	name  string // in the segments
	flags int    // in work.flags; -1 for none
	axis  bool   // a direction: no least and no largest, and a mean of its own
	scale float64
	tare  float64 // in the segments' unit
}

// practical is the unit that people read, and the factor to it.
func practical(unit string) (string, float64) {
	switch unit {
	case "m/m":
		return "um/m", 1e6
	case "Pa":
		return "MPa", 1e-6
	case "rad":
		return "deg", 180 / math.Pi
	}
	return unit, 1
}

// linear reports whether the difference of two values of a column is the value of
// their difference: a principal strain's is not.
func linear(f segment.Field) bool {
	switch group.Quantity(about(f, "quantity")) {
	case group.Strain, group.Shear, group.Indicated, group.Stress, group.ShearStress:
		return true
	case group.Rosette:
		name := strings.TrimPrefix(f.Name, about(f, "of")+" ")
		return strings.HasPrefix(name, "ex ") || strings.HasPrefix(name, "ey ") || strings.HasPrefix(name, "gxy ")
	}
	return false
}

// taring reports whether a tare is meant for a quantity at all.
func taring(q group.Quantity) bool { return q != group.Temperature && q != group.Auxiliary }

func about(f segment.Field, key string) string {
	for _, m := range f.Metadata {
		if m[0] == key {
			return m[1]
		}
	}
	return ""
}

// plan finds the columns in all files: a channel may come and go.
func (w *work) plan() error {
	w.columns = []Column{{Name: "time", Kind: Time}, {Name: "sample", Kind: Count}}
	if w.grouped() {
		w.columns = []Column{{Name: "time", Kind: Time, Note: "of the first row; with a stretch of time, its beginning"}, {Name: "rows", Kind: Count, Note: "that were put together"}}
	}
	known := map[string]bool{}
	digests := map[string]bool{}
	for _, f := range w.source.Files {
		if !w.touches(f) {
			continue
		}
		s, err := segment.ReadCommitted(w.source.Dir, f)
		if err != nil {
			return err
		}
		for _, m := range s.Metadata {
			if m[0] == "calibration" && !digests[m[1]] {
				digests[m[1]] = true
				w.report.Constant = append(w.report.Constant, m[1])
			}
		}
		flagged := map[string]bool{}
		for _, field := range s.Fields[2:] {
			if field.Kind == segment.Flags {
				flagged[about(field, "of")] = true
			}
		}
		for _, field := range s.Fields[2:] {
			of := about(field, "of")
			if field.Kind == segment.Float && !known[field.Name] && (w.Want == nil || w.Want(of)) {
				known[field.Name] = true
				w.add(field, flagged[of])
			}
		}
		if err := s.Close(); err != nil {
			return err
		}
	}
	if len(w.series) == 0 {
		return fmt.Errorf("source %s: %w", w.source.Name, ErrNothing)
	}
	// Flags stand behind the values that they belong to.
	for _, of := range w.flags {
		c := Column{Name: of + " flags", Of: of, Quantity: string(group.FlagMask), Kind: Flags}
		if w.grouped() {
			c.Note = "of any of the rows"
		}
		w.columns = append(w.columns, c)
	}
	w.bin.begin(len(w.series), len(w.flags))
	return nil
}

func (w *work) add(f segment.Field, flagged bool) {
	of, quantity := about(f, "of"), group.Quantity(about(f, "quantity"))
	if w.Tare != nil && taring(quantity) && !linear(f) {
		w.report.Left = append(w.report.Left, f.Name)
		return
	}
	x := series{name: f.Name, flags: -1, axis: f.Unit == "rad", scale: 1, tare: math.NaN()}
	if flagged {
		for i, name := range w.flags {
			if name == of {
				x.flags = i
			}
		}
		if x.flags < 0 {
			x.flags = len(w.flags)
			w.flags = append(w.flags, of)
		}
	}
	unit := f.Unit
	if w.Practical {
		unit, x.scale = practical(unit)
	}
	base := strings.TrimSuffix(f.Name, " ["+f.Unit+"]")
	if w.Tare != nil && taring(quantity) {
		base += " less " + w.Tare.Name
		x.tare = 0
	}
	put := func(sum string) {
		c := Column{Name: base, Of: of, Quantity: string(quantity), Unit: unit, Note: about(f, "note"), Sum: sum, Kind: Value}
		if sum != "" {
			c.Name += " " + sum
		}
		if sum == "used" {
			c.Kind, c.Unit, c.Note = Count, "", "rows in the mean"
		}
		if c.Unit != "" {
			c.Name += " [" + c.Unit + "]"
		}
		w.columns = append(w.columns, c)
	}
	switch {
	case !w.grouped():
		put("")
	case x.axis:
		put("mean")
		put("used")
	default:
		put("min")
		put("max")
		put("mean")
		put("used")
	}
	w.series = append(w.series, x)
}

// each hands out the batches of the files that are chosen, with the place of each
// series and each flag column in them, -1 where a file has none.
func (w *work) each(ctx context.Context, chosen func(segment.File) bool, visit func(b *segment.Batch, at, masks []int) error, done func(int64)) error {
	at, masks := make([]int, len(w.series)), make([]int, len(w.flags))
	for _, f := range w.source.Files {
		if !chosen(f) {
			continue
		}
		s, err := segment.ReadCommitted(w.source.Dir, f)
		if err != nil {
			return err
		}
		places, flags := map[string]int{}, map[string]int{}
		for i, field := range s.Fields[2:] {
			if field.Kind == segment.Flags {
				flags[about(field, "of")] = i
			} else {
				places[field.Name] = i
			}
		}
		find := func(in map[string]int, name string) int {
			if i, ok := in[name]; ok {
				return i
			}
			return -1
		}
		for i := range w.series {
			at[i] = find(places, w.series[i].name)
		}
		for i, of := range w.flags {
			masks[i] = find(flags, of)
		}
		for err == nil {
			if err = ctx.Err(); err != nil {
				break
			}
			var b *segment.Batch
			if b, err = s.Next(); err == nil {
				err = visit(b, at, masks)
			}
		}
		if err := errors.Join(ignoringEnd(err), s.Close()); err != nil {
			return err
		}
		if done != nil {
			done(f.Bytes)
		}
	}
	return nil
}

func ignoringEnd(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// tare takes the means to be subtracted.
func (w *work) tare(ctx context.Context) error {
	n, mean := make([]float64, len(w.series)), make([]float64, len(w.series))
	within := Options{From: w.Tare.From, To: w.Tare.To}
	err := w.each(ctx, within.touches, func(b *segment.Batch, at, masks []int) error {
		for i := range w.series {
			x := &w.series[i]
			if x.tare != x.tare || at[i] < 0 {
				continue
			}
			for row, v := range b.Columns[at[i]].Float {
				if v != v || !within.inside(b.Time[row]) || leftOut(b, masks, x.flags, row) {
					continue
				}
				n[i]++
				mean[i] += (v - mean[i]) / n[i]
			}
		}
		return nil
	}, nil)
	if err != nil {
		return err
	}
	for i := range w.series {
		x := &w.series[i]
		switch {
		case x.tare != x.tare:
		case n[i] == 0:
			return fmt.Errorf("%s: %w %q in its stretch", x.name, ErrTare, w.Tare.Name)
		default:
			x.tare = mean[i]
		}
	}
	k := 2
	for i := range w.series {
		x := &w.series[i]
		for end := k + w.width(x); k < end; k++ {
			if x.tare == x.tare && w.columns[k].Kind == Value {
				tare := x.tare * x.scale
				w.columns[k].Tare = &tare
			}
		}
	}
	return nil
}

// width is how many columns a series has.
func (w *work) width(x *series) int {
	switch {
	case !w.grouped():
		return 1
	case x.axis:
		return 2
	}
	return 4
}

func leftOut(b *segment.Batch, masks []int, flags, row int) bool {
	return flags >= 0 && masks[flags] >= 0 && flag.Mask(b.Columns[masks[flags]].Flags[row])&flag.LeavesOut != 0
}

// batch takes the rows of a batch.
func (w *work) batch(b *segment.Batch, at, masks []int) error {
	for row, t := range b.Time {
		if !w.inside(t) {
			continue
		}
		kept := w.Flagged != Drop
		w.values = w.values[:0]
		for i := range w.series {
			x := &w.series[i]
			v := math.NaN()
			if at[i] >= 0 {
				v = b.Columns[at[i]].Float[row]
			}
			if w.Flagged != Keep && leftOut(b, masks, x.flags, row) {
				v = math.NaN()
			}
			kept = kept || v == v && x.flags >= 0
			if x.tare == x.tare {
				v -= x.tare
			}
			w.values = append(w.values, v*x.scale)
		}
		if !kept && len(w.flags) > 0 {
			w.report.Dropped++
			continue
		}
		if w.grouped() {
			if err := w.put(t, b, masks, row); err != nil {
				return err
			}
			continue
		}
		w.whole = append(w.whole[:0], t, int64(b.Counter[row]))
		for i := range w.flags {
			mask := int64(0)
			if masks[i] >= 0 {
				mask = int64(b.Columns[masks[i]].Flags[row])
			}
			w.whole = append(w.whole, mask)
		}
		if err := w.row(t); err != nil {
			return err
		}
	}
	return nil
}

// row hands a row on.
func (w *work) row(t int64) error {
	if w.report.Rows == 0 {
		w.report.First = t
	}
	w.report.Rows, w.report.Last = w.report.Rows+1, t
	return w.table.Row(w.whole, w.values)
}
