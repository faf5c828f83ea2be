package verify

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"glueline/pipeline/group"
	"glueline/sinks/revise"
	"glueline/sinks/segment"
)

// Options say what to walk.
type Options struct {
	Reduced string // folder of the segments
	Raw     string // folder of the raw archive; "" when there is none

	// Labels are what reports call the folders, with a slash behind.
	ReducedLabel, RawLabel string

	// Tests are the test files that the results may have been made with. With
	// none, constants are compared with their digests only.
	Tests []Test

	// Timelines say, by group, which plan holds from where on in a revision. A
	// group without one was reduced by what the raw archive names.
	Timelines map[string]revise.Timeline

	// Ends say, by group, how many cuts a revision has whose place another has taken
	// since. A group without one has those of the raw archive.
	Ends map[string]uint64
	// Part says that the revision is not finished: Ends are the cuts that are made, and
	// files of later ones, whose records are not there yet, are no damage.
	Part bool

	// NoJournal says that no journal is there, nor a service at work: what lacks in the
	// raw archive comes from nowhere.
	NoJournal bool

	// Again says what makes a cut again whose record is taken away; "" for serve.
	Again string

	// Program is the one at work: what another one made may differ by a part in
	// 1e12 when it is made again.
	Program segment.Program

	// Recompute reduces the raw frames of every sound cut again, in a new
	// folder below Temporary, and compares the results. It needs Raw and Tests.
	Recompute bool
	Temporary string

	Progress func(done int64) // bytes of Size; may be nil
}

// Test is a test file: the plans of its groups, and the digest by which a journal
// names it, "" where that is not known.
type Test struct {
	Digest string
	Plans  []*group.Plan
}

// ErrNothing occurs when a folder holds no commit record.
var ErrNothing = errors.New("no commit records here; give the data folder of serve or the results folder of reduce")

// Size is how many bytes Walk will look at, about.
func Size(o Options) (int64, error) {
	reduced, err := list(o.Reduced, o.ReducedLabel, false)
	if err != nil || o.Raw == "" {
		return fileBytes(reduced), err
	}
	raw, err := list(o.Raw, o.RawLabel, true)
	if err != nil {
		return 0, err
	}
	total := fileBytes(reduced) + fileBytes(raw)
	if o.Recompute {
		total += fileBytes(raw)
	}
	return total, nil
}

func fileBytes(f *folder) int64 {
	if f == nil {
		return 0
	}
	return f.bytes
}

// walk is one verification.
type walk struct {
	options Options
	report  *Report
	groups  map[string]*Group // by label and name of the group
	test    string            // that most records are of, once some were read
	plan    *group.Plan       // that the cut before was made with
	owner   map[string]string // file that has a SHA-256, by records
	buffer  []byte
	done    int64
}

// Walk looks at everything. The error is about what kept it from looking; what
// it found is in the report.
func Walk(ctx context.Context, o Options) (*Report, error) {
	w := &walk{options: o, report: new(Report), groups: map[string]*Group{}, owner: map[string]string{}, buffer: make([]byte, 1<<20)}
	// The raw folder is listed first: where serve is at work, reduced files may
	// then be ahead by a cut, but never behind.
	var raw *folder
	var err error
	if o.Raw != "" {
		if raw, err = list(o.Raw, o.RawLabel, true); err != nil {
			return nil, err
		}
	}
	reduced, err := list(o.Reduced, o.ReducedLabel, false)
	if err != nil {
		return nil, err
	}
	names := reduced.groups()
	if raw != nil {
		names = append(names, raw.groups()...)
	}
	slices.Sort(names)
	names = slices.Compact(names)
	if len(names) == 0 {
		return nil, ErrNothing
	}
	// All records first: then a file that holds what belongs elsewhere is known.
	var groups []recordsOf
	for _, name := range names {
		groups = append(groups, w.load(name, raw, reduced))
	}
	for _, g := range groups {
		if err := w.group(ctx, g, raw, reduced); err != nil {
			return nil, err
		}
	}
	for _, f := range []*folder{raw, reduced} {
		if f != nil {
			w.health(f)
			w.leftOver(f)
		}
	}
	for _, name := range names {
		for _, f := range []*folder{raw, reduced} {
			if f != nil && w.groups[f.label+"\x00"+name] != nil {
				w.report.Groups = append(w.report.Groups, *w.groups[f.label+"\x00"+name])
			}
		}
	}
	return w.report, nil
}

// recordsOf are the records of a group by cut, nil where there is no sound one.
type recordsOf struct {
	name         string
	raw, reduced []*record
}

