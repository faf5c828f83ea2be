package main

import (
	"cmp"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"

	"glueline/pipeline/group"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
)

// errUndoes occurs when a test file would take back what a re-reduction put right:
// mostly it is the one from before it, which is still where the service looks.
var errUndoes = errors.New("it takes back what was put right")

// undoes makes sure that a test file leaves alone what the re-reductions behind a
// data folder put right, but for those that are named in undo.
func undoes(data string, now, next *keptTest, undo []string) error {
	name, err := wantedRevision(data)
	if err != nil {
		return err
	}
	var lines, which []string
	for name != reducedFolder {
		r, err := readRevision(data, name)
		if err != nil {
			return err
		}
		back, err := r.undone(data, now, next)
		if err != nil {
			return err
		}
		if len(back) > 0 && !slices.Contains(undo, name) {
			which = append(which, name)
			lines = append(lines, fmt.Sprintf("what re-reduction %s put right (%s: %s) would be wrong again from here on:", name, r.Who, r.Why))
			for _, line := range back {
				lines = append(lines, "  "+line)
			}
		}
		name = r.From
	}
	if len(which) == 0 {
		return nil
	}
	kept := filepath.Join(data, keptFolder, now.digest)
	what := "take " + filepath.Join(kept, keptName) + " in its place"
	if len(now.files) > 1 {
		what += ", and the channel list beside that"
	}
	return fmt.Errorf("%w: %s\nThe test file that holds is kept: %s, and make any other change in it. If the old constants are right after all, start serve with --undo %s",
		errUndoes, strings.Join(lines, "\n"), what, strings.Join(which, ","))
}

// undone is which constants of the revision a test file would take back.
func (r *revision) undone(data string, now, next *keptTest) ([]string, error) {
	last := r.last()
	if r.Replaces == "" || r.Replaces == last {
		return nil, nil
	}
	was, err := keptTestOf(data, r.Replaces)
	if err != nil {
		return nil, err
	}
	made, err := keptTestOf(data, last)
	if err != nil {
		return nil, err
	}
	return group.Undone(was.plans, made.plans, now.plans, next.plans)
}

// last is the test file that the revision put in force, or left there.
func (r *revision) last() string {
	for _, name := range sortedKeys(r.Groups) {
		if t := r.Groups[name]; len(t) > 0 {
			return t[len(t)-1].Digest
		}
	}
	return ""
}

// lastInForce is the test file that the results of a data folder were made by last;
// nil where that is not known. Behind a revision that no cut is of yet it is the
// revision's.
func lastInForce(data string, plans []*group.Plan) (*keptTest, error) {
	wanted, err := wantedRevision(data)
	if err != nil {
		return nil, err
	}
	for _, p := range plans {
		newest, err := archive.Newest(filepath.Join(data, rawFolder), p.Name)
		if err != nil {
			return nil, err
		}
		digest, known, err := calibrationBehind(newest)
		if err != nil {
			return nil, err
		}
		if !known {
			continue
		}
		into, err := worker.RevisionOf(newest.State)
		if err != nil {
			return nil, err
		}
		if cmp.Or(into, reducedFolder) != wanted {
			r, err := readRevision(data, wanted)
			if err != nil {
				return nil, err
			}
			digest = r.last()
		}
		if digest != "" {
			return keptTestOf(data, digest)
		}
	}
	return nil, nil
}

// startWith is the test file that a start works by: the one that was given, but the
// one that holds where that would take back what was put right. A start mostly comes
// after a power cut, when nobody is there, and readings have to be taken in. What
// cannot be read is told by the work that needs it.
func (c *serveCommand) startWith(test *keptTest, log *slog.Logger) *keptTest {
	now, err := lastInForce(c.Data, test.plans)
	if err == nil && now != nil {
		err = undoes(c.Data, now, test, c.Undo)
	}
	switch {
	case errors.Is(err, errUndoes):
		log.Error("the test file was not taken; until then the service works by the test file that holds, and by nothing else that is new in the other", "file", c.Test, "err", err)
		return now
	case err != nil:
		log.Warn("it is not known whether the test file takes back what a re-reduction put right", "err", err)
	}
	return test
}
