package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/printable"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// standing is how far a revision may be relied on.
type standing string

const (
	isDraft    standing = "draft"
	isChecked  standing = "checked"  // by a second person
	isReleased standing = "released" // may be shown to others
)

// signature is a person's word that a revision is in a standing. It is given once.
type signature struct {
	Revision string    `json:"revision"`
	Standing standing  `json:"standing"`
	Who      string    `json:"who"`
	Why      string    `json:"why,omitempty"`
	When     time.Time `json:"when"`
	UpTo     time.Time `json:"up_to,omitzero"` // of the readings: what came later into the revision was not there yet
}

func signatureName(s standing) string { return string(s) + ".json" }

// signatureOf is a person's word on a revision; nil when nobody gave it.
func signatureOf(data, name string, s standing) (*signature, error) {
	path := filepath.Join(data, name, signatureName(s))
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("revision %s: %w", name, err)
	}
	var out signature
	if err := json.Unmarshal(text, &out); err != nil || out.Revision != name || out.Standing != s {
		return nil, fmt.Errorf("%s does not say that revision %s is %s: %w", path, name, s, errors.Join(err, errRevision))
	}
	return &out, nil
}

// standingOf is how far a revision may be relied on.
func standingOf(data, name string) (standing, error) {
	for _, s := range []standing{isReleased, isChecked} {
		if given, err := signatureOf(data, name, s); err != nil || given != nil {
			return s, err
		}
	}
	return isDraft, nil
}

// saysDraft is the line below a report on a data folder or one of its revisions; ""
// for a revision that is released, and for a folder that has none.
func saysDraft(dir string) string {
	data, name, err := revisionOf(dir)
	if err != nil || name == "" {
		return ""
	}
	s, err := standingOf(data, name)
	switch {
	case err != nil:
		return fmt.Sprintf("Revision %s: draft (%v).", name, err)
	case s == isReleased:
		return saysBeyond(data, name)
	case s == isChecked:
		return fmt.Sprintf("Revision %s: draft, checked by a second person and not released.", name)
	}
	return fmt.Sprintf("Revision %s: draft.", name)
}

// saysBeyond is the line below a report on a released revision into which readings
// came since; "" where none did.
func saysBeyond(data, name string) string {
	given, err := signatureOf(data, name, isReleased)
	if err != nil || given == nil || given.UpTo.IsZero() {
		return ""
	}
	current, err := currentRevision(data)
	if err != nil {
		return ""
	}
	groups, err := groupsOf(filepath.Join(data, rawFolder))
	if err != nil {
		return ""
	}
	upTo, _, err := reachOf(data, name, current, groups)
	if err != nil || !upTo.After(given.UpTo) {
		return ""
	}
	return fmt.Sprintf("Revision %s: released up to %s; what came later is draft.", name, given.UpTo.Format("2006-01-02 15:04:05Z"))
}

type reviewCommand struct {
	Data     string `arg:"" help:"Data folder of serve."`
	Revision string `arg:"" help:"Name of the revision, for example r2; glueline calibrations lists them."`
	Standing string `arg:"" enum:"checked,released" help:"checked: a second person looked at it; released: it may be shown to others."`
	Who      string `required:"" env:"GLUELINE_WHO" help:"Who says so: a person's name."`
	Why      string `help:"What it was checked by, or released for."`
}

// Run puts a person's name to a revision.
func (c *reviewCommand) Run(_ context.Context, s streams) error {
	who := strings.Join(strings.Fields(c.Who), " ")
	if who == "" {
		return errors.New("say who: --who NAME")
	}
	if !event.IsRevision(c.Revision) {
		return fmt.Errorf("revision %q; write r and its number, for example r2", c.Revision)
	}
	if !isFolder(filepath.Join(c.Data, c.Revision)) {
		return fmt.Errorf("%s has no revision %s; glueline calibrations %s lists them", c.Data, c.Revision, c.Data)
	}
	r, err := readRevision(c.Data, c.Revision)
	if err != nil {
		return err
	}
	current, err := currentRevision(c.Data)
	if err != nil {
		return err
	}
	if !later(current, c.Revision) {
		return fmt.Errorf("revision %s is not finished: glueline rereduce %s --go-on %s", c.Revision, c.Data, c.Revision)
	}
	groups, err := groupsOf(filepath.Join(c.Data, rawFolder))
	if err != nil {
		return err
	}
	if len(groups) == 0 {
		return nothingIn(c.Data)
	}
	given, err := signatureOf(c.Data, c.Revision, standing(c.Standing))
	if err != nil {
		return err
	}
	if given != nil {
		return fmt.Errorf("revision %s is %s already, by %s, %s", c.Revision, c.Standing, given.Who, given.When.Format(time.RFC3339))
	}
	switch standing(c.Standing) {
	case isChecked:
		if strings.EqualFold(who, r.Who) {
			return fmt.Errorf("%s made revision %s; a second person checks it", r.Who, c.Revision)
		}
	case isReleased:
		before, err := signatureOf(c.Data, c.Revision, isChecked)
		if err != nil {
			return err
		}
		if before == nil {
			return fmt.Errorf("revision %s is not checked yet; a second person does: glueline review %s %s checked --who NAME", c.Revision, c.Data, c.Revision)
		}
	}
	upTo, goesOn, err := reachOf(c.Data, c.Revision, current, groups)
	if err != nil {
		return err
	}
	text, err := json.MarshalIndent(signature{c.Revision, standing(c.Standing), who, strings.TrimSpace(c.Why), time.Now().UTC(), upTo}, "", "  ")
	if err != nil {
		return err
	}
	if err := segment.WriteRecord(disk.At(filepath.Join(c.Data, c.Revision)), signatureName(standing(c.Standing)), append(text, '\n')); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "Revision %s is %s, by %s, as far as it reaches: up to %s.\n", c.Revision, c.Standing, printable.Text(who), upTo.Format("2006-01-02 15:04:05Z"))
	if goesOn {
		fmt.Fprintln(s.out, "What comes later goes into it too, and nobody has looked at that yet.")
	}
	return nil
}

// reachOf is the time of a revision's newest readings, and whether more may come
// into it.
func reachOf(data, name, current string, groups []string) (upTo time.Time, goesOn bool, err error) {
	ends, err := endsOf(data, name)
	if err != nil {
		return upTo, false, err
	}
	raw := filepath.Join(data, rawFolder)
	newest := int64(math.MinInt64)
	for _, g := range groups {
		last, err := archive.Newest(raw, g)
		if err != nil {
			return upTo, false, err
		}
		if last == nil {
			continue
		}
		cuts := last.Cut + 1
		if end, ended := ends[g]; ended {
			cuts = min(cuts, end)
		}
		for cut, found := cuts, false; cut > 0 && !found; cut-- { // a cut may be without rows
			r, err := archive.Read(raw, g, cut-1)
			if err != nil {
				return upTo, false, err
			}
			for _, f := range r.Files {
				if f.Rows > 0 {
					newest, found = max(newest, f.LastTime), true
				}
			}
		}
	}
	if newest == math.MinInt64 {
		return upTo, false, nothingIn(data)
	}
	return time.Unix(0, newest).UTC(), name == current, nil
}
