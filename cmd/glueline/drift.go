package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
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
)

type driftCommand struct {
	Results  string   `arg:"" name:"folder" default:"glueline-data" help:"The data folder of a service, or the results of a reduction."`
	Channels []string `help:"These channels only."`
	CSV      bool     `name:"csv" xor:"form" help:"Comma-separated, a line a channel, every digit: strain in m/m."`
	JSON     bool     `name:"json" xor:"form" help:"All of it, with the evidence, for programs: strain in m/m."`
	Test     string   `help:"Test file with the S-N curves that damage is summed by; by default the newest that serve kept in the data folder."`
	Now      bool     `help:"Of a running service: end its files first, so that everything up to now is in them."`
	Quiet    bool     `short:"q" help:"No progress bar."`
}

// Run says of each channel whether it still tells the truth.
func (c *driftCommand) Run(ctx context.Context, s streams) error {
	if c.Now {
		control := newControl(c.Results)
		if err := control.cut(ctx, event.Event{Who: "glueline drift", Why: "asked for the drift up to now"}); err != nil {
			return err
		}
	}
	r, err := openResults(c.Results)
	if err != nil {
		return err
	}
	known, err := c.known(r)
	if err != nil {
		return err
	}
	bar := newProgress(s.err, "following", c.Quiet)
	defer bar.Close()
	bar.Begin(r.bytes() * passes * int64(len(r.groups)))
	var done int64
	var all []follow.Health
	var constants constantsWatch
	for _, g := range r.groups {
		in, err := r.toFollow(ctx, g, known, &constants, func(bytes int64) { done += bytes; bar.Set(done) })
		if err != nil {
			return err
		}
		of, err := follow.Run(in)
		if err != nil {
			return fmt.Errorf("group %s: %w", g.name, err)
		}
		all = append(all, of...)
	}
	bar.Close()
	for _, name := range c.Channels {
		if !slices.ContainsFunc(all, func(h follow.Health) bool { return h.Channel == name }) {
			return fmt.Errorf("no channel %q in %s", name, r.dir)
		}
	}
	if len(c.Channels) > 0 {
		all = slices.DeleteFunc(all, func(h follow.Health) bool { return !slices.Contains(c.Channels, h.Channel) })
	}
	switch {
	case c.CSV:
		return driftCSV(s.out, all)
	case c.JSON:
		return driftJSON(s.out, all, constants.changed)
	}
	printDrift(s.out, all, constants.changed)
	return nil
}

// known is the test file's part: the one given, or the newest that is kept.
func (c *driftCommand) known(r *results) (*fromTest, error) {
	path := c.Test
	if path == "" {
		path = newestKept(c.Results, r)
	}
	if path == "" {
		return &fromTest{}, nil
	}
	return readFromTest(path)
}

// States of a channel of which drift says nothing.
const (
	learning  = "learning"
	noReading = "no reading"
)

// stateOf is what is said of a channel in one word or two.
func stateOf(h *follow.Health) string {
	switch named := h.Verdict.Named; {
	case h.Minutes == 0:
		return noReading
	case !h.Learnt():
		return learning
	default:
		return string(named)
	}
}

// certaintyOf is that of what is named, "" where nothing is.
func certaintyOf(h *follow.Health) string {
	if s := stateOf(h); len(h.Verdict.Ranked) == 0 || s == learning || s == noReading || s == string(drift.CannotTell) {
		return ""
	}
	return string(h.Verdict.Ranked[0].Certainty)
}

// onsetOf is when it began, "" where nothing did.
func onsetOf(h *follow.Health, layout string) string {
	if s := stateOf(h); s == learning || s == noReading || h.Verdict.Onset.IsZero() {
		return ""
	}
	return h.Verdict.Onset.Format(layout)
}

// driftSays is said wherever drift is shown.
const driftSays = "Nothing was repaired or removed. It monitors and does not protect: no load stops for what is said here."

func printDrift(w io.Writer, all []follow.Health, changed map[string]time.Time) {
	t := table{head: []string{"channel", "says", "certainty", "since", "moved um/m", "slope", "cycles", "of the load", "largest um/m", "damage"},
		right: []bool{false, false, false, false, true, true, true, true, true, true}}
	for i := range all {
		h := &all[i]
		slope, moved, damage := "-", "-", "-"
		if s := stateOf(h); s != learning && s != noReading {
			moved = um(h.Verdict.Moved, 1)
			if h.Verdict.Slope != 0 {
				slope = fmt.Sprintf("%+.1f %%", 100*h.Verdict.Slope)
			}
		}
		if h.Curve {
			damage = strconv.FormatFloat(h.Cycles.Damage, 'g', 3, 64)
		}
		t.rows = append(t.rows, []string{h.Channel, stateOf(h), dash(certaintyOf(h)), dash(onsetOf(h, "2006-01-02 15:04Z")), moved, slope,
			cyclesOf(h), exact(h.LoadCycles()), strconv.Itoa(int(h.Cycles.Largest)), damage})
	}
	t.write(w)
	if len(all) > 0 {
		fmt.Fprintf(w, "Cycles are counted from 1 um/m up, noise among them; those of the load from %d um/m up. A damage is summed on an S-N curve of the test file.\n", follow.LoadCycle)
	}
	for i := range all {
		explain(w, &all[i])
	}
	silent(w, all)
	recalibrated(w, all, changed)
	fmt.Fprintln(w)
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

// explain prints why a channel is not called healthy.
func explain(w io.Writer, h *follow.Health) {
	name := printable.Text(h.Channel)
	switch s := stateOf(h); s {
	case string(drift.Healthy):
		return
	case noReading:
		fmt.Fprintf(w, "\n%s: no reading to judge by; of %d samples %d are left out, for their flags or without a value.\n", name, h.Samples, h.LeftOut)
		return
	case learning:
		fmt.Fprintf(w, "\n%s: too little to know how it behaves when it is healthy: %s of readings with a zero from %s on. Until it has learnt, nothing is said.\n",
			name, count(h.Record.Zeros.Seen, "hour"), h.From.Format(time.RFC3339))
		return
	case string(drift.CannotTell):
		fmt.Fprintf(w, "\n%s: cannot tell. It moved by %s um/m; no cause outweighs the others:\n", name, um(h.Verdict.Moved, 1))
	default:
		fmt.Fprintf(w, "\n%s: %s, %s.\n", name, s, certaintyOf(h))
	}
	if !h.Replaced.IsZero() {
		fmt.Fprintf(w, "  Its gauge was replaced %s; only what came since counts.\n", h.Replaced.Format(time.RFC3339))
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
		_ = out.Write([]string{h.Channel, h.Source, stateOf(h), certaintyOf(h), onsetOf(h, time.RFC3339), exact(h.Verdict.Moved), exact(h.Verdict.Slope),
			instantOf(h.From), instantOf(h.To), strconv.Itoa(h.Minutes), strconv.FormatUint(h.Samples, 10), strconv.FormatUint(h.LeftOut, 10),
			cyclesOf(h), exact(h.LoadCycles()), exact(float64(h.Cycles.Largest) / 1e6), damage})
	}
	out.Flush()
	return out.Error()
}

func instantOf(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339)
}

