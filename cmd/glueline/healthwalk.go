package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/follow"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
	"glueline/sinks/archive"
	"glueline/sinks/health"
	"glueline/sinks/segment"
)

// healthWalk goes through the cuts of a group, step after step (package
// sinks/health).
type healthWalk struct {
	dir      string    // of the segments
	data     string    // data folder with the raw archive and the test files; "" for none
	revision *revision // of the data folder, that dir holds
	group    string
	given    *declared // holds throughout; nil: those that are kept
	known    map[string]*declared

	pass     *follow.Pass
	state    walkState
	previous string // hash of the newest health file
	skipped  []error
	waits    string       // for which group, and how far that has come; "" for none
	wrote    *health.File // newest that is written; nil before any
	evident  *health.File // the one that the keeper has the evidence of

	records  []segment.CommitRecord // of the step under way
	upTo     int64                  // that they reach to
	progress func(bytes int64)
	rest     func(context.Context) error // between batches; nil for none
}

// walkState is what a walk remembers between steps.
type walkState struct {
	Next      uint64            `json:"next"`  // cut
	UpTo      int64             `json:"up_to"` // ns, newest row; of use once Next is not 0
	Load      string            `json:"load,omitempty"`
	Digest    string            `json:"digest,omitempty"`    // of the test file in force
	Constants map[string]string `json:"constants,omitempty"` // newest of each channel
	Changed   map[string]int64  `json:"changed,omitempty"`   // ns, when they became others
	Others    map[string]uint64 `json:"others,omitempty"`    // by group: the first cut with rows that are still to come
	Shunts    []event.Event     `json:"shunts,omitempty"`    // that are not over
	Pass      json.RawMessage   `json:"pass"`
}

// walksOf are the walks of all groups of a folder, each from its newest health
// file on: with a test file given, from the beginning, since it may say other
// things than the one that the health files go by. Those that are known are taken
// as they are.
func walksOf(dir string, given *declared, known map[string]*healthWalk) ([]*healthWalk, error) {
	w := healthWalk{given: given}
	if err := w.find(dir); err != nil {
		return nil, err
	}
	groups, err := cutGroups(w.dir)
	if err != nil {
		return nil, err
	}
	if len(groups) == 0 {
		return nil, nothingIn(w.dir)
	}
	var all []*healthWalk
	for _, name := range groups {
		if known[name] != nil && known[name].dir == w.dir {
			all = append(all, known[name])
			continue
		}
		one := w
		one.group = name
		if err := one.begin(); err != nil {
			return nil, fmt.Errorf("group %s: %w", name, err)
		}
		all = append(all, &one)
	}
	return all, nil
}

// find takes a folder of results: the data folder of a service, of which the
// revision counts that holds, one of its revisions, or what reduce wrote.
func (w *healthWalk) find(dir string) (err error) {
	if w.dir, err = resultsIn(dir); err != nil {
		return err
	}
	whole, err := filepath.Abs(w.dir)
	if err != nil {
		return fmt.Errorf("%s: %w", w.dir, err)
	}
	if name := filepath.Base(whole); event.IsRevision(name) && isFolder(filepath.Join(filepath.Dir(whole), rawFolder)) {
		w.data = filepath.Dir(whole)
		w.revision, err = readRevision(w.data, name)
	}
	return err
}

// cutGroups lists the groups that have a first cut.
func cutGroups(dir string) (names []string, err error) {
	first := segment.CommitRecord{Group: "*"}.Name()
	paths, err := filepath.Glob(filepath.Join(dir, first))
	for _, path := range paths {
		names = append(names, strings.TrimSuffix(filepath.Base(path), first[1:]))
	}
	slices.Sort(names)
	return names, err
}

