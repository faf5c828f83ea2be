package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"glueline/pipeline/drift"
	"glueline/pipeline/event"
	"glueline/pipeline/follow"
	"glueline/pipeline/printable"
	"glueline/sinks/health"
)

type driftCommand struct {
	Results  string   `arg:"" name:"folder" default:"glueline-data" help:"The data folder of a service, or the results of a reduction."`
	Channels []string `help:"These channels only."`
	CSV      bool     `name:"csv" xor:"form" help:"Comma-separated, a line a channel, every digit: strain in m/m."`
	JSON     bool     `name:"json" xor:"form" help:"All of it, with the evidence, for programs: strain in m/m."`
	Test     string   `help:"Test file with the S-N curves that damage is summed by; by default the newest that serve kept in the data folder."`
	Evidence bool     `help:"With --json: beside each channel what its record holds, by the hour: zero at rest, live strain, load, slope, noise, temperature."`
	Kept     bool     `xor:"upto" help:"Only what the newest health files of a data folder say: no segment is read."`
	Now      bool     `xor:"upto" help:"Of a running service: end its files first, so that everything up to now is in them."`
	Quiet    bool     `short:"q" help:"No progress bar."`
}

// Validate refuses what does not go together.
func (c *driftCommand) Validate() error {
	switch {
	case c.Evidence && !c.JSON:
		return errors.New("--evidence is for programs: write --json with it")
	case c.Kept && c.Test != "":
		return errors.New("--kept is what the health files say, which go by the test file that was in force; leave --test away")
	}
	return nil
}

// Run says of each channel whether it still tells the truth.
func (c *driftCommand) Run(ctx context.Context, s streams) error {
	if c.Now {
		control := newControl(c.Results)
		if err := control.cut(ctx, event.Event{Who: "glueline drift", Why: "asked for the drift up to now"}); err != nil {
			return err
		}
	}
	k, err := c.know(ctx, s)
	if err != nil {
		return err
	}
	for _, name := range c.Channels {
		if !slices.ContainsFunc(k.channels, func(h follow.Health) bool { return h.Channel == name }) {
			return fmt.Errorf("no channel %q in %s", name, c.Results)
		}
	}
	if len(c.Channels) > 0 {
		k.channels = slices.DeleteFunc(k.channels, func(h follow.Health) bool { return !slices.Contains(c.Channels, h.Channel) })
		k.residuals = slices.DeleteFunc(k.residuals, func(r follow.Residual) bool {
			return !slices.ContainsFunc(r.Terms, func(t follow.Term) bool { return slices.Contains(c.Channels, t.Channel) })
		})
	}
	switch {
	case c.CSV:
		return driftCSV(s.out, k.channels)
	case c.JSON:
		return driftJSON(s.out, k, c.Evidence)
	}
	printDrift(s.out, k)
	if line := saysDraft(c.Results); line != "" {
		fmt.Fprintln(s.out, line)
	}
	return nil
}

// knownHealth is what is known of all channels of a folder.
type knownHealth struct {
	channels  []follow.Health
	residuals []follow.Residual
	changed   map[string]time.Time // newest time from which a channel was reduced by other constants
	upTo      map[string]string    // by group
	of        map[string]string    // group of a channel
	notes     []string             // why less is known than could be
}

