package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"glueline/pipeline/printable"
	"glueline/pipeline/worker"
)

type statusCommand struct {
	Data string `default:"glueline-data" help:"Data folder of the service."`
	JSON bool   `help:"All that the service tells, as JSON."`
}

// Run prints how a running service is.
func (c *statusCommand) Run(ctx context.Context, s streams) error {
	service := newControl(c.Data)
	if c.JSON {
		return service.copy(ctx, "/status", s.out)
	}
	var st status
	if err := service.call(ctx, "GET", "/status", nil, &st); err != nil {
		return err
	}
	st.print(s.out, time.Now())
	return nil
}

func (st *status) print(w io.Writer, now time.Time) {
	fmt.Fprintf(w, "%s, served since %s; %s left on the disk of %s\n\n", printable.Text(st.Test), moment(st.Began.UnixNano()), size(int64(min(st.FreeDisk, 1<<62))), printable.Text(st.Data))
	groups := table{head: []string{"group", "frames", "rows", "refused", "repeated", "lag messages", "lag", "journal", "its limit", "last cut", "committed", "its rows"},
		right: []bool{false, true, true, true, true, true, true, true, true, true, false, true}}
	sources := table{head: []string{"source", "group", "newest row", "age"}, right: []bool{false, false, false, true}}
	var errs, warnings []string
	var refused []worker.RefusedOf
	for _, g := range st.Groups {
		p := g.Progress
		messages, held, limit := "-", "-", "-"
		lag := "-"
		if g.Journal == nil && g.Error == "" {
			warnings = append(warnings, fmt.Sprintf("the journal of group %s does not answer; what is known without it stands above.", g.Group))
		}
		if g.Journal != nil {
			behind := uint64(0)
			if g.Journal.Last > p.Sequence {
				behind = g.Journal.Last - p.Sequence
			}
			if g.Room != "" {
				warnings = append(warnings, g.Room)
			}
			messages, held, limit = fmt.Sprint(behind), size(g.Journal.Bytes), size(g.Journal.MaxBytes)
			switch {
			case behind == 0:
				lag = "0 s"
			case !p.Stored.IsZero():
				lag = age(now.Sub(p.Stored))
			}
		}
		cut, committed, rows := "-", "-", "-"
		if g.LastCut != nil {
			cut, committed, rows = fmt.Sprint(g.LastCut.Cut), age(now.Sub(g.LastCut.Committed))+" ago", fmt.Sprint(g.LastCut.Rows)
		}
		groups.rows = append(groups.rows, []string{g.Group, fmt.Sprint(p.Frames), fmt.Sprint(p.Rows), fmt.Sprint(p.Refused), fmt.Sprint(p.Repeated),
			messages, lag, held, limit, cut, committed, rows})
		for _, source := range g.Sources {
			newest, old := "none since the start", "-"
			if at, ok := p.Newest[source]; ok {
				since := now.Sub(time.Unix(0, at))
				newest, old = moment(at), age(since)
				if since < -clockWobble {
					old = age(-since) + " ahead"
					warnings = append(warnings, fmt.Sprintf("the newest row of source %s is %s ahead of this clock. One of the two clocks is wrong: zeros and steps go by the source's.", source, age(-since)))
				}
			}
			sources.rows = append(sources.rows, []string{source, g.Group, newest, old})
		}
		if h := g.Health; h != nil && h.Error != "" {
			warnings = append(warnings, fmt.Sprintf("what is said of the health of group %s is not up to date: %s. The results are not touched by it; it is tried again.", g.Group, h.Error))
		}
		if warning := g.Health.warning(g.Group, now); warning != "" {
			warnings = append(warnings, warning)
		}
		warnings = append(warnings, g.Alarms.warnings(g.Group)...)
		warnings = append(warnings, rivalWarnings(p.Boots, now)...)
		refused = append(refused, p.RefusedOf...)
		if g.Error != "" {
			errs = append(errs, fmt.Sprintf("group %s: %s", g.Group, g.Error))
		}
	}
	warnings = append(warnings, refusedWarnings(refused)...)
	groups.write(w)
	fmt.Fprintln(w)
	sources.write(w)
	fmt.Fprintln(w, "\nCounts are since the start; a row's age is by its source's clock.")
	for _, warning := range warnings {
		var b strings.Builder
		paragraph(&b, "Warning: ", "  ", printable.Text(warning))
		fmt.Fprint(w, b.String())
	}
	for _, e := range errs {
		fmt.Fprintf(w, "\n%s\n", printable.Lines(e))
	}
}

// healthMayWait is how long the health of a group may wait for another group before it
// is told: each makes a file for an hour of data or so, and not at the same moment.
const healthMayWait = 2 * time.Hour

// warning says that the health of a group is held up by another one; "" where it is
// not, or not for long.
func (h *healthStatus) warning(group string, now time.Time) string {
	if h == nil || h.Waits == "" || now.Sub(h.Since) < healthMayWait {
		return ""
	}
	return fmt.Sprintf("what is said of the health of group %s stands still: it has waited %s for %s, since the load or the humidity is read there. "+
		"glueline drift says what is known without it.", group, age(now.Sub(h.Since)), h.Waits)
}

// Boots of a source that follow each other within rivalsWithin, and were not all
// longer than rivalsKnown ago, are those of two publishers.
const (
	rivalsWithin = time.Minute
	rivalsKnown  = time.Hour
)

// rivalWarnings say of which sources there are two publishers, by when their boots
// began.
func rivalWarnings(boots map[string][]time.Time, now time.Time) (lines []string) {
	for _, source := range sortedKeys(boots) {
		list := boots[source]
		newest := list[len(list)-1]
		if len(list) < worker.KeptBoots || newest.Sub(list[0]) > rivalsWithin || now.Sub(newest) > rivalsKnown {
			continue
		}
		lines = append(lines, fmt.Sprintf("two publishers send frames of source %s, as it seems: its boot changed %d times within %s, the last time %s ago. "+
			"A source has one publisher: find the other and stop it, or mend the one that starts again and again.", source, len(list), age(newest.Sub(list[0])), age(now.Sub(newest))))
	}
	return lines
}

// clockWobble is how far a source's clock may be ahead of this one before it is
// told: more than clocks that are kept by a network differ.
const clockWobble = time.Second

// copy writes an answer of the service as it is.
func (c *control) copy(ctx context.Context, path string, w io.Writer) error {
	var text json.RawMessage
	if err := c.call(ctx, "GET", path, nil, &text); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%s\n", text)
	return err
}
