package main

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
	"glueline/sinks/segment"
)

type stepsCommand struct {
	Results  string   `arg:"" name:"folder" default:"glueline-data" help:"The data folder of a service, or the results of a reduction."`
	Channels []string `help:"These channels only."`
	CSV      bool     `name:"csv" help:"Comma-separated, every digit: strain in m/m, loads in their own unit."`
	Shunts   bool     `help:"The shunt checks instead of the load steps."`
	Now      bool     `help:"Of a running service: end its files first, so that everything up to now is in them."`
}

// Run reports committed files by their steps, whoever made them.
func (c *stepsCommand) Run(ctx context.Context, s streams) (err error) {
	if c.Now {
		control := newControl(c.Results)
		if err := control.cut(ctx, event.Event{Who: "glueline steps", Why: "asked for the steps up to now"}); err != nil {
			return err
		}
	}
	r, err := openResults(c.Results)
	if err != nil {
		return err
	}
	if err := r.only(c.Channels); err != nil {
		return err
	}
	defer func() {
		if line := saysDraft(c.Results); line != "" && err == nil && !c.CSV {
			fmt.Fprintf(s.out, "\n%s\n", line)
		}
	}()
	if c.Shunts {
		checks, err := r.checks()
		if err != nil {
			return err
		}
		return printChecks(s.out, checks, c.CSV)
	}
	rows, err := r.steps()
	if err != nil {
		return err
	}
	return printSteps(s.out, rows, r.loadUnit, c.CSV)
}

// results is a folder of committed segments, read by what stands in them.
type results struct {
	dir      string
	groups   []*groupResults
	load     string // name of the auxiliary quantity that strain is read against
	loadUnit string
}

type groupResults struct {
	name     string
	files    []segment.File
	events   []event.Event
	channels []group.ChannelConstants
	zeros    []steps.ZeroAt
}

// openResults reads the commit records of a folder; of a service's data folder
// those of its reduced files. A revision that is not finished is refused, since a part
// of it looks like the whole.
func openResults(dir string) (*results, error) {
	if err := refuseUnfinished(dir); err != nil {
		return nil, err
	}
	dir, err := resultsIn(dir)
	if err != nil {
		return nil, err
	}
	paths, err := filepath.Glob(filepath.Join(dir, "*.commit.json"))
	if err != nil {
		return nil, err
	}
	if len(paths) == 0 {
		return nil, nothingIn(dir)
	}
	sort.Strings(paths)
	r := &results{dir: dir}
	for _, path := range paths {
		record, err := segment.ReadCommit(path)
		if err != nil {
			return nil, err
		}
		if record.Load != "" {
			r.load = record.Load
		}
		g := r.group(record.Group)
		g.files = append(g.files, record.Files...)
		g.events = append(g.events, record.Events...)
		for _, z := range record.Zeros {
			g.zeros = append(g.zeros, steps.ZeroAt{Channel: z.Channel, From: z.From, To: z.To, Zero: z.OfGroup().Counted()})
		}
	}
	for _, g := range r.groups {
		g.events = steps.Merge(g.events)
		if err := r.learn(g); err != nil {
			return nil, err
		}
	}
	return r, nil
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

func (r *results) group(name string) *groupResults {
	for _, g := range r.groups {
		if g.name == name {
			return g
		}
	}
	g := &groupResults{name: name}
	r.groups = append(r.groups, g)
	return g
}

// learn finds the channels of a group, with their constants, and the load.
func (r *results) learn(g *groupResults) error {
	known := map[string]bool{}
	for _, f := range g.files {
		s, err := segment.ReadCommitted(r.dir, f)
		if err != nil {
			return err
		}
		for _, field := range s.Fields[2:] {
			text, of := metadata(field, "constants"), metadata(field, "of")
			if of == r.load && group.Quantity(metadata(field, "quantity")) == group.Auxiliary {
				r.loadUnit = field.Unit
			}
			if text == "" || known[of] {
				continue
			}
			known[of] = true
			c, err := group.ReadConstants(text)
			if err != nil {
				return errors.Join(fmt.Errorf("%s: %w", f.Name, err), s.Close())
			}
			g.channels = append(g.channels, c)
		}
		if err := s.Close(); err != nil {
			return err
		}
	}
	return nil
}

// only leaves the named channels, all when none is named.
func (r *results) only(names []string) error {
	if len(names) == 0 {
		return nil
	}
	var found []string
	for _, g := range r.groups {
		g.channels = slices.DeleteFunc(g.channels, func(c group.ChannelConstants) bool { return !slices.Contains(names, c.Name) })
		for _, c := range g.channels {
			found = append(found, c.Name)
		}
	}
	for _, name := range names {
		if !slices.Contains(found, name) {
			return fmt.Errorf("no channel %q in %s", name, r.dir)
		}
	}
	return nil
}

func (r *results) steps() ([]steps.Row, error) {
	var all []steps.Row
	for _, g := range r.groups {
		rows, err := steps.Report(g.events, g.channels, r.source(g))
		if err != nil {
			return nil, err
		}
		all = append(all, rows...)
	}
	return all, nil
}

func (r *results) checks() ([]steps.Check, error) {
	var all []steps.Check
	for _, g := range r.groups {
		checks, err := steps.Checks(g.events, g.channels, g.zeros, r.source(g))
		if err != nil {
			return nil, err
		}
		all = append(all, checks...)
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].On < all[j].On })
	return all, nil
}