// know goes on from the newest health files to the end of what is committed.
func (c *driftCommand) know(ctx context.Context, s streams) (*knownHealth, error) {
	var given *declared
	if c.Test != "" {
		var err error
		if given, err = readDeclared(c.Test); err != nil {
			return nil, err
		}
	}
	walks, err := walksOf(c.Results, given, nil)
	if err != nil {
		return nil, err
	}
	bar := newProgress(s.err, "following", c.Quiet)
	defer bar.Close()
	k := &knownHealth{changed: map[string]time.Time{}, upTo: map[string]string{}, of: map[string]string{}}
	var total, done int64
	for _, w := range walks {
		if c.Kept && w.wrote == nil {
			return nil, fmt.Errorf("%s: group %s has no health file yet: serve writes one after each hour of data, beside the segments of a data folder; without --kept the segments are read", c.Results, w.group)
		}
		total += w.bytesLeft()
	}
	bar.Begin(total)
	for _, w := range walks {
		w.progress = func(bytes int64) { done += bytes; bar.Set(done) }
		if !c.Kept {
			if err := w.toTheEnd(ctx, false); err != nil {
				return nil, fmt.Errorf("group %s: %w", w.group, err)
			}
		}
		of, err := w.pass.Health()
		if err != nil {
			return nil, fmt.Errorf("group %s: %w", w.group, err)
		}
		k.channels = append(k.channels, of...)
		for i := range of {
			k.of[of[i].Channel] = w.group
		}
		k.residuals = append(k.residuals, w.pass.Residuals()...)
		if why := w.undeclared(); why != "" && !slices.Contains(k.notes, why) {
			k.notes = append(k.notes, why)
		}
		for name, at := range w.state.Changed {
			k.changed[name] = time.Unix(0, at).UTC()
		}
		k.upTo[w.group] = stamp(w.state.UpTo)
	}
	return k, nil
}

// driftSays is said wherever drift is shown.
const driftSays = "Nothing was repaired or removed. It monitors and does not protect: no load stops for what is said here."

func printDrift(w io.Writer, k *knownHealth) {
	all := k.channels
	t := table{head: []string{"channel", "says", "certainty", "since", "moved um/m", "slope", "cycles", "of the load", "largest um/m", "damage"},
		right: []bool{false, false, false, false, true, true, true, true, true, true}}
	for i := range all {
		h := &all[i]
		slope, moved, damage := "-", "-", "-"
		if s := healthStateOf(h); s != health.Learning && s != health.NoReading {
			moved = um(h.Verdict.Moved, 1)
			if h.Verdict.Slope != 0 {
				slope = fmt.Sprintf("%+.1f %%", 100*h.Verdict.Slope)
			}
		}
		if h.Curve {
			damage = strconv.FormatFloat(h.Cycles.Damage, 'g', 3, 64)
		}
		t.rows = append(t.rows, []string{h.Channel, healthStateOf(h), dash(healthCertaintyOf(h)), dash(healthOnsetOf(h, "2006-01-02 15:04Z")), moved, slope,
			cyclesOf(h), exact(h.LoadCycles()), strconv.Itoa(int(h.Cycles.Largest)), damage})
	}
	t.write(w)
	if len(all) > 0 {
		fmt.Fprintf(w, "Cycles are counted from 1 um/m up, noise among them; those of the load from %d um/m up. A damage is summed on an S-N curve of the test file.\n", follow.LoadCycle)
	}
	for i := range all {
		explainDrift(w, &all[i])
	}
	silent(w, all)
	disagreeing(w, k.residuals)
	recalibrated(w, all, k.changed)
	fmt.Fprintln(w)
	for _, note := range k.notes {
		fmt.Fprintln(w, note)
	}
	fmt.Fprintln(w, driftSays)
}

// cyclesOf counts whole cycles: two halves make one.
func cyclesOf(h *follow.Health) string {
	return strconv.FormatFloat(float64(h.Cycles.Closed+h.Cycles.Open)/2, 'f', -1, 64)
}

// leastWeight is the least weight of a cause that the list of a channel goes on to,
// beyond the first ones.
const (
	leastWeight = 0.01
	shownFirst  = 3
)