// begin goes back to the newest health file.
func (w *healthWalk) begin() error {
	w.known, w.records = map[string]*declared{}, nil
	w.pass, w.state, w.previous, w.wrote = follow.New(), walkState{}, "", nil
	if w.given != nil {
		return nil
	}
	f, hash, text, skipped, err := health.Newest(w.dir, w.group)
	w.skipped = skipped
	if err != nil || f == nil {
		return err
	}
	var state walkState
	if err := json.Unmarshal(text, &state); err != nil {
		return fmt.Errorf("%s: %w: %w", health.StateName(w.group, f.Cut), health.ErrDamaged, err)
	}
	pass, err := follow.Restore(state.Pass)
	if err != nil {
		return fmt.Errorf("%s: %w: %w", health.StateName(w.group, f.Cut), health.ErrDamaged, err)
	}
	state.Pass = nil
	w.pass, w.state, w.previous, w.wrote, w.upTo = pass, state, hash, f, state.UpTo
	return w.again()
}

// again gives a restored pass the constants and the test file that it went by.
func (w *healthWalk) again() error {
	in := &follow.Input{Checks: []steps.Check{}, Batches: func(func(*follow.Batch)) error { return nil }}
	for _, name := range slices.Sorted(maps.Keys(w.state.Constants)) {
		c, err := group.ReadConstants(w.state.Constants[name])
		if err != nil {
			return err
		}
		in.Channels = append(in.Channels, c)
	}
	d, err := w.declares()
	if err != nil {
		return err
	}
	in.Declared = d.Declared
	return w.pass.Take(in)
}

// gather reads the commit records of the next step as far as they are there; due
// says that it is complete.
func (w *healthWalk) gather() (due bool, err error) {
	for {
		if len(w.records) > 0 && w.upTo > 0 && (w.state.Next == 0 || floorHour(w.upTo) > floorHour(w.state.UpTo)) {
			return true, nil
		}
		cut := w.state.Next + uint64(len(w.records))
		r, err := segment.ReadCommit(filepath.Join(w.dir, segment.CommitRecord{Group: w.group, Cut: cut}.Name()))
		if errors.Is(err, fs.ErrNotExist) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		if there, err := w.inArchive(cut); err != nil || !there {
			return false, err
		}
		if len(w.records) == 0 {
			w.upTo = w.state.UpTo
		}
		w.records = append(w.records, r)
		w.upTo = max(w.upTo, lastTime(&r))
	}
}

func floorHour(ns int64) int64 { return ns / int64(time.Hour) }

// lastTime is the highest of a cut's rows; 0 without rows.
func lastTime(r *segment.CommitRecord) (at int64) {
	for _, f := range r.Files {
		if f.Rows > 0 {
			at = max(at, f.LastTime)
		}
	}
	return at
}

// bytesLeft is about how much toTheEnd will read.
func (w *healthWalk) bytesLeft() (n int64) {
	for cut := w.state.Next; ; cut++ {
		r, err := segment.ReadCommit(filepath.Join(w.dir, segment.CommitRecord{Group: w.group, Cut: cut}.Name()))
		if err != nil {
			return n
		}
		for _, f := range r.Files {
			n += f.Bytes * passes
		}
	}
}

// passes is how often package follow reads everything.
const passes = 2

// toTheEnd makes all steps that are there. With write they become files, and what
// is left over waits for the next time; else it is taken too, and the walk is of no
// further use than to be asked.
func (w *healthWalk) toTheEnd(ctx context.Context, write bool) error {
	for {
		due, err := w.gather()
		if err != nil {
			return err
		}
		rest := len(w.records) > 0 || len(w.state.Shunts) > 0
		if !due && (write || !rest) {
			return nil
		}
		if len(w.records) == 0 {
			w.upTo = w.state.UpTo
		}
		if write {
			if ready, err := w.othersAreThere(); err != nil || !ready {
				return err
			}
		}
		if err := w.step(ctx, !due); err != nil {
			return err
		}
		if !due {
			return nil
		}
		if write {
			if err := w.write(); err != nil {
				return err
			}
		}
	}
}

