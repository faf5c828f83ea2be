package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/printable"
	"glueline/sinks/archive"
)

type calibrationsCommand struct {
	Data string `arg:"" help:"Data folder of serve."`
	JSON bool   `name:"json" help:"For programs."`
}

// calibrationsReport is what the command tells.
type calibrationsReport struct {
	Current   string            `json:"current"`
	Named     []calibrationLine `json:"named"`
	Revisions []revisionLine    `json:"revisions"`
}

// calibrationLine is a test file that the journal named.
type calibrationLine struct {
	Group    string    `json:"group"`
	Place    uint64    `json:"place"`         // that it holds from
	From     time.Time `json:"from,omitzero"` // of the readings that it holds from; zero where none came
	When     time.Time `json:"when,omitzero"`
	Digest   string    `json:"digest"`
	Revision string    `json:"revision"` // that the readings went into
	Who      string    `json:"who,omitempty"`
	Why      string    `json:"why,omitempty"`
	Changes  []string  `json:"changes"`
}

type revisionLine struct {
	*revision
	Standing standing   `json:"standing"`
	Checked  *signature `json:"checked,omitempty"`
	Released *signature `json:"released,omitempty"`
}

// Run lists which constants held from where on, and the revisions.
func (c *calibrationsCommand) Run(ctx context.Context, s streams) error {
	raw := filepath.Join(c.Data, rawFolder)
	if !folderIsThere(raw) {
		return fmt.Errorf("%s has no %s folder; give the data folder of serve", c.Data, rawFolder)
	}
	r := calibrationsReport{Named: []calibrationLine{}, Revisions: []revisionLine{}}
	var err error
	if r.Current, err = currentRevision(c.Data); err != nil {
		return err
	}
	names, err := groupsOf(raw)
	if err != nil {
		return err
	}
	for _, name := range names {
		lines, err := c.named(ctx, name)
		if err != nil {
			return err
		}
		r.Named = append(r.Named, lines...)
	}
	all, err := revisions(c.Data)
	if err != nil {
		return err
	}
	for _, v := range all {
		line := revisionLine{revision: v}
		if line.Standing, err = standingOf(c.Data, v.Name); err != nil {
			return err
		}
		var errs [2]error
		line.Checked, errs[0] = signatureOf(c.Data, v.Name, isChecked)
		line.Released, errs[1] = signatureOf(c.Data, v.Name, isReleased)
		if err := errors.Join(errs[:]...); err != nil {
			return err
		}
		r.Revisions = append(r.Revisions, line)
	}
	if c.JSON {
		e := json.NewEncoder(s.out)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	r.print(s)
	return nil
}

// groupsOf are the groups of a raw archive.
func groupsOf(raw string) ([]string, error) {
	first, err := filepath.Glob(filepath.Join(raw, "*.00000000.commit.json"))
	if err != nil {
		return nil, err
	}
	var names []string
	for _, path := range first {
		names = append(names, strings.TrimSuffix(filepath.Base(path), ".00000000.commit.json"))
	}
	slices.Sort(names)
	return names, nil
}

// named goes through a group's records and finds where its calibration or its
// revision became another.
func (c *calibrationsCommand) named(ctx context.Context, name string) ([]calibrationLine, error) {
	raw := filepath.Join(c.Data, rawFolder)
	cuts, err := archive.Cuts(raw, name)
	if err != nil {
		return nil, err
	}
	var lines []calibrationLine
	var told *event.Event // that ended the cut before
	var before []*group.Plan
	for _, cut := range cuts {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		r, err := archive.Read(raw, name, cut)
		if err != nil {
			return nil, err
		}
		revision := cmp.Or(r.Revision, reducedFolder)
		if n := len(lines); n == 0 || lines[n-1].Digest != r.Calibration || lines[n-1].Revision != revision {
			line := calibrationLine{Group: name, Place: r.First, Digest: r.Calibration, Revision: revision, Changes: []string{}}
			if told != nil {
				line.When, line.Who, line.Why = told.Time, told.Who, told.Why
			}
			k, err := keptTestOf(c.Data, r.Calibration)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, err
			}
			if err == nil {
				if before != nil {
					if line.Changes, err = group.Differences(before, k.plans); err != nil {
						return nil, err
					}
				}
				before = k.plans
			}
			lines = append(lines, line)
		}
		if n := len(lines); lines[n-1].From.IsZero() {
			lines[n-1].From = firstRow(r)
		}
		told = nil
		for i := range r.Events {
			if e := &r.Events[i].Event; e.Event == event.Calibration {
				told = e
			}
		}
	}
	return lines, nil
}

// firstRow is the time of the first row of a cut; zero where it has none.
func firstRow(r *archive.Record) (at time.Time) {
	for _, f := range r.Files {
		if t := time.Unix(0, f.FirstTime).UTC(); f.Rows > 0 && (at.IsZero() || t.Before(at)) {
			at = t
		}
	}
	return at
}

func (r *calibrationsReport) print(s streams) {
	named := table{head: []string{"group", "readings from", "said", "test file", "into", "by", "why and what"}, right: make([]bool, 7)}
	for _, l := range r.Named {
		said := "at the start"
		if !l.When.IsZero() {
			said = l.When.UTC().Format("2006-01-02 15:04:05Z")
		}
		from := "no reading"
		if !l.From.IsZero() {
			from = l.From.Format("2006-01-02 15:04:05.999Z")
		}
		// The event's own words name the changes already, cut where they are many.
		why, _, _ := strings.Cut(l.Why, ": ")
		named.rows = append(named.rows, []string{l.Group, from, said, l.Digest, l.Revision, l.Who, strings.Join(append([]string{why}, l.Changes...), "; ")})
	}
	fmt.Fprintln(s.out, "Test files that held as the readings came:")
	fmt.Fprintln(s.out)
	named.write(s.out)
	fmt.Fprintln(s.out, "\nRevisions:")
	fmt.Fprintln(s.out)
	t := table{head: []string{"", "revision", "from", "standing", "made", "by", "why", "what"}, right: make([]bool, 8)}
	for _, v := range r.Revisions {
		mark := ""
		if v.Name == r.Current {
			mark = "holds"
		} else if !later(r.Current, v.Name) {
			mark = "unfinished"
		}
		if v.From == "" {
			t.rows = append(t.rows, []string{mark, v.Name, "-", string(v.Standing), "as the readings came", "", "", ""})
			continue
		}
		t.rows = append(t.rows, []string{mark, v.Name, v.From, string(v.Standing), v.Made.Format("2006-01-02 15:04Z"), v.Who, v.Why,
			v.spanInWords() + ": " + cmp.Or(strings.Join(v.Changes, "; "), "nothing")})
	}
	t.write(s.out)
	for _, v := range r.Revisions {
		for _, sign := range []*signature{v.Checked, v.Released} {
			if sign != nil {
				fmt.Fprintf(s.out, "\n%s %s by %s, %s", v.Name, sign.Standing, printable.Text(sign.Who), sign.When.Format("2006-01-02 15:04Z"))
				if !sign.UpTo.IsZero() {
					fmt.Fprintf(s.out, ", up to %s", sign.UpTo.Format("2006-01-02 15:04:05Z"))
				}
				if sign.Why != "" {
					fmt.Fprintf(s.out, ": %s", printable.Text(sign.Why))
				}
			}
		}
	}
	fmt.Fprintln(s.out)
}