// load reads the records of a group in both folders.
func (w *walk) load(name string, raw, reduced *folder) recordsOf {
	rawCuts, reducedCuts := w.last(raw, name), w.last(reduced, name)
	if raw != nil {
		end, ended := w.options.Ends[name]
		switch {
		case ended && w.options.Part:
			reducedCuts = end
		case ended:
			reducedCuts = max(reducedCuts, end)
		case reducedCuts == rawCuts+1 && !w.options.NoJournal:
			w.note("%s%s: the raw record of this cut is not there yet: serve was stopped in between, or is at it now, and makes it from the journal (--journal looks whether that has it)",
				reduced.label, nameOf(name, rawCuts))
		case reducedCuts > rawCuts:
			rawCuts = reducedCuts // the records that lack are named one by one
		case reducedCuts < rawCuts:
			reducedCuts = rawCuts
		}
	}
	g := recordsOf{name: name}
	if rawCuts > 0 {
		g.raw = w.records(raw, name, rawCuts-1)
		w.own(raw, g.raw)
	}
	if reducedCuts > 0 {
		g.reduced = w.records(reduced, name, reducedCuts-1)
		w.own(reduced, g.reduced)
	}
	return g
}

// group walks the files of a group in both folders.
func (w *walk) group(ctx context.Context, g recordsOf, raw, reduced *folder) error {
	archived := w.archived(ctx, raw, g.name, g.raw)
	results := w.results(ctx, reduced, g.name, g.reduced, archived)
	for cut := range min(len(archived), len(results)) {
		w.compareRows(reduced, g.name, archived[cut], results[cut])
	}
	if w.options.Recompute && raw != nil && ctx.Err() == nil {
		return w.recompute(ctx, raw, reduced, g.name, archived, results)
	}
	return ctx.Err()
}

// last is how many cuts there must be, by the newest record.
func (w *walk) last(f *folder, group string) uint64 {
	if f == nil {
		return 0
	}
	newest, any := f.newest(group)
	if !any {
		return 0
	}
	return newest + 1
}

// own notes which file has which bytes, so that exchanged ones can be named,
// and that the files are known.
func (w *walk) own(f *folder, records []*record) {
	for _, r := range records {
		if r == nil {
			continue
		}
		for _, file := range r.files {
			name := f.label + file.Name
			if other := w.owner[file.SHA256]; other != "" && other != name {
				w.damage(f, r.group, RecordDoubled, r.name, fmt.Sprintf("it lists %s with the bytes of %s", file.Name, other))
			} else if other == name && !f.rest[file.Name] {
				w.damage(f, r.group, RecordDoubled, r.name, fmt.Sprintf("%s is listed by two records", file.Name))
			}
			w.owner[file.SHA256] = name
			delete(f.rest, file.Name)
		}
	}
}

func (w *walk) progress(n int64) {
	w.done += n
	if w.options.Progress != nil {
		w.options.Progress(w.done)
	}
}

func (w *walk) note(format string, args ...any) {
	w.report.Notes = append(w.report.Notes, fmt.Sprintf(format, args...))
}

// of is the row of the table for a group in a folder.
func (w *walk) of(f *folder, name string) *Group {
	key := f.label + "\x00" + name
	g := w.groups[key]
	if g == nil {
		g = &Group{Name: name, Folder: f.label}
		w.groups[key] = g
	}
	return g
}

func (w *walk) damage(f *folder, group string, kind Kind, file, found string) {
	w.of(f, group).Damages++
	w.report.Damages = append(w.report.Damages, Damage{Kind: kind, File: f.label + file, Found: found, Do: w.remedy(f, kind)})
}

// remedy says what to do about a damage.
func (w *walk) remedy(f *folder, kind Kind) string {
	again := "remove the commit record of this cut from " + f.label + ", if it is there, and " + cmp.Or(w.options.Again, "start serve") + ": it makes the cut again from the raw archive"
	switch {
	case kind == FileUnlisted || kind == RecordDoubled:
		return "nothing uses it: move it out of the folder, when what belongs in its place is there"
	case kind == Health:
		if w.options.Again != "" {
			return "nothing of the measurement is lost: remove all health files of this group; they can be made again from the segments"
		}
		return "nothing of the measurement is lost: remove all health files of this group, and serve makes them again from the segments"
	case kind == Constants:
		return "find the test file that these results were made with; a change of the past belongs in another revision"
	case kind == JournalReplaced:
		return "one data folder goes with one journal: give the other one a folder of its own"
	case f.isRaw:
		return "put it back from a copy of the folder: nothing here can make it again once the journal is trimmed"
	case w.options.Raw != "" && kind == Result:
		return "keep a copy, since either the file or the program was changed; then " + again
	case w.options.Raw != "":
		return again
	}
	return "reduce the raw files again into another folder, or put it back from a copy"
}

// observe adds a sound file to the group's row of the table.
func (w *walk) observe(f *folder, group string, c *content) {
	g := w.of(f, group)
	g.Files++
	g.Rows += c.file.Rows
	g.Bytes += c.file.Bytes
	if c.file.Rows == 0 {
		return
	}
	if g.Rows == c.file.Rows || c.file.FirstTime < g.FirstTime {
		g.FirstTime = c.file.FirstTime
	}
	g.LastTime = max(g.LastTime, c.file.LastTime)
}