// step takes the records that were gathered.
func (w *healthWalk) step(ctx context.Context, last bool) error {
	in := &follow.Input{}
	for i := range w.records {
		r := &w.records[i]
		if r.Load != "" {
			w.state.Load = r.Load
		}
		in.Events = append(in.Events, r.Events...)
		for _, z := range r.OtherZeros {
			if group.Standing(z.Standing) == group.Replaced {
				in.Zeros = append(in.Zeros, steps.ZeroAt{Channel: z.Channel, From: z.From, To: z.To, Zero: z.OfGroup().Counted()})
			}
		}
		for _, z := range r.Zeros {
			in.Zeros = append(in.Zeros, steps.ZeroAt{Channel: z.Channel, From: z.From, To: z.To, Zero: z.OfGroup().Counted()})
		}
	}
	in.Events = steps.Merge(in.Events)
	if err := w.inForce(); err != nil {
		return err
	}
	d, err := w.declares()
	if err != nil {
		return err
	}
	in.Declared = d.Declared
	watch := newConstantsWatch(&w.state)
	if in.Channels, err = w.constants(watch); err != nil {
		return err
	}
	if in.Checks, err = w.checks(ctx, in, d, last); err != nil {
		return err
	}
	others := map[string]uint64{}
	in.Batches = func(visit func(*follow.Batch)) error {
		watch.begin()
		for i := range w.records {
			for _, f := range w.records[i].Files {
				if err := w.follow(ctx, f, true, d, watch, visit); err != nil {
					return err
				}
			}
		}
		var err error
		others, err = w.beside(ctx, d, last, visit)
		return err
	}
	if err := w.pass.Take(in); err != nil {
		return err
	}
	watch.end(&w.state)
	w.state.Others = others
	w.state.Next += uint64(len(w.records))
	w.state.UpTo, w.records = w.upTo, nil
	return nil
}

// write puts a step on disk.
func (w *healthWalk) write() error {
	var err error
	if w.state.Pass, err = w.pass.State(); err != nil {
		return err
	}
	text, err := json.Marshal(&w.state)
	w.state.Pass = nil
	if err != nil {
		return err
	}
	cut := w.state.Next - 1
	record, err := segment.ReadCommit(filepath.Join(w.dir, segment.CommitRecord{Group: w.group, Cut: cut}.Name()))
	if err != nil {
		return err
	}
	f := &health.File{
		Test: record.Test, Group: w.group, Cut: cut, UpTo: time.Unix(0, w.state.UpTo).UTC().Format(time.RFC3339Nano),
		Declared: w.state.Digest, Program: program().Version, Architecture: program().Architecture, Previous: w.previous,
		Channels: []health.Channel{}, Residuals: sayResiduals(w.pass.Residuals()),
	}
	if f.Commit, err = health.CommitHash(w.dir, w.group, cut); err != nil {
		return err
	}
	all, err := w.pass.Health()
	if err != nil {
		return err
	}
	for i := range all {
		changed := time.Time{}
		if at, ok := w.state.Changed[all[i].Channel]; ok {
			changed = time.Unix(0, at).UTC()
		}
		f.Channels = append(f.Channels, sayHealth(&all[i], changed))
	}
	if w.previous, err = health.Write(w.dir, f, text); err != nil {
		return err
	}
	w.wrote = f
	return nil
}