// source hands out the series of a group's channels, its temperatures, and the
// load from whatever group it is in.
func (r *results) source(of *groupResults) steps.Source {
	wanted := map[string]bool{}
	for _, c := range of.channels {
		wanted[c.Name] = true
	}
	return func(visit func(steps.Series)) error {
		for _, g := range r.groups {
			for _, f := range g.files {
				if err := r.read(f, g == of, wanted, visit); err != nil {
					return err
				}
			}
		}
		return nil
	}
}

// read hands out what one segment has: all that is wanted of the group's own,
// the load alone of another's.
func (r *results) read(f segment.File, own bool, wanted map[string]bool, visit func(steps.Series)) error {
	s, err := segment.ReadCommitted(r.dir, f)
	if err != nil {
		return err
	}
	defer s.Close()
	type column struct {
		at, flags int
		series    steps.Series
	}
	var columns []column
	flags := map[string]int{}
	for i, field := range s.Fields[2:] {
		if field.Kind == segment.Flags {
			flags[metadata(field, "of")] = i
		}
	}
	for i, field := range s.Fields[2:] {
		c := column{at: i, flags: -1, series: steps.Series{Name: metadata(field, "of")}}
		switch group.Quantity(metadata(field, "quantity")) {
		case group.Strain, group.Shear, group.Indicated:
			if !own || !wanted[c.series.Name] {
				continue
			}
			if at, ok := flags[c.series.Name]; ok {
				c.flags = at
			}
		case group.Temperature:
			if !own {
				continue
			}
			c.series.Kind = steps.Temperature
		case group.Auxiliary:
			if c.series.Name != r.load {
				continue
			}
			c.series.Kind = steps.Load
		default:
			continue
		}
		columns = append(columns, c)
	}
	if len(columns) == 0 {
		return nil
	}
	for {
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		for _, c := range columns {
			c.series.Time, c.series.Value = b.Time, b.Columns[c.at].Float
			if c.flags >= 0 {
				c.series.Flags = b.Columns[c.flags].Flags
			}
			visit(c.series)
		}
	}
}

// stepColumns are the columns of the table of steps.
var stepColumns = []string{"step", "target", "channel", "load", "mean", "sd", "readings", "predicted", "deviation", "slope", "slope error", "residual", "hysteresis", "return to zero"}