// driftChannel is one channel for programs. What is not known is null.
type driftChannel struct {
	Channel    string       `json:"channel"`
	Source     string       `json:"source"`
	Says       string       `json:"says"`
	Certainty  string       `json:"certainty,omitempty"`
	Since      string       `json:"since,omitempty"`
	Moved      *float64     `json:"moved_strain"`
	Slope      *float64     `json:"slope_change"` // relative
	From       string       `json:"from,omitempty"`
	To         string       `json:"to,omitempty"`
	Minutes    int          `json:"minutes"`
	Samples    uint64       `json:"samples"`
	LeftOut    uint64       `json:"left_out"`
	Replaced   string       `json:"replaced,omitempty"`
	Constants  string       `json:"constants_changed,omitempty"` // newest time from which it was reduced by others
	Cycles     float64      `json:"cycles"`
	LoadCycles float64      `json:"load_cycles"`
	Largest    float64      `json:"largest_range_strain"`
	Damage     *float64     `json:"damage"`
	Ranked     []driftCause `json:"ranked"`
	RuledOut   []driftOut   `json:"ruled_out,omitempty"`
	Shunts     []driftNote  `json:"shunts,omitempty"`     // relative change of the span
	Insulation []driftNote  `json:"insulation,omitempty"` // ohm
}

type driftNote struct {
	Time  string  `json:"time"`
	Value float64 `json:"value"`
}

type driftCause struct {
	Cause     string   `json:"cause"`
	Certainty string   `json:"certainty"`
	Weight    float64  `json:"weight"`
	For       []string `json:"for"`
	Against   []string `json:"against"`
	Decide    string   `json:"decide"`
}

type driftOut struct {
	Cause string `json:"cause"`
	Who   string `json:"who"`
	Why   string `json:"why"`
}

func driftJSON(w io.Writer, all []follow.Health, changed map[string]time.Time) error {
	channels := []driftChannel{}
	for i := range all {
		h := &all[i]
		c := driftChannel{
			Channel: h.Channel, Source: h.Source, Says: stateOf(h), Certainty: certaintyOf(h), Since: onsetOf(h, time.RFC3339),
			Moved: finite(h.Verdict.Moved), Slope: finite(h.Verdict.Slope), From: instantOf(h.From), To: instantOf(h.To), Minutes: h.Minutes,
			Samples: h.Samples, LeftOut: h.LeftOut, Replaced: instantOf(h.Replaced), Constants: instantOf(changed[h.Channel]),
			Cycles: float64(h.Cycles.Closed+h.Cycles.Open) / 2, LoadCycles: h.LoadCycles(), Largest: float64(h.Cycles.Largest) / 1e6, Ranked: []driftCause{},
			Shunts: notesOfDrift(h.Record.Shunts), Insulation: notesOfDrift(h.Record.Insulation),
		}
		if h.Curve {
			c.Damage = finite(h.Cycles.Damage)
		}
		for _, o := range h.Verdict.Ranked {
			c.Ranked = append(c.Ranked, driftCause{string(o.Cause), string(o.Certainty), o.Weight, append([]string{}, o.For...), append([]string{}, o.Against...), o.Decide})
		}
		for _, o := range h.Facts.RuledOut {
			c.RuledOut = append(c.RuledOut, driftOut{string(o.Cause), o.Who, o.Why})
		}
		channels = append(channels, c)
	}
	out := json.NewEncoder(w)
	out.SetIndent("", "  ")
	return out.Encode(struct {
		Channels []driftChannel `json:"channels"`
		Note     string         `json:"note"`
	}{channels, driftSays})
}

// finite is a number that JSON has; nil for others.
func finite(v float64) *float64 {
	if v-v != 0 {
		return nil
	}
	return &v
}

func notesOfDrift(notes []drift.Note) (all []driftNote) {
	for _, n := range notes {
		all = append(all, driftNote{stamp(n.Time), n.Value})
	}
	return all
}

type ruleOutCommand struct {
	Channel string `arg:"" help:"Channel that moved."`
	Cause   string `arg:"" help:"What it does not come from, as glueline drift calls it: structure, moisture, …"`
	explained
}

// Validate refuses what is no cause.
func (c *ruleOutCommand) Validate() error {
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
		"It stands in the journal with your name; glueline drift leaves it off the list of this channel, and says so.")
}