// checks makes the shunt checks that are over by the end of the step.
func (w *healthWalk) checks(ctx context.Context, in *follow.Input, d *declared, last bool) ([]steps.Check, error) {
	const after = int64(60 * time.Second) // the longest reading after a check, twice
	var waiting, over []event.Event
	on := map[string]event.Event{}
	all := steps.Merge(append(slices.Clone(w.state.Shunts), in.Events...))
	from := int64(math.MaxInt64)
	for _, e := range all {
		if e.Event != "shunt" {
			continue
		}
		for _, name := range e.Names() {
			one := e
			one.Channel, one.Channels = name, nil
			if e.State == "on" {
				on[name] = one
				continue
			}
			begun, ok := on[name]
			if !ok {
				continue
			}
			delete(on, name)
			settling := int64(0)
			if at := slices.IndexFunc(in.Channels, func(c group.ChannelConstants) bool { return c.Name == name }); at >= 0 {
				if wire := in.Channels[at].At(begun.Time.UnixNano()); wire != nil {
					settling = wire.Judged.Settling
				}
			}
			if !last && e.Time.UnixNano()+settling+after > w.upTo {
				waiting = append(waiting, begun, one)
				continue
			}
			over = append(over, begun, one)
			from = min(from, begun.Time.UnixNano()-after)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(on)) {
		waiting = append(waiting, on[name])
	}
	w.state.Shunts = steps.Merge(waiting)
	if len(over) == 0 {
		return []steps.Check{}, nil
	}
	// A check that began in an earlier step needs what was read then.
	records := w.records
	for cut := w.state.Next; cut > 0 && firstTime(records) > from; cut-- {
		r, err := segment.ReadCommit(filepath.Join(w.dir, segment.CommitRecord{Group: w.group, Cut: cut - 1}.Name()))
		if err != nil {
			return nil, err
		}
		records = append([]segment.CommitRecord{r}, records...)
	}
	checks, err := steps.Checks(steps.Merge(over), in.Channels, in.Zeros, func(visit func(steps.Series)) error {
		for i := range records {
			for _, f := range records[i].Files {
				if f.Rows == 0 || f.LastTime < from {
					continue
				}
				if err := w.follow(ctx, f, true, d, nil, func(b *follow.Batch) { b.Series(visit) }); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if checks == nil {
		checks = []steps.Check{}
	}
	return checks, err
}

func firstTime(records []segment.CommitRecord) int64 {
	at := int64(math.MaxInt64)
	for i := range records {
		for _, f := range records[i].Files {
			if f.Rows > 0 {
				at = min(at, f.FirstTime)
			}
		}
	}
	return at
}

// inForce finds which test file is in force at the end of the step: in a cut that
// went into the revision as it was read, the one that the raw archive names, and
// before that the one of the revision's timeline.
func (w *healthWalk) inForce() error {
	if w.given != nil || w.data == "" || len(w.records) == 0 {
		return nil
	}
	cut := w.state.Next + uint64(len(w.records)) - 1
	record, err := archive.Read(filepath.Join(w.data, rawFolder), w.group, cut)
	if err != nil {
		return fmt.Errorf("which test file is in force: %w", err)
	}
	w.state.Digest = record.Calibration
	if later(cmp.Or(record.Revision, reducedFolder), w.revision.Name) {
		return nil
	}
	for i, e := range w.revision.Groups[w.group] {
		if i == 0 || e.Place <= record.Last {
			w.state.Digest = e.Digest
		}
	}
	return nil
}

// inArchive reports whether the raw archive knows a cut, too: either record may be
// the first to be written.
func (w *healthWalk) inArchive(cut uint64) (bool, error) {
	if w.data == "" {
		return true, nil
	}
	record := archive.Record{Group: w.group, Cut: cut}
	_, err := os.Stat(filepath.Join(w.data, rawFolder, record.Name()))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}

// declares is what the test file in force declares.
func (w *healthWalk) declares() (*declared, error) {
	if w.given != nil {
		return w.given, nil
	}
	if w.state.Digest == "" || w.data == "" {
		return &declared{Declared: &follow.Declared{}}, nil
	}
	if d := w.known[w.state.Digest]; d != nil {
		return d, nil
	}
	d, err := readDeclared(filepath.Join(w.data, keptFolder, filepath.Base(w.state.Digest), keptName))
	if errors.Is(err, fs.ErrNotExist) {
		d, err = &declared{Declared: &follow.Declared{}, absent: true}, nil
	}
	if err != nil {
		return nil, err
	}
	w.known[w.state.Digest] = d
	return d, nil
}

// undeclared says why less is known of the channels than could be, since no test
// file is there to say more; "" where one is.
func (w *healthWalk) undeclared() string {
	const less = "so that nothing is said of damage, of pairs and rosettes, of witness gauges and of neighbours"
	switch {
	case w.given != nil:
		return ""
	case w.data == "":
		return "No test file is kept beside what reduce wrote, " + less + ": give it by --test. " +
			"No health files stand there either: all of it was followed from the beginning, which serve does once, beside its data."
	case w.state.Digest == "" || w.known[w.state.Digest] != nil && w.known[w.state.Digest].absent:
		return "The data folder does not have the test file that is in force, " + less + ": give it by --test."
	}
	return ""
}

// constants are those of the group's channels as they stand in the newest files of
// the step, and before it where it has none: the wires of earlier ones are in them.
func (w *healthWalk) constants(watch *constantsWatch) ([]group.ChannelConstants, error) {
	newest := map[string]string{}
	var order []string
	for i := range w.records {
		for _, f := range w.records[i].Files {
			s, err := segment.ReadCommitted(w.dir, f)
			if err != nil {
				return nil, err
			}
			for _, field := range s.Fields[2:] {
				text, of := metadata(field, "constants"), metadata(field, "of")
				if text == "" {
					continue
				}
				if _, known := newest[of]; !known {
					order = append(order, of)
				}
				newest[of] = text
			}
			if err := s.Close(); err != nil {
				return nil, err
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(w.state.Constants)) {
		if _, known := newest[name]; !known {
			newest[name], order = w.state.Constants[name], append(order, name)
		}
	}
	var all []group.ChannelConstants
	for _, name := range order {
		c, err := group.ReadConstants(newest[name])
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", name, err)
		}
		all = append(all, c)
	}
	return all, nil
}

// othersAreThere reports whether every other group whose readings go beside this
// one's strain has come as far as the step. A group of the test file that has no cut
// yet is waited for, too: else a health file would say which group was the first.
func (w *healthWalk) othersAreThere() (bool, error) {
	w.waits = ""
	if err := w.inForce(); err != nil {
		return false, err
	}
	d, err := w.declares()
	if err != nil {
		return false, err
	}
	groups, err := w.groupsBeside(d)
	if err != nil {
		return false, err
	}
	for _, name := range groups {
		newest := int64(0)
		for cut, there := w.state.Others[name], false; !there; cut++ {
			r, err := segment.ReadCommit(filepath.Join(w.dir, segment.CommitRecord{Group: name, Cut: cut}.Name()))
			if errors.Is(err, fs.ErrNotExist) {
				w.waits = waitsForGroup(name, newest)
				return false, nil
			}
			if err != nil {
				return false, err
			}
			newest = lastTime(&r)
			there = newest >= w.upTo
		}
	}
	return true, nil
}

func waitsForGroup(name string, newest int64) string {
	if newest == 0 {
		return "group " + name + ", of which nothing is there yet"
	}
	return "group " + name + ", which has come to " + moment(newest)
}

// groupsBeside are the other groups that read the load or the humidity, in order:
// those that the test file says, or without one those that have it in their first
// cut.
func (w *healthWalk) groupsBeside(d *declared) (names []string, err error) {
	if d.beside != nil {
		for _, name := range slices.Sorted(maps.Keys(d.beside)) {
			if name != w.group {
				names = append(names, name)
			}
		}
		return names, nil
	}
	all, err := cutGroups(w.dir)
	if err != nil {
		return nil, err
	}
	for _, name := range all {
		if name == w.group {
			continue
		}
		beside, err := w.readsBeside(name)
		if err != nil {
			return nil, err
		}
		if beside {
			names = append(names, name)
		}
	}
	return names, nil
}

// readsBeside reports whether the first cut of a group has the load or the humidity.
func (w *healthWalk) readsBeside(name string) (bool, error) {
	r, err := segment.ReadCommit(filepath.Join(w.dir, segment.CommitRecord{Group: name}.Name()))
	if err != nil {
		return false, err
	}
	for _, f := range r.Files {
		s, err := segment.ReadCommitted(w.dir, f)
		if err != nil {
			return false, err
		}
		found := slices.ContainsFunc(s.Fields[2:], func(field segment.Field) bool { return w.kindBeside(field) >= 0 })
		if err := s.Close(); err != nil || found {
			return found, err
		}
	}
	return false, nil
}

// kindBeside is the kind of a column that counts whatever group it is of; -1 for
// others.
func (w *healthWalk) kindBeside(field segment.Field) int {
	switch {
	case group.Quantity(metadata(field, "quantity")) != group.Auxiliary:
		return -1
	case metadata(field, "of") == w.loadName():
		return int(follow.Load)
	case metadata(field, "note") == "humidity":
		return int(follow.Humidity)
	}
	return -1
}

// loadName is the auxiliary quantity that strain is read against.
func (w *healthWalk) loadName() string {
	for i := range w.records {
		if w.records[i].Load != "" {
			return w.records[i].Load
		}
	}
	return w.state.Load
}

// beside hands out what other groups read up to the end of the step, and returns
// where each goes on.
func (w *healthWalk) beside(ctx context.Context, d *declared, last bool, visit func(*follow.Batch)) (map[string]uint64, error) {
	groups, err := w.groupsBeside(d)
	if err != nil {
		return nil, err
	}
	next := map[string]uint64{}
	to := w.upTo
	if last {
		to = math.MaxInt64
	}
	from := w.state.UpTo
	for _, name := range groups {
		for cut, there := w.state.Others[name], false; !there; cut++ {
			r, err := segment.ReadCommit(filepath.Join(w.dir, segment.CommitRecord{Group: name, Cut: cut}.Name()))
			if errors.Is(err, fs.ErrNotExist) {
				break
			}
			if err != nil {
				return nil, err
			}
			next[name] = cut
			for _, f := range r.Files {
				if f.Rows == 0 || f.LastTime <= from || f.FirstTime > to {
					continue
				}
				err := w.follow(ctx, f, false, d, nil, func(b *follow.Batch) { within(b, from, to, visit) })
				if err != nil {
					return nil, err
				}
			}
			there = lastTime(&r) >= to
		}
	}
	if len(next) == 0 {
		next = nil
	}
	return next, nil
}

// within hands out the rows of a batch after a time and up to another.
func within(b *follow.Batch, from, to int64, visit func(*follow.Batch)) {
	inside := func(at int64) bool { return at > from && at <= to }
	for i := 0; i < len(b.Time); i++ {
		if !inside(b.Time[i]) {
			continue
		}
		j := i
		for j < len(b.Time) && inside(b.Time[j]) {
			j++
		}
		part := follow.Batch{Source: b.Source, Time: b.Time[i:j]}
		for _, c := range b.Columns {
			c.Value = c.Value[i:j]
			if c.Flags != nil {
				c.Flags = c.Flags[i:j]
			}
			part.Columns = append(part.Columns, c)
		}
		visit(&part)
		i = j
	}
}

// follow hands out the batches of one segment: strain and temperatures of the
// group's own, the load and the air of any.
func (w *healthWalk) follow(ctx context.Context, f segment.File, own bool, d *declared, watch *constantsWatch, visit func(*follow.Batch)) error {
	s, err := segment.ReadCommitted(w.dir, f)
	if err != nil {
		return err
	}
	defer s.Close()
	b := follow.Batch{}
	for _, m := range s.Metadata {
		if m[0] == "source" {
			b.Source = m[1]
		}
	}
	flags := map[string]int{}
	for i, field := range s.Fields[2:] {
		if field.Kind == segment.Flags {
			flags[metadata(field, "of")] = i
		}
	}
	var values, masks []int // where each column's are; -1 for no flags
	for i, field := range s.Fields[2:] {
		c, mask := follow.Column{Name: metadata(field, "of")}, -1
		switch quantity := group.Quantity(metadata(field, "quantity")); {
		case w.kindBeside(field) >= 0:
			c.Kind = follow.Kind(w.kindBeside(field))
		case quantity == group.Auxiliary && own && metadata(field, "note") == "reference":
			c.Kind = follow.Reference
		case quantity == group.Auxiliary && own && d.excitation[c.Name] == b.Source && b.Source != "":
			c.Kind = follow.Excitation
		case quantity == group.Temperature && own:
			c.Kind = follow.Temperature
		case (quantity == group.Strain || quantity == group.Shear || quantity == group.Indicated) && own:
			at, ok := flags[c.Name]
			if !ok {
				return fmt.Errorf("%s: %w: no flags of channel %s", f.Name, segment.ErrDamaged, c.Name)
			}
			mask = at
			if watch != nil {
				if c.Anew, err = watch.see(c.Name, metadata(field, "constants"), f.FirstTime); err != nil {
					return fmt.Errorf("%s: %w", f.Name, err)
				}
			}
		default:
			continue
		}
		b.Columns, values, masks = append(b.Columns, c), append(values, i), append(masks, mask)
	}
	for len(b.Columns) > 0 {
		if ctx.Err() != nil {
			return errInterrupted
		}
		read, err := s.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		b.Time = read.Time
		for i := range b.Columns {
			b.Columns[i].Value = read.Columns[values[i]].Float
			if masks[i] >= 0 {
				b.Columns[i].Flags = read.Columns[masks[i]].Flags
			}
		}
		visit(&b)
		for i := range b.Columns {
			b.Columns[i].Anew = false
		}
		if w.rest != nil {
			if err := w.rest(ctx); err != nil {
				return err
			}
		}
	}
	if w.progress != nil && own && watch != nil {
		w.progress(f.Bytes)
	}
	return nil
}

// constantsWatch finds channels whose constants became others from one file to the
// next. Strain on both sides is not the same strain, and a zero or a slope that
// moves there may be no more than that.
type constantsWatch struct {
	before  map[string]string // of the step before
	text    map[string]string
	last    map[string]group.ChannelConstants
	changed map[string]int64 // newest change by channel, ns
}

func newConstantsWatch(s *walkState) *constantsWatch {
	w := &constantsWatch{before: s.Constants, changed: map[string]int64{}}
	for name, at := range s.Changed {
		w.changed[name] = at
	}
	return w
}

// begin forgets what the way through the files before saw; it saw the same.
func (w *constantsWatch) begin() {
	w.text, w.last = map[string]string{}, map[string]group.ChannelConstants{}
	for name, text := range w.before {
		w.text[name] = text
	}
}

// see takes the constants of a channel's file that begins at a time. Another wire,
// since a gauge was replaced, is no change: what serves the channel then is.
func (w *constantsWatch) see(channel, text string, at int64) (anew bool, err error) {
	if w.text[channel] == text {
		return false, nil
	}
	c, err := group.ReadConstants(text)
	if err != nil {
		return false, err
	}
	before, known := w.last[channel]
	if !known && w.text[channel] != "" {
		if before, err = group.ReadConstants(w.text[channel]); err != nil {
			return false, err
		}
		known = true
	}
	w.text[channel], w.last[channel] = text, c
	if was, is := before.At(at), c.At(at); known && was != nil && is != nil && !reflect.DeepEqual(was.Constants, is.Constants) {
		w.changed[channel] = at
		return true, nil
	}
	return false, nil
}

// end hands on what the next step begins with.
func (w *constantsWatch) end(s *walkState) {
	s.Constants = w.text
	if s.Changed = w.changed; len(w.changed) == 0 {
		s.Changed = nil
	}
}
