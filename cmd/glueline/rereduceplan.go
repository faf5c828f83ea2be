package main

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/sinks/archive"
	"glueline/sinks/revise"
)

// plan makes the revision that the command line asks for, and keeps its test files.
func (c *rereduceCommand) plan(current, name string) (*revision, error) {
	from, to, err := c.span()
	if err != nil {
		return nil, err
	}
	next, err := readTest(c.Calibration)
	if err != nil {
		return nil, err
	}
	base, err := readRevision(c.Data, current)
	if err != nil {
		return nil, err
	}
	r := &revision{Version: 1, Name: name, From: current, Test: next.test.About.Name.Text, Who: strings.Join(strings.Fields(c.Who), " "), Why: strings.TrimSpace(c.Why),
		Made: time.Now().UTC(), Begin: from, End: to, Changes: []string{}, Groups: map[string][]holdingFrom{}}
	var past []*pastGroup
	touches := false
	for _, p := range next.plans {
		g, err := c.past(base, p.Name)
		if err != nil {
			return nil, err
		}
		if g == nil {
			continue // nothing of it is committed
		}
		if err := g.place(from, to); err != nil {
			return nil, err
		}
		past, touches = append(past, g), touches || g.begin < g.end
	}
	if len(past) == 0 {
		return nil, nothingIn(c.Data)
	}
	inForce, err := keptTestOf(c.Data, past[0].was[len(past[0].was)-1].Digest)
	if err != nil {
		return nil, err
	}
	if err := mayReload(inForce, next); err != nil {
		return nil, fmt.Errorf("%s: %w", c.Calibration, err)
	}
	if !touches {
		return nil, noneOfThatTime(r.spanInWords(), past)
	}
	for _, g := range past {
		if r.Groups[g.name], err = c.change(r, g, next); err != nil {
			return nil, err
		}
		if g.name == sortedKeys(r.Groups)[0] {
			r.Replaces = g.was[len(g.was)-1].Digest
		}
	}
	return r, nil
}

// only makes sure that a change is one of what --channels names.
func (c *rereduceCommand) only(before, after []*group.Plan) error {
	if len(c.Channels) == 0 {
		return nil
	}
	changed, err := group.Changed(before, after)
	if err != nil {
		return err
	}
	var others []string
	for _, kind := range sortedKeys(changed) {
		for _, name := range changed[kind] {
			if !slices.Contains(c.Channels, name) {
				others = append(others, kind+" "+name)
			}
		}
	}
	if len(others) > 0 {
		return fmt.Errorf("%s has other constants for %s too, which --channels does not name; leave them as they are in the test file that holds, or name them", c.Calibration, some(others))
	}
	return nil
}

// pastGroup is a group as the revision that holds has it, and what of it a change
// is of.
type pastGroup struct {
	name, raw  string
	cuts       uint64
	was        revise.Timeline
	begin, end uint64 // places, the end not included; the same where no frame is of the time
}

// past is nil where nothing of the group is archived.
func (c *rereduceCommand) past(base *revision, name string) (*pastGroup, error) {
	g := &pastGroup{name: name, raw: filepath.Join(c.Data, rawFolder)}
	newest, err := archive.Newest(g.raw, name)
	if err != nil || newest == nil {
		return nil, err
	}
	g.cuts = newest.Cut + 1
	g.was, err = base.timeline(c.Data, name, g.cuts, keptPlans(c.Data, name))
	return g, err
}

// place finds the places of a time of the readings; nil is without a limit.
func (g *pastGroup) place(from, to *time.Time) (err error) {
	g.begin, g.end = 0, math.MaxUint64
	if from != nil {
		if g.begin, err = revise.Place(g.raw, g.name, g.cuts, from.UnixNano()); err != nil {
			return err
		}
	}
	if to != nil {
		if g.end, err = revise.Place(g.raw, g.name, g.cuts, to.UnixNano()); err != nil {
			return err
		}
	}
	if from == nil && to == nil {
		return nil
	}
	first, err := revise.Place(g.raw, g.name, g.cuts, math.MinInt64)
	if err != nil {
		return err
	}
	newest, err := archive.Read(g.raw, g.name, g.cuts-1)
	if err != nil {
		return err
	}
	if max(g.begin, first) >= min(g.end, newest.Last+1) {
		g.end = g.begin
	}
	return nil
}

// noneOfThatTime says which times there are readings of.
func noneOfThatTime(span string, past []*pastGroup) error {
	first, last := int64(math.MaxInt64), int64(math.MinInt64)
	for _, g := range past {
		a, b, err := revise.Times(g.raw, g.name, g.cuts)
		if err != nil {
			return err
		}
		first, last = min(first, a), max(last, b)
	}
	return fmt.Errorf("%s: no reading in the raw archive is of that time; those there reach from %s to %s: look at the year and at the offset", span, moment(first), moment(last))
}

