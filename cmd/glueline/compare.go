package main

import (
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"glueline/pipeline/event"
	"glueline/pipeline/follow"
	"glueline/pipeline/printable"
	"glueline/pipeline/steps"
	"glueline/sinks/compare"
	"glueline/sinks/compare/plot"
	"glueline/sinks/segment"
)

type compareCommand struct {
	A        string   `arg:"" help:"The first reduction: results of reduce, the data folder of a service (its revision that holds), or one of its revisions, data/r1."`
	B        string   `arg:"" help:"The second; differences are its values less those of the first."`
	Channels []string `help:"These channels, rosettes, temperatures and quantities only."`
	CSV      bool     `name:"csv" xor:"form" help:"Comma-separated, a line a column and step, every digit, in the units of the segments."`
	JSON     bool     `name:"json" xor:"form" help:"All of it for programs, in the units of the segments."`
	Plots    string   `placeholder:"FOLDER" help:"Draw each column that differs into a new folder, as SVG and as PNG."`
	Test     string   `help:"Test file with the S-N curves that damage is summed by; by default those that serve kept in a data folder."`
	Quiet    bool     `short:"q" help:"No progress bar."`
}

// Run shows how far two reductions are apart.
func (c *compareCommand) Run(ctx context.Context, s streams) error {
	if c.Plots != "" {
		if entries, err := os.ReadDir(c.Plots); err == nil && len(entries) > 0 {
			return fmt.Errorf("--plots %s: it holds something already; name a new folder", c.Plots)
		}
	}
	var sides [2]*reductionSide
	for i, dir := range []string{c.A, c.B} {
		var err error
		if sides[i], err = openSide(dir); err != nil {
			return err
		}
	}
	out, err := c.compare(ctx, s, sides[0], sides[1])
	if err != nil {
		return err
	}
	if c.Plots != "" {
		if err := out.plots(c.Plots); err != nil {
			return err
		}
	}
	switch {
	case c.CSV:
		return out.csv(s.out)
	case c.JSON:
		e := json.NewEncoder(s.out)
		e.SetIndent("", "  ")
		return e.Encode(out.said())
	}
	out.print(s.out)
	return nil
}

// reductionSide is one of two reductions.
type reductionSide struct {
	asked   string // as it was named
	results *results
	draft   string // what is said of a revision that is not released
	from    int64  // of its first row
	to      int64  // behind its last
	bytes   int64
}

func openSide(dir string) (*reductionSide, error) {
	r, err := openResults(dir)
	if err != nil {
		return nil, err
	}
	side := &reductionSide{asked: dir, results: r, draft: saysDraft(dir), from: math.MaxInt64, to: math.MinInt64}
	for _, f := range side.files() {
		side.bytes += f.Bytes
		if f.Rows > 0 {
			side.from, side.to = min(side.from, f.FirstTime), max(side.to, f.LastTime+1)
		}
	}
	return side, nil
}

func (r *reductionSide) files() (all []segment.File) {
	for _, g := range r.results.groups {
		all = append(all, g.files...)
	}
	return all
}

// revisionOf is the revision that a folder is or, of a data folder, has in force;
// "" for another folder.
func revisionOf(dir string) (data, name string, err error) {
	if isFolder(filepath.Join(dir, reducedFolder)) {
		name, err = currentRevision(dir)
		return dir, name, err
	}
	whole, err := filepath.Abs(dir)
	if err != nil {
		return "", "", fmt.Errorf("%s: %w", dir, err)
	}
	if name = filepath.Base(whole); event.IsRevision(name) && isFolder(filepath.Join(filepath.Dir(whole), rawFolder)) {
		return filepath.Dir(whole), name, nil
	}
	return "", "", nil
}

// comparison is what came of two sides.
type comparison struct {
	a, b   *reductionSide
	span   compare.Window
	steps  []steps.Step
	result *compare.Result
	damage []damageChange
}

// damageChange is what fatigue makes of a channel in both sides.
type damageChange struct {
	Channel string     `json:"channel"`
	Cycles  [2]float64 `json:"cycles"` // a half cycle counts half
	A       *float64   `json:"a"`      // null where no S-N curve is known on that side
	B       *float64   `json:"b"`
}

