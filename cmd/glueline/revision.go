package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/revise"
)

// A revision is one complete reduction of a test under one timeline, in a folder
// of its own below the data folder. The first one, r1, is what serve made as the
// readings came; each other one has a file that says what it is.
const (
	revisionFile = "revision.json"
	// pointerFile names the revision that holds; without it, the first one does.
	pointerFile = "current"
)

// revision is what the file of a revision says. It is written once.
type revision struct {
	Version int        `json:"version"`
	Name    string     `json:"revision"`
	From    string     `json:"from"` // the one that it changes
	Test    string     `json:"test"`
	Who     string     `json:"who"`
	Why     string     `json:"why"`
	Made    time.Time  `json:"made"`
	Begin   *time.Time `json:"begin,omitempty"` // the change holds from this time of the readings on
	End     *time.Time `json:"end,omitempty"`   // and up to this one
	Changes []string   `json:"changes"`         // in words
	// Replaces is the test file that the last one of its timelines was made from.
	Replaces string                   `json:"replaces,omitempty"`
	Groups   map[string][]holdingFrom `json:"groups"` // timelines, by group
}

// holdingFrom is an entry of a timeline as it is kept.
type holdingFrom struct {
	Place  uint64 `json:"place"` // in the group's order of frames and events
	Digest string `json:"digest"`
}

// currentRevision is the revision of a data folder that holds.
func currentRevision(data string) (string, error) {
	text, err := os.ReadFile(filepath.Join(data, pointerFile))
	if errors.Is(err, fs.ErrNotExist) {
		return reducedFolder, nil
	}
	if err != nil {
		return "", fmt.Errorf("which revision holds: %w", err)
	}
	name := strings.TrimSpace(string(text))
	if !event.IsRevision(name) {
		return "", fmt.Errorf("%s names no revision; write the name of one, for example r1", filepath.Join(data, pointerFile))
	}
	return name, nil
}

// resultsIn is the folder of the results: of a data folder that of the revision
// that holds, else the folder itself.
func resultsIn(dir string) (string, error) {
	if !isFolder(filepath.Join(dir, reducedFolder)) {
		return dir, nil
	}
	name, err := currentRevision(dir)
	return filepath.Join(dir, name), err
}

// setCurrent has a revision hold.
func setCurrent(data, name string) error {
	temporary := filepath.Join(data, "."+pointerFile)
	err := writeSynced(temporary, []byte(name+"\n"))
	if err == nil {
		err = os.Rename(temporary, filepath.Join(data, pointerFile))
	}
	if err == nil {
		err = disk.At(data).Sync()
	}
	if err != nil {
		return fmt.Errorf("have revision %s hold: %w", name, err)
	}
	return nil
}

// revisions lists those of a data folder, by their numbers; the first has no file.
func revisions(data string) ([]*revision, error) {
	entries, err := os.ReadDir(data)
	if err != nil {
		return nil, fmt.Errorf("revisions: %w", err)
	}
	var all []*revision
	for _, e := range entries {
		if !e.IsDir() || !event.IsRevision(e.Name()) {
			continue
		}
		r, err := readRevision(data, e.Name())
		if err != nil {
			return nil, err
		}
		all = append(all, r)
	}
	slices.SortFunc(all, func(a, b *revision) int {
		return cmp.Or(cmp.Compare(len(a.Name), len(b.Name)), cmp.Compare(a.Name, b.Name))
	})
	return all, nil
}

func readRevision(data, name string) (*revision, error) {
	if name == reducedFolder {
		return &revision{Name: name}, nil
	}
	path := filepath.Join(data, name, revisionFile)
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("revision %s: %w", name, err)
	}
	var r revision
	if err := json.Unmarshal(text, &r); err != nil || r.Name != name || r.Version != 1 {
		return nil, fmt.Errorf("%s is not the file of revision %s: %w", path, name, errors.Join(err, errRevision))
	}
	return &r, nil
}

// errRevision occurs when the file of a revision is not what was written.
var errRevision = errors.New("it was changed, or another program wrote it")

// write makes the folder of the revision, whole or not at all.
func (r *revision) write(data string) error {
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	partial, err := os.MkdirTemp(data, ".revision-*")
	if err == nil {
		err = os.Chmod(partial, 0o755)
	}
	if err == nil {
		err = writeSynced(filepath.Join(partial, revisionFile), append(text, '\n'))
	}
	if err == nil {
		err = publish(partial, filepath.Join(data, r.Name))
	}
	if err != nil {
		err = fmt.Errorf("revision %s: %w", r.Name, err)
		if other, none := readRevision(data, r.Name); none == nil {
			err = fmt.Errorf("%s was begun meanwhile by %s (%s); wait until it holds, then ask again: what you want changed is then a change of that", r.Name, other.Who, other.Why)
		}
		return errors.Join(err, os.RemoveAll(partial))
	}
	return nil
}