// explainDrift prints why a channel is not called healthy.
func explainDrift(w io.Writer, h *follow.Health) {
	name := printable.Text(h.Channel)
	switch s := healthStateOf(h); s {
	case string(drift.Healthy):
		return
	case health.NoReading:
		fmt.Fprintf(w, "\n%s: no reading to judge by; of %d samples %d are left out, for their flags or without a value.\n", name, h.Samples, h.LeftOut)
		return
	case health.Learning:
		fmt.Fprintf(w, "\n%s: too little to know how it behaves when it is healthy: %s of readings with a zero from %s on. Until it has learnt, nothing is said.\n",
			name, count(h.Record.Zeros.Seen, "hour"), h.From.Format(time.RFC3339))
		return
	case string(drift.CannotTell):
		fmt.Fprintf(w, "\n%s: cannot tell. It moved by %s um/m; no cause outweighs the others:\n", name, um(h.Verdict.Moved, 1))
	default:
		fmt.Fprintf(w, "\n%s: %s, %s.\n", name, s, healthCertaintyOf(h))
	}
	if !h.Replaced.IsZero() {
		fmt.Fprintf(w, "  Its gauge was replaced %s; only what came since counts.\n", h.Replaced.Format(time.RFC3339))
	}
	if within := h.Verdict.Within; !within[0].IsZero() {
		const form = "2006-01-02 15:04Z"
		fmt.Fprintf(w, "  If it is %s, it began between %s and %s, nine chances in ten.\n", h.Verdict.Ranked[0].Cause, within[0].Format(form), within[1].Format(form))
	}
	for i := range h.Verdict.Ranked {
		o := &h.Verdict.Ranked[i]
		if i >= shownFirst && o.Weight < leastWeight {
			break
		}
		fmt.Fprintf(w, "  %d. %s, %s (weight %.2f): %s\n", i+1, o.Cause, o.Certainty, o.Weight, meaningOf(o.Cause))
		if len(o.For) > 0 {
			fmt.Fprintf(w, "     for      %s\n", strings.Join(o.For, "; "))
		}
		if len(o.Against) > 0 {
			fmt.Fprintf(w, "     against  %s\n", strings.Join(o.Against, "; "))
		}
		fmt.Fprintf(w, "     decides  %s\n", o.Decide)
	}
	for _, o := range h.Facts.RuledOut {
		fmt.Fprintf(w, "  Ruled out: %s, by %s: %s\n", printable.Text(string(o.Cause)), printable.Text(o.Who), printable.Text(o.Why))
	}
}

// silent names the channels of which nothing counts any more: what is said of them
// is of the time before.
func silent(w io.Writer, all []follow.Health) {
	const short = time.Hour
	first := true
	for i := range all {
		h := &all[i]
		if h.Minutes == 0 || h.Newest.Sub(h.To) < short {
			continue
		}
		if first {
			fmt.Fprintln(w, "\nNothing counts any more, for flags or want of a value; what is said is of the time before:")
			first = false
		}
		fmt.Fprintf(w, "  %s since %s\n", printable.Text(h.Channel), h.To.Add(time.Minute).Format("2006-01-02 15:04Z"))
	}
}

// disagreeing names the pairs and rosettes that leave over more than they may. Two
// that disagree do not say which is wrong.
func disagreeing(w io.Writer, all []follow.Residual) {
	suspects := follow.Suspects(all)
	for i := range all {
		r := &all[i]
		if r.Beyond.IsZero() {
			continue
		}
		var names []string
		for _, t := range r.Terms {
			names = append(names, printable.Text(t.Channel))
		}
		fmt.Fprintf(w, "\n%s (%s): %s disagree since %s, by %s um/m in the newest hour, where %s um/m is allowed.\n",
			printable.Text(r.Name), r.Form, strings.Join(names, " and "), r.Beyond.Format("2006-01-02 15:04Z"), um(r.Newest, 1), um(r.Limit, 1))
		if at := slices.IndexFunc(r.Terms, func(t follow.Term) bool { return slices.Contains(suspects, t.Channel) }); at >= 0 {
			fmt.Fprintf(w, "  A third tells: %s disagrees with others too, and with nobody does it agree.\n", printable.Text(r.Terms[at].Channel))
		} else {
			fmt.Fprintln(w, "  It cannot tell which of them is wrong: a third that should agree with one of them would.")
		}
	}
}