func (c *compareCommand) compare(ctx context.Context, s streams, a, b *reductionSide) (*comparison, error) {
	out := &comparison{a: a, b: b, span: compare.Window{From: min(a.from, b.from), To: max(a.to, b.to)}}
	out.findSteps()
	var windows []compare.Window
	for _, w := range out.steps {
		windows = append(windows, compare.Window{From: w.Hold, To: cmp.Or(w.End, math.MaxInt64)})
	}
	o := compare.Options{Windows: windows}
	if len(c.Channels) > 0 {
		o.Want = func(of string) bool { return slices.Contains(c.Channels, of) }
	}
	if c.Plots != "" {
		o.Bins, o.Span = plot.Width, out.span
	}
	bar := newProgress(s.err, "comparing", c.Quiet)
	defer bar.Close()
	bar.Begin(a.bytes + b.bytes)
	var done int64
	o.Done = func(bytes int64) { done += bytes; bar.Set(done) }
	var err error
	out.result, err = compare.Sides(ctx, compare.Side{Dir: a.results.dir, Files: a.files()}, compare.Side{Dir: b.results.dir, Files: b.files()}, o)
	if errors.Is(err, context.Canceled) {
		return nil, errInterrupted
	}
	if err != nil {
		return nil, err
	}
	bar.Close()
	for _, name := range c.Channels {
		if !slices.ContainsFunc(out.result.Columns, func(x *compare.Column) bool { return x.Of == name }) {
			return nil, fmt.Errorf("no channel %q in %s and %s", name, c.A, c.B)
		}
	}
	if err := out.unrelated(); err != nil {
		return nil, err
	}
	return out, out.fatigue(ctx, s, c)
}

// unrelated is an error where nothing of one side is beside anything of the other.
func (c *comparison) unrelated() error {
	if !slices.ContainsFunc(c.result.Columns, func(x *compare.Column) bool { return x.InA && x.InB }) {
		return fmt.Errorf("%s and %s have no column in common: compare shows two reductions of the same readings, as %s and another revision of it",
			c.a.asked, c.b.asked, c.a.asked)
	}
	if !slices.ContainsFunc(c.result.Sources, func(r compare.Rows) bool { return r.Both > 0 }) {
		return fmt.Errorf("%s and %s have no reading in common: the one goes from %s to %s, the other from %s to %s; compare shows two reductions of the same readings",
			c.a.asked, c.b.asked, moment(c.a.from), moment(c.a.to-1), moment(c.b.from), moment(c.b.to-1))
	}
	return nil
}

// findSteps takes the steps of both sides, those that are the same once.
func (c *comparison) findSteps() {
	var lists [2][][]event.Event
	for i, side := range []*reductionSide{c.a, c.b} {
		for _, g := range side.results.groups {
			lists[i] = append(lists[i], g.events)
		}
	}
	c.steps = steps.Steps(steps.Merge(lists[0]...))
	for _, other := range steps.Steps(steps.Merge(lists[1]...)) {
		if !slices.ContainsFunc(c.steps, func(x steps.Step) bool { return x.Name == other.Name && x.Hold == other.Hold && x.End == other.End }) {
			c.steps = append(c.steps, other)
		}
	}
	slices.SortStableFunc(c.steps, func(x, y steps.Step) int { return cmp.Compare(x.Hold, y.Hold) })
}

// fatigue compares the cycles and the damage of channels with an S-N curve. Where
// none can be known it reads nothing.
func (c *comparison) fatigue(ctx context.Context, s streams, command *compareCommand) error {
	known := map[string]*damageChange{}
	for i, side := range []*reductionSide{c.a, c.b} {
		data, _, err := revisionOf(side.asked)
		if err != nil {
			return err
		}
		if data == "" && command.Test == "" {
			continue
		}
		d := driftCommand{Results: side.asked, Test: command.Test, Quiet: command.Quiet}
		k, err := d.know(ctx, s)
		if err != nil {
			return fmt.Errorf("cycles of %s: %w", side.asked, err)
		}
		for j := range k.channels {
			h := &k.channels[j]
			if !h.Curve || len(command.Channels) > 0 && !slices.Contains(command.Channels, h.Channel) {
				continue
			}
			if known[h.Channel] == nil {
				known[h.Channel] = &damageChange{Channel: h.Channel}
			}
			known[h.Channel].take(i, h)
		}
	}
	for _, name := range sortedKeys(known) {
		c.damage = append(c.damage, *known[name])
	}
	return nil
}

func (d *damageChange) take(side int, h *follow.Health) {
	damage := h.Cycles.Damage
	d.Cycles[side] = float64(h.Cycles.Closed+h.Cycles.Open) / 2
	if side == 0 {
		d.A = &damage
	} else {
		d.B = &damage
	}
}

func (d *damageChange) differs() bool {
	return d.Cycles[0] != d.Cycles[1] || (d.A == nil) != (d.B == nil) || d.A != nil && *d.A != *d.B
}

