package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"glueline/pipeline/alarm"
	"glueline/pipeline/group"
	"glueline/pipeline/printable"
	"glueline/sinks/alarms"
	"glueline/sinks/archive"
	"glueline/sinks/tell"
)

type replayAlarms struct {
	Data string `arg:"" default:"glueline-data" help:"Data folder of serve."`
	Test string `type:"existingfile" help:"Judge by the alarms and constants of this test file, to see what other limits would have done; by default by those that held."`
	JSON bool   `help:"A decision a line, for programs."`
}

// judgedAgain is a decision that is made again.
type judgedAgain struct {
	alarm.Decision
	Ledger string `json:"ledger"` // what the ledger has of it: sent, waiting, given up, decided, or unknown
}

// Run judges the archive again. Nobody is told of anything.
func (c *replayAlarms) Run(ctx context.Context, s streams) error {
	raw := filepath.Join(c.Data, rawFolder)
	names, err := groupsOf(raw)
	if err != nil {
		return err
	}
	if len(names) == 0 {
		return fmt.Errorf("%s has no raw archive; give the data folder of serve, with a cut at least", c.Data)
	}
	var other *keptTest
	if c.Test != "" {
		if other, err = readTest(c.Test); err != nil {
			return err
		}
	}
	if !c.JSON {
		fmt.Fprintf(s.out, "Who would have been told, in the time of the data, up to the newest cut of each group. Nobody is told now.\n%s\n", alarm.Monitors)
	}
	for _, name := range names {
		if err := c.group(ctx, s.out, raw, name, other); err != nil {
			return err
		}
	}
	return nil
}

func (c *replayAlarms) group(ctx context.Context, w io.Writer, raw, name string, other *keptTest) error {
	lines, _, err := tell.ReadLedger(ledgerOf(c.Data, name))
	if err != nil {
		return err
	}
	deliveries := tell.Deliveries(lines)
	planOf := keptPlans(c.Data, name)
	if other != nil {
		i := slices.IndexFunc(other.plans, func(p *group.Plan) bool { return p.Name == name })
		if i < 0 {
			return fmt.Errorf("%s has no group %s", c.Test, name)
		}
		planOf = func(string) (*group.Plan, error) { return other.plans[i], nil }
	}
	newest, err := archive.Newest(raw, name)
	if err != nil {
		return err
	}
	first, err := archive.Read(raw, name, 0)
	if err != nil {
		return err
	}
	plan, err := planOf(first.Calibration)
	if err != nil {
		return err
	}
	var all []judgedAgain
	encode := json.NewEncoder(w)
	sink, err := alarms.New(plan, 0, nil, alarms.Options{Decided: func(d alarm.Decision) {
		all = append(all, judgedAgain{d, inLedger(deliveries, d.ID)})
	}})
	if err != nil {
		return err
	}
	if err := alarms.Walk(ctx, raw, name, 0, newest.Cut+1, planOf, sink); err != nil {
		return err
	}
	if c.JSON {
		for _, d := range all {
			if err := encode.Encode(d); err != nil {
				return err
			}
		}
		return nil
	}
	fmt.Fprintf(w, "\nGroup %s, %s\n", printable.Text(name), count(int(newest.Cut)+1, "cut"))
	if len(all) == 0 {
		fmt.Fprintln(w, "nobody would have been told of anything")
		return nil
	}
	t := columns("at", "who", "kind", "level", "alarm", "ledger", "what")
	for _, d := range all {
		who := d.Who
		if who == "" {
			who = "nobody, muted"
		}
		t.rows = append(t.rows, []string{moment(d.At.UnixNano()), who, d.Kind, d.Level, d.Alarm, d.Ledger, d.Text})
	}
	t.write(w)
	return nil
}

// inLedger says in a word what a ledger has of a decision.
func inLedger(of map[string][]tell.Delivery, id string) string {
	all, known := of[id]
	var words []string
	for _, d := range all {
		word := "waiting"
		switch {
		case !d.Sent.IsZero():
			word = "sent"
		case d.GivenUp:
			word = "given up"
		}
		if !slices.Contains(words, word) {
			words = append(words, word)
		}
	}
	switch {
	case !known:
		return "unknown"
	case len(words) == 0:
		return "decided"
	}
	return strings.Join(words, ", ")
}