// recalibrated names the channels that were reduced by other constants from a time
// on.
func recalibrated(w io.Writer, all []follow.Health, changed map[string]time.Time) {
	first := true
	for i := range all {
		at, ok := changed[all[i].Channel]
		if !ok {
			continue
		}
		if first {
			fmt.Fprintln(w, "\nReduced by other constants from a time on; a zero or a slope that moved then may have moved for that:")
			first = false
		}
		fmt.Fprintf(w, "  %s at %s\n", printable.Text(all[i].Channel), at.Format("2006-01-02 15:04Z"))
	}
}

func meaningOf(c drift.Cause) string {
	for _, a := range drift.Causes {
		if a.Cause == c {
			return a.Meaning
		}
	}
	return ""
}

func driftCSV(w io.Writer, all []follow.Health) error {
	out := csv.NewWriter(w)
	_ = out.Write([]string{"channel", "source", "says", "certainty", "since", "moved_strain", "slope_change", "from", "to", "minutes", "samples", "left_out",
		"cycles", "load_cycles", "largest_range_strain", "damage"})
	for i := range all {
		h := &all[i]
		damage := ""
		if h.Curve {
			damage = exact(h.Cycles.Damage)
		}
		_ = out.Write([]string{h.Channel, h.Source, healthStateOf(h), healthCertaintyOf(h), healthOnsetOf(h, time.RFC3339), exact(h.Verdict.Moved), exact(h.Verdict.Slope),
			utcOf(h.From), utcOf(h.To), strconv.Itoa(h.Minutes), strconv.FormatUint(h.Samples, 10), strconv.FormatUint(h.LeftOut, 10),
			cyclesOf(h), exact(h.LoadCycles()), exact(float64(h.Cycles.Largest) / 1e6), damage})
	}
	out.Flush()
	return out.Error()
}

func driftJSON(w io.Writer, k *knownHealth, evidence bool) error {
	residuals := sayResiduals(k.residuals)
	channels := []channelHealth{}
	for i := range k.channels {
		h := &k.channels[i]
		c := saidOf(k.of[h.Channel], []health.Channel{sayHealth(h, k.changed[h.Channel])}, residuals)
		if evidence {
			c[0].Evidence = sayEvidence(&h.Record)
		}
		channels = append(channels, c...)
	}
	out := json.NewEncoder(w)
	out.SetIndent("", "  ")
	return out.Encode(struct {
		Channels  []channelHealth   `json:"channels"`
		Residuals []health.Residual `json:"residuals"`
		UpTo      map[string]string `json:"up_to"`
		Notes     []string          `json:"notes,omitempty"` // why less is known than could be
		Note      string            `json:"note"`
	}{channels, residuals, k.upTo, k.notes, driftSays})
}

type ruleOutCommand struct {
	Channel string `arg:"" help:"Channel that moved."`
	Cause   string `arg:"" help:"What it does not come from, as glueline drift calls it: structure, moisture, …"`
	explained
}

// Validate refuses what is no cause.
func (c *ruleOutCommand) Validate() error {
	if err := c.explained.Validate(); err != nil {
		return err
	}
	var names []string
	for _, a := range drift.Causes {
		if a.Cause == drift.Healthy {
			continue
		}
		if string(a.Cause) == c.Cause {
			return nil
		}
		names = append(names, string(a.Cause))
	}
	return fmt.Errorf("no cause %q; write one of %s", c.Cause, strings.Join(names, ", "))
}

// Run publishes that a person takes a cause off a channel's list.
func (c *ruleOutCommand) Run(ctx context.Context, s streams) error {
	return c.publish(ctx, s, event.Event{Event: event.RuledOut, Channel: c.Channel, Name: c.Cause},
		"It stands in the journal with your name. glueline drift, which reads finished files, leaves it off the list of this channel, and says so, once readings that come behind it are in them.")
}