// print lays out what differs.
func (c *comparison) print(w io.Writer) {
	for _, side := range []struct {
		name string
		*reductionSide
	}{{"A", c.a}, {"B", c.b}} {
		fmt.Fprintf(w, "%s: %s, from %s to %s\n", side.name, side.results.dir, moment(side.from), moment(side.to-1))
	}
	fmt.Fprintln(w, "Changes are those of B against A, over samples that no flag leaves out.")
	same, rounded, rows := 0, 0, int64(0)
	whole := table{head: []string{"column", "unit", "min", "change", "max", "change", "mean", "change", "largest difference", "at"},
		right: []bool{false, false, true, true, true, true, true, true, true, true}}
	held := table{head: []string{"step", "column", "unit", "min", "change", "max", "change", "mean", "change", "largest difference", "at"},
		right: []bool{false, false, false, true, true, true, true, true, true, true, true}}
	flags := table{head: []string{"of", "flag", "samples that gained it", "that lost it"}, right: []bool{false, false, true, true}}
	var alone []string
	for _, x := range c.result.Columns {
		for _, f := range x.Whole.FlagChanges() {
			flags.rows = append(flags.rows, []string{x.Of, f.Flag, strconv.FormatInt(f.Gained, 10), strconv.FormatInt(f.Lost, 10)})
		}
		switch {
		case !x.InA:
			alone = append(alone, x.Name+" is in B only.")
			continue
		case !x.InB:
			alone = append(alone, x.Name+" is in A only.")
			continue
		}
		if n := x.Whole.OnlyA; n > 0 {
			alone = append(alone, fmt.Sprintf("%s: %s in A only.", x.Name, count(int(n), "value")))
		}
		if n := x.Whole.OnlyB; n > 0 {
			alone = append(alone, fmt.Sprintf("%s: %s in B only.", x.Name, count(int(n), "value")))
		}
		if !x.Whole.Differs() {
			same++
			continue
		}
		if x.RoundingOnly(&x.Whole) {
			rounded++
			continue
		}
		whole.rows = append(whole.rows, append([]string{nameOf(x)}, changeInWords(x, &x.Whole)...))
	}
	for i := range c.steps {
		for _, x := range c.result.Columns {
			if x.InA && x.InB && x.In[i].Differs() && !x.RoundingOnly(&x.In[i]) {
				held.rows = append(held.rows, append([]string{c.steps[i].Name, nameOf(x)}, changeInWords(x, &x.In[i])...))
			}
		}
	}
	for _, r := range c.result.Sources {
		rows += r.Both
		if r.OnlyA > 0 || r.OnlyB > 0 {
			alone = append(alone, fmt.Sprintf("Source %s: %s in both, %d in A only, %d in B only, the first of them at %s.", r.Source, count(int(r.Both), "row"), r.OnlyA, r.OnlyB, moment(r.First)))
		}
	}
	for _, part := range []struct {
		title string
		*table
	}{{"", &whole}, {"While steps were held:", &held}, {"Flags:", &flags}} {
		if len(part.rows) == 0 {
			continue
		}
		fmt.Fprintln(w)
		if part.title != "" {
			fmt.Fprintln(w, part.title)
		}
		part.write(w)
	}
	c.printDamage(w)
	fmt.Fprintln(w)
	for _, line := range alone {
		fmt.Fprintln(w, printable.Text(line))
	}
	if same > 0 {
		fmt.Fprintf(w, "%s the same to the last bit, values and flags, in %s.\n", are(same, "column"), count(int(rows), "row"))
	}
	if rounded > 0 {
		fmt.Fprintf(w, "%s by rounding alone, less than 1e-12 of the largest value: not listed; --csv has every digit.\n", differ(rounded, "column"))
	}
	for i, side := range []*reductionSide{c.a, c.b} {
		if side.draft != "" && (i == 0 || side.draft != c.a.draft) {
			fmt.Fprintln(w, side.draft)
		}
	}
}

// are is "1 column is", "2 columns are".
func are(n int, thing string) string {
	if n == 1 {
		return count(n, thing) + " is"
	}
	return count(n, thing) + " are"
}

// differ is "1 column differs", "2 columns differ".
func differ(n int, thing string) string {
	if n == 1 {
		return count(n, thing) + " differs"
	}
	return count(n, thing) + " differ"
}

// nameOf is a column's name without its unit.
func nameOf(x *compare.Column) string { return strings.TrimSuffix(x.Name, " ["+x.Unit+"]") }