// change is a group's timeline with the change in it. What differs between the
// last test file of the time that it is of and the right one is the change, and is
// made in those before too. Where nothing differs, the right one holds in the place
// of all of them.
func (c *rereduceCommand) change(r *revision, g *pastGroup, next *keptTest) ([]holdingFrom, error) {
	var out []holdingFrom
	add := func(place uint64, digest string) {
		if n := len(out); n > 0 && out[n-1].Place == place {
			out = out[:n-1]
		}
		if n := len(out); n == 0 || out[n-1].Digest != digest {
			out = append(out, holdingFrom{place, digest})
		}
	}
	var changed *changedTests
	for i, e := range slices.Backward(g.was) {
		if g.begin < g.end && e.From < g.end && (g.ends(i) > g.begin) {
			before, err := keptTestOf(c.Data, e.Digest)
			if err != nil {
				return nil, err
			}
			if changed, err = c.from(before, next); err != nil {
				return nil, err
			}
			break
		}
	}
	for i, e := range g.was {
		ends := g.ends(i)
		if e.From < g.begin || changed == nil {
			add(e.From, e.Digest)
		}
		if changed == nil {
			continue
		}
		if g.begin < ends && e.From < g.end {
			digest, lines, err := changed.of(e.Digest)
			if errors.Is(err, testfile.ErrChange) {
				return nil, g.elsewhere(i, err)
			}
			if err != nil {
				return nil, err
			}
			for _, line := range lines {
				if !slices.Contains(r.Changes, line) {
					r.Changes = append(r.Changes, line)
				}
			}
			add(max(e.From, g.begin), digest)
		}
		if g.end < ends {
			add(max(e.From, g.end), e.Digest)
		}
	}
	return out, nil
}

// ends is the place behind an entry of the timeline.
func (g *pastGroup) ends(i int) uint64 {
	if i+1 < len(g.was) {
		return g.was[i+1].From
	}
	return math.MaxUint64
}

// elsewhere says which time a change does not fit, and how to go about it.
func (g *pastGroup) elsewhere(i int, err error) error {
	at := func(place uint64) string {
		t, ok, none := revise.When(g.raw, g.name, g.cuts, place)
		if none != nil || !ok {
			return fmt.Sprintf("place %d", place)
		}
		return time.Unix(0, t).UTC().Format(time.RFC3339Nano)
	}
	from := at(g.was[i].From)
	flags := "--from " + from
	span := "from " + from + " on"
	if i+1 < len(g.was) {
		to := at(g.was[i+1].From)
		span, flags = "from "+from+" to "+to, flags+" --to "+to
	}
	return fmt.Errorf("another test file held %s (group %s): %w; leave that time alone (--from, --to), or first change it by a test file of its own: %s", span, g.name, err, flags)
}

// changedTests are the test files with the change made in them.
type changedTests struct {
	command       *rereduceCommand
	before, after *keptTest
	same          bool // they have the same constants
	made          map[string]changedTest
}

// changedTest is what a test file that held becomes, and what is other in it.
type changedTest struct {
	digest string
	lines  []string
}

func (c *rereduceCommand) from(before, after *keptTest) (*changedTests, error) {
	lines, err := group.Differences(before.plans, after.plans)
	return &changedTests{c, before, after, len(lines) == 0, map[string]changedTest{}}, err
}

// of makes the change in a test file that is kept, keeps that too, and returns its
// digest and what is other.
func (c *changedTests) of(digest string) (string, []string, error) {
	if made, ok := c.made[digest]; ok {
		return made.digest, made.lines, nil
	}
	was, err := keptTestOf(c.command.Data, digest)
	if err != nil {
		return "", nil, err
	}
	next := c.after
	if digest != c.before.digest && !c.same {
		if next, err = c.make(was); err != nil {
			return "", nil, err
		}
	}
	lines, err := group.Differences(was.plans, next.plans)
	if err != nil {
		return "", nil, err
	}
	if err := c.command.only(was.plans, next.plans); err != nil {
		return "", nil, err
	}
	if err := next.keep(c.command.Data); err != nil {
		return "", nil, err
	}
	c.made[digest] = changedTest{next.digest, lines}
	return next.digest, lines, nil
}

// make writes the changed test file into a folder for a moment and reads it as any
// other.
func (c *changedTests) make(was *keptTest) (next *keptTest, err error) {
	dir, err := os.MkdirTemp("", "glueline-*")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	for i, f := range was.files {
		text := f.text
		if i == 0 {
			if text, err = testfile.Change(c.before.files[0].text, c.after.files[0].text, f.text); err != nil {
				return nil, err
			}
		} else if now := c.after.fileOf(f.name); now != nil && bytes.Equal(text, c.before.fileOf(f.name)) {
			text = now
		} else if !bytes.Equal(c.before.fileOf(f.name), now) {
			return nil, fmt.Errorf("%w: the list %s was another then", testfile.ErrChange, f.name)
		}
		if err := os.WriteFile(filepath.Join(dir, f.name), text, 0o600); err != nil {
			return nil, err
		}
	}
	kept := filepath.Join(dir, keptName)
	return readTest(kept)
}

func (k *keptTest) fileOf(name string) []byte {
	for _, f := range k.files {
		if f.name == name {
			return f.text
		}
	}
	return nil
}