// timeline is the revision's for one group over so many cuts: what its file says,
// and behind it, where the live readings went into it, what the journal named.
func (r *revision) timeline(data, name string, cuts uint64, plan func(digest string) (*group.Plan, error)) (revise.Timeline, error) {
	raw := filepath.Join(data, rawFolder)
	if r.Name == reducedFolder {
		return revise.ArchiveTimeline(raw, name, 0, cuts, plan)
	}
	var t revise.Timeline
	for _, h := range r.Groups[name] {
		p, err := plan(h.Digest)
		if err != nil {
			return nil, fmt.Errorf("revision %s, from place %d of group %s: %w", r.Name, h.Place, name, err)
		}
		t = append(t, revise.Entry{From: h.Place, Digest: h.Digest, Plan: p})
	}
	if len(t) == 0 {
		return nil, fmt.Errorf("revision %s has no group %s", r.Name, name)
	}
	// The live readings went into a revision from some cut on, and go into it
	// or a later one since.
	live := cuts
	for live > 0 {
		record, err := archive.Read(raw, name, live-1)
		if err != nil {
			return nil, err
		}
		if !later(cmp.Or(record.Revision, reducedFolder), r.Name) {
			break
		}
		live--
	}
	if live == cuts {
		return t, nil
	}
	behind, err := revise.ArchiveTimeline(raw, name, live, cuts, plan)
	if err != nil {
		return nil, err
	}
	for len(t) > 1 && t[len(t)-1].From >= behind[0].From {
		t = t[:len(t)-1]
	}
	if t[len(t)-1].Digest == behind[0].Digest {
		behind = behind[1:]
	}
	return append(t, behind...), nil
}

// later reports whether a revision is another one or comes after it.
func later(a, b string) bool { return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) >= 0 }

// order is what it takes to make a group of the revision, with what need not be
// made taken from the one that it changes.
func (r *revision) order(data, name string, plan func(digest string) (*group.Plan, error)) (o revise.Order, err error) {
	if o, err = r.orderOfItself(data, name, plan); err != nil {
		return o, err
	}
	base, err := readRevision(data, r.From)
	if err != nil {
		return o, err
	}
	if o.Was, err = base.timeline(data, name, o.Cuts, plan); err != nil {
		return o, err
	}
	o.Base = filepath.Join(data, r.From)
	return o, nil
}

// orderOfItself takes nothing from another revision, and so need not know by what
// that was made, which takes a look at every cut.
func (r *revision) orderOfItself(data, name string, plan func(digest string) (*group.Plan, error)) (o revise.Order, err error) {
	raw := filepath.Join(data, rawFolder)
	newest, err := archive.Newest(raw, name)
	if err != nil {
		return o, err
	}
	o = revise.Order{Group: name, Test: r.Test, Raw: raw, Out: filepath.Join(data, r.Name), Program: program()}
	if newest != nil {
		o.Cuts, o.Test = newest.Cut+1, newest.Test
	}
	o.Timeline, err = r.timeline(data, name, o.Cuts, plan)
	return o, err
}

// keptPlans finds the plan of a group in the test files that a data folder keeps.
func keptPlans(data, name string) func(digest string) (*group.Plan, error) {
	known := map[string]*group.Plan{}
	return func(digest string) (*group.Plan, error) {
		if p := known[digest]; p != nil {
			return p, nil
		}
		k, err := keptTestOf(data, digest)
		if err != nil {
			return nil, err
		}
		for _, p := range k.plans {
			if p.Name == name {
				known[digest] = p
				return p, nil
			}
		}
		return nil, fmt.Errorf("the test file %s has no group %s", digest, name)
	}
}

// timelinesOf are those of a revision by group; nil for the first, which was
// reduced by what the raw archive names.
func timelinesOf(data, name string) (map[string]revise.Timeline, error) {
	if name == reducedFolder {
		return nil, nil
	}
	r, err := readRevision(data, name)
	if err != nil {
		return nil, err
	}
	out := map[string]revise.Timeline{}
	for g := range r.Groups {
		newest, err := archive.Newest(filepath.Join(data, rawFolder), g)
		if err != nil || newest == nil {
			return nil, err
		}
		if out[g], err = r.timeline(data, g, newest.Cut+1, keptPlans(data, g)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// endsOf says, by group, how many cuts a revision has where a later one has taken its
// place: the service went on in that, and makes no cut of the former.
func endsOf(data, name string) (map[string]uint64, error) {
	raw := filepath.Join(data, rawFolder)
	names, err := groupsOf(raw)
	if err != nil {
		return nil, err
	}
	ends := map[string]uint64{}
	behind := func(r *archive.Record) bool {
		into := cmp.Or(r.Revision, reducedFolder)
		return into != name && later(into, name)
	}
	for _, g := range names {
		// Mostly the newest cut is its own, and no other need be looked at.
		if newest, err := archive.Newest(raw, g); err == nil && newest != nil && !behind(newest) {
			continue
		}
		cuts, err := archive.Cuts(raw, g)
		if err != nil {
			return nil, err
		}
		for _, cut := range cuts {
			r, err := archive.Read(raw, g, cut)
			if err != nil {
				break // verify names it
			}
			if behind(r) {
				ends[g] = cut
				break
			}
		}
	}
	return ends, nil
}