// changeInWords is from the unit on.
func changeInWords(x *compare.Column, c *compare.Change) []string {
	unit, scale, decimals := shownUnit(x.Unit)
	row := []string{unit}
	for i, v := range [][2]float64{{c.A.Min, c.B.Min}, {c.A.Max, c.B.Max}, {c.A.Mean, c.B.Mean}} {
		value, change := "-", "-"
		if known := !x.Axis() || i == 2; known && c.A.N > 0 {
			value = digits(v[0]*scale, decimals)
			if c.B.N > 0 {
				change = changed(x.Less(v[0], v[1])*scale, decimals+1)
			}
		}
		row = append(row, value, change)
	}
	if c.Largest == 0 {
		return append(row, "-", "")
	}
	return append(row, changed(c.Largest*scale, decimals+1), moment(c.When))
}

// changed is a change with its sign; one too small for its decimals is not shown
// as none.
func changed(v float64, decimals int) string {
	if v == 0 {
		return "0"
	}
	if math.Abs(v) < math.Pow(10, -float64(decimals)) {
		return strconv.FormatFloat(v, 'e', 0, 64)
	}
	return fmt.Sprintf("%+.*f", decimals, v)
}

func (c *comparison) printDamage(w io.Writer) {
	t := table{head: []string{"channel", "cycles", "change", "damage", "change"}, right: []bool{false, true, true, true, true}}
	form := func(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }
	for i := range c.damage {
		d := &c.damage[i]
		if !d.differs() {
			continue
		}
		row := []string{d.Channel, exact(d.Cycles[0]), fmt.Sprintf("%+g", d.Cycles[1]-d.Cycles[0]), "-", "-"}
		if d.A != nil {
			row[3] = form(*d.A)
		}
		switch {
		case d.A == nil:
			row[4] = "to " + form(*d.B) + ", by a curve in B only"
		case d.B == nil:
			row[4] = "no curve in B"
		case *d.A != *d.B:
			row[4] = "to " + form(*d.B)
			if *d.A > 0 {
				row[4] += fmt.Sprintf(" (x %.3g)", *d.B / *d.A)
			}
		}
		t.rows = append(t.rows, row)
	}
	if len(t.rows) > 0 {
		fmt.Fprintln(w, "\nCycles and their damage, on the S-N curves of the test file:")
		t.write(w)
	}
}

// csv writes every column, over all and by step.
func (c *comparison) csv(w io.Writer) error {
	out := csv.NewWriter(w)
	_ = out.Write([]string{"column", "of", "source", "quantity", "unit", "step", "hold_from", "hold_to", "values_a", "values_b", "rows",
		"min_a", "min_b", "min_change", "max_a", "max_b", "max_change", "mean_a", "mean_b", "mean_change", "mean_difference", "largest_difference", "largest_at",
		"rows_with_other_flags", "flags_gained", "flags_lost", "values_only_a", "values_only_b", "damage_a", "damage_b"})
	for _, x := range c.result.Columns {
		damage := c.damageOf(x)
		_ = out.Write(c.line(x, &x.Whole, nil, damage))
		for i := range x.In {
			_ = out.Write(c.line(x, &x.In[i], &c.steps[i], nil))
		}
	}
	out.Flush()
	return out.Error()
}

// damageOf is that of the channel whose strain a column is.
func (c *comparison) damageOf(x *compare.Column) *damageChange {
	if x.Unit != "m/m" {
		return nil
	}
	at := slices.IndexFunc(c.damage, func(d damageChange) bool { return d.Channel == x.Of })
	if at < 0 {
		return nil
	}
	return &c.damage[at]
}

func (c *comparison) line(x *compare.Column, d *compare.Change, step *steps.Step, damage *damageChange) []string {
	row := []string{x.Name, x.Of, x.Source, x.Quantity, x.Unit, "", "", ""}
	if step != nil {
		row[5], row[6], row[7] = step.Name, stamp(step.Hold), stamp(step.End)
	}
	row = append(row, strconv.FormatInt(d.A.N, 10), strconv.FormatInt(d.B.N, 10), strconv.FormatInt(d.Rows, 10))
	for i, v := range [][2]float64{{d.A.Min, d.B.Min}, {d.A.Max, d.B.Max}, {d.A.Mean, d.B.Mean}} {
		a, b := v[0], v[1]
		change := x.Less(a, b)
		if x.Axis() && i < 2 { // the least and the largest of directions are no directions that could turn
			change = math.NaN()
		}
		if d.A.N == 0 {
			a = math.NaN()
		}
		if d.B.N == 0 {
			b = math.NaN()
		}
		if d.A.N == 0 || d.B.N == 0 {
			change = math.NaN()
		}
		row = append(row, exact(a), exact(b), exact(change))
	}
	mean, largest := d.Mean, d.Largest
	if d.Rows == 0 {
		mean, largest = math.NaN(), math.NaN()
	}
	gained, lost := "", ""
	for _, f := range d.FlagChanges() {
		if f.Gained > 0 {
			gained += fmt.Sprintf(" %s:%d", f.Flag, f.Gained)
		}
		if f.Lost > 0 {
			lost += fmt.Sprintf(" %s:%d", f.Flag, f.Lost)
		}
	}
	row = append(row, exact(mean), exact(largest), stamp(d.When), strconv.FormatInt(d.Flags, 10), trimmed(gained), trimmed(lost),
		strconv.FormatInt(d.OnlyA, 10), strconv.FormatInt(d.OnlyB, 10), "", "")
	if damage != nil {
		n := len(row)
		if damage.A != nil {
			row[n-2] = exact(*damage.A)
		}
		if damage.B != nil {
			row[n-1] = exact(*damage.B)
		}
	}
	return row
}