func printSteps(w io.Writer, rows []steps.Row, unit string, asCSV bool) error {
	if asCSV {
		out := csv.NewWriter(w)
		_ = out.Write([]string{"step", "target", "channel", "hold_from", "hold_to", "load", "load_unit", "mean_strain", "sd_strain", "readings",
			"predicted_strain", "band_strain", "deviation_strain", "slope_strain_per_load", "slope_error", "residual_strain", "hysteresis_strain", "return_to_zero_strain"})
		for _, r := range rows {
			_ = out.Write([]string{r.Step, r.Target, r.Channel, stamp(r.Hold), stamp(r.End), exact(r.Load), unit, exact(r.Mean), exact(r.SD), strconv.Itoa(r.Readings),
				exact(r.Predicted), exact(r.Band), exact(r.Deviation), exact(r.Slope), exact(r.SlopeError), exact(r.Residual), exact(r.Hysteresis), exact(r.Return)})
		}
		out.Flush()
		return out.Error()
	}
	if len(rows) == 0 {
		fmt.Fprintln(w, "No step was held yet.")
		return nil
	}
	fmt.Fprintln(w, "Strain in um/m since the zero in force, means over the hold; slope over all holds and the rests before them.")
	t := table{head: slices.Clone(stepColumns), right: make([]bool, len(stepColumns))}
	if unit != "" {
		t.head[3] += " " + unit
	}
	for i := 3; i < len(t.right); i++ {
		t.right[i] = true
	}
	outside := 0
	for _, r := range rows {
		deviation := um(r.Deviation, 1)
		if r.Outside() {
			deviation += " !"
			outside++
		}
		t.rows = append(t.rows, []string{r.Step, r.Target, r.Channel, digits(r.Load, 3), um(r.Mean, 1), um(r.SD, 2), strconv.Itoa(r.Readings), um(r.Predicted, 1),
			deviation, um(r.Slope, 3), um(r.SlopeError, 3), um(r.Residual, 2), um(r.Hysteresis, 2), um(r.Return, 2)})
	}
	t.write(w)
	if outside > 0 {
		fmt.Fprintf(w, "! %d outside the predicted band.\n", outside)
	}
	return nil
}

// shuntSays is said wherever shunt checks are shown.
const shuntSays = "A shunt check tells of instrument, leads and wiring, never of gauge factor or bond: a gauge that came off passes it."

func printChecks(w io.Writer, checks []steps.Check, asCSV bool) error {
	if asCSV {
		out := csv.NewWriter(w)
		_ = out.Write([]string{"channel", "on", "off", "before_strain", "with_strain", "after_strain", "step_v_per_v", "predicted_v_per_v", "deviation", "verdict", "who"})
		for _, c := range checks {
			_ = out.Write([]string{c.Channel, stamp(c.On), stamp(c.Off), exact(c.Before), exact(c.With), exact(c.After), exact(c.Step), exact(c.Predicted), exact(c.Deviation()), verdict(c), c.Who})
		}
		out.Flush()
		return out.Error()
	}
	if len(checks) == 0 {
		fmt.Fprintln(w, "No shunt check is finished.")
		return nil
	}
	t := table{head: []string{"channel", "on", "before um/m", "with um/m", "after um/m", "step mV/V", "predicted mV/V", "deviation", "verdict"}, right: []bool{false, false, true, true, true, true, true, true, false}}
	for _, c := range checks {
		t.rows = append(t.rows, []string{c.Channel, time.Unix(0, c.On).UTC().Format(toMillisecond), um(c.Before, 1), um(c.With, 1), um(c.After, 1),
			digits(c.Step*1e3, 6), digits(c.Predicted*1e3, 6), percent(c.Deviation()), verdict(c)})
	}
	t.write(w)
	fmt.Fprintln(w, shuntSays)
	return nil
}

func verdict(c steps.Check) string {
	switch {
	case c.Void != "":
		return "void: " + c.Void
	case c.Agrees:
		return "agrees"
	}
	return fmt.Sprintf("differs by more than %g %%", steps.CheckTolerance*100)
}

func stamp(ns int64) string {
	if ns == 0 {
		return ""
	}
	return time.Unix(0, ns).UTC().Format(time.RFC3339Nano)
}

// toMillisecond is how a time is shown to people who look for it in a log.
const toMillisecond = "2006-01-02T15:04:05.000Z"

// exact is every digit of a number; nothing where there is none.
func exact(v float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

func um(strain float64, decimals int) string { return digits(strain*1e6, decimals) }

func digits(v float64, decimals int) string {
	if math.IsNaN(v) {
		return "-"
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

func percent(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return fmt.Sprintf("%+.2f %%", v*100)
}