func trimmed(list string) string {
	if list == "" {
		return ""
	}
	return list[1:]
}

// saidChange is a change as programs read it.
type saidChange struct {
	Step       string               `json:"step,omitempty"`
	From       string               `json:"hold_from,omitempty"`
	To         string               `json:"hold_to,omitempty"`
	A          *compare.Values      `json:"a"` // null without a value
	B          *compare.Values      `json:"b"`
	Rows       int64                `json:"rows"`
	Mean       *float64             `json:"mean_difference"`
	Largest    *float64             `json:"largest_difference"`
	When       string               `json:"largest_at,omitempty"`
	OtherFlags int64                `json:"rows_with_other_flags"`
	Flags      []compare.FlagChange `json:"flags,omitempty"`
	OnlyA      int64                `json:"values_only_a"`
	OnlyB      int64                `json:"values_only_b"`
}

func sayChange(d *compare.Change, step *steps.Step) saidChange {
	s := saidChange{Rows: d.Rows, When: stamp(d.When), OtherFlags: d.Flags, Flags: d.FlagChanges(), OnlyA: d.OnlyA, OnlyB: d.OnlyB}
	if step != nil {
		s.Step, s.From, s.To = step.Name, stamp(step.Hold), stamp(step.End)
	}
	if d.A.N > 0 {
		s.A = &d.A
	}
	if d.B.N > 0 {
		s.B = &d.B
	}
	if d.Rows > 0 {
		s.Mean, s.Largest = stated(d.Mean), stated(d.Largest)
	}
	return s
}

type saidColumn struct {
	Column   string       `json:"column"`
	Of       string       `json:"of"`
	Source   string       `json:"source"`
	Quantity string       `json:"quantity"`
	Unit     string       `json:"unit"`
	InA      bool         `json:"in_a"`
	InB      bool         `json:"in_b"`
	Differs  bool         `json:"differs"`
	Whole    saidChange   `json:"whole"`
	Steps    []saidChange `json:"steps,omitempty"`
}

type saidSource struct {
	Source string `json:"source"`
	Both   int64  `json:"rows_in_both"`
	OnlyA  int64  `json:"rows_only_a"`
	OnlyB  int64  `json:"rows_only_b"`
	First  string `json:"first_of_one_side,omitempty"`
}

type saidSide struct {
	Folder string `json:"folder"`
	From   string `json:"from"`
	To     string `json:"to"`
	Draft  string `json:"draft,omitempty"`
}

type saidComparison struct {
	A       saidSide       `json:"a"`
	B       saidSide       `json:"b"`
	Columns []saidColumn   `json:"columns"`
	Sources []saidSource   `json:"sources"`
	Damage  []damageChange `json:"damage"`
}

func (c *comparison) said() saidComparison {
	side := func(s *reductionSide) saidSide {
		return saidSide{s.results.dir, stamp(s.from), stamp(s.to - 1), s.draft}
	}
	out := saidComparison{A: side(c.a), B: side(c.b), Columns: []saidColumn{}, Sources: []saidSource{}, Damage: append([]damageChange{}, c.damage...)}
	for _, x := range c.result.Columns {
		s := saidColumn{x.Name, x.Of, x.Source, x.Quantity, x.Unit, x.InA, x.InB, x.Whole.Differs(), sayChange(&x.Whole, nil), nil}
		for i := range x.In {
			s.Steps = append(s.Steps, sayChange(&x.In[i], &c.steps[i]))
		}
		out.Columns = append(out.Columns, s)
	}
	for _, r := range c.result.Sources {
		out.Sources = append(out.Sources, saidSource{r.Source, r.Both, r.OnlyA, r.OnlyB, stamp(r.First)})
	}
	return out
}
