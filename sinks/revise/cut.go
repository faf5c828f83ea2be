package revise

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"

	"glueline/pipeline/group"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// make makes the files of one cut from the state that is most likely the one
// before it, and the note of them. It returns the raw bytes of the cut.
func (w *work) make(ctx context.Context, cut uint64) (int64, error) {
	known, err := w.record(cut)
	if err != nil {
		return 0, err
	}
	record, recorded := known.Record, known.group
	start, before, err := w.startOf(cut)
	if err != nil {
		return 0, err
	}
	plans := w.Timeline.Between(record.First, record.Last)
	last := plans[len(plans)-1].Plan
	kept, err := w.kept(record, start, plans)
	if err != nil {
		return 0, err
	}
	bytes := rawBytes(record)
	if kept.all(last) {
		m := made{Record: kept.base, Start: hashOf(start)}
		m.Record.Previous = ""
		if !same(kept.after, recorded) {
			m.After = kept.after
		}
		return bytes, w.note(cut, m, kept.link(kept.base.Files))
	}
	frames, err := archive.Open(w.Raw, kept.without(record))
	if err != nil {
		return 0, err
	}
	defer frames.Close() // only read
	sink := segment.NewSink(w.out, w.Test, plans[0].Plan, w.Program)
	sink.At(cut)
	files := &filesOnly{Sink: sink}
	next := func() (worker.Item, error) {
		if err := ctx.Err(); err != nil {
			return worker.Item{}, err
		}
		w.pace.wait(ctx)
		return frames.Next()
	}
	after, err := worker.RecomputeBy(plans, before, next, []worker.Sink{files})
	if err != nil {
		return 0, fmt.Errorf("cut %d of group %s: %w", cut, w.Group, err)
	}
	if after, err = kept.graft(last, after); err != nil {
		return 0, err
	}
	// What is read back at once is still in memory, and by as many at a time as
	// write. A cut has no record before.
	for _, f := range files.record.Files {
		if err := w.readBack(ctx, f); err != nil {
			return 0, fmt.Errorf("%w: %w", ErrUnsound, err)
		}
	}
	m := made{Record: files.record, Start: hashOf(start)}
	if err := kept.into(&m.Record, last); err != nil {
		return 0, err
	}
	if !same(after, recorded) {
		m.After = after
	}
	return bytes, w.note(cut, m, nil)
}

// note writes what is made of a cut.
func (w *work) note(cut uint64, m made, err error) error {
	if err != nil {
		return err
	}
	text, err := json.Marshal(m)
	if err != nil {
		return err
	}
	err = segment.WriteRecord(w.out, madeName(w.Group, cut), text)
	if errors.Is(err, segment.ErrConflict) {
		// It is of a state that turned out to be another.
		if err := w.forget(cut); err != nil {
			return err
		}
		err = segment.WriteRecord(w.out, madeName(w.Group, cut), text)
	}
	return err
}

func same(a, b json.RawMessage) bool { return bytes.Equal(a, b) }

// startOf is the state of the pure function that a cut is made from, and the
// state of the worker with it.
func (w *work) startOf(cut uint64) (start, before json.RawMessage, err error) {
	if cut == 0 {
		return nil, nil, nil
	}
	record, err := w.record(cut - 1)
	if err != nil {
		return nil, nil, err
	}
	if start, err = w.ownState(cut - 1); err != nil {
		return nil, nil, err
	}
	if start == nil {
		if m := w.readMade(cut - 1); m != nil {
			start = m.After
		}
	}
	if start == nil {
		return record.group, record.State, nil
	}
	before, err = worker.WithGroupState(record.State, start)
	return start, before, err
}

// filesOnly is a sink of segments that leaves the record to others.
type filesOnly struct {
	*segment.Sink
	record segment.CommitRecord
}

func (f *filesOnly) Cut(zeros []group.ZeroInForce) (err error) {
	f.record, err = f.Files(zeros)
	return err
}

// kept is what of a cut is taken as it is in another revision.
type kept struct {
	idle    []string // sources whose frames nobody needs
	base    segment.CommitRecord
	digests map[string]string // of their files
	after   json.RawMessage   // state behind base
	dir     string            // of base
	out     string
}

// kept finds the sources of a cut whose files are those of the base: they have
// the same constants, the state before is the same, and no other source needs
// their frames.
func (w *work) kept(record *archive.Record, start json.RawMessage, plans []worker.Switch) (*kept, error) {
	k := &kept{dir: w.Base, out: w.Out, digests: map[string]string{}}
	was := w.Was.Between(record.First, record.Last)
	if w.Base == "" || len(plans) != 1 || len(was) != 1 {
		return k, nil
	}
	behind := func(cut uint64) (json.RawMessage, error) { // state of the base behind so many cuts
		if cut == 0 {
			return nil, nil
		}
		own, err := (&work{Order: w.Order, out: disk.At(w.Base)}).ownState(cut - 1)
		if err != nil || own != nil {
			return own, err
		}
		return w.archived(cut - 1)
	}
	before, err := behind(record.Cut)
	if err != nil || !same(before, start) {
		return k, err
	}
	if k.after, err = behind(record.Cut + 1); err != nil {
		return nil, err
	}
	base, err := segment.ReadCommit(filepath.Join(w.Base, w.recordName(record.Cut)))
	if errors.Is(err, fs.ErrNotExist) {
		return k, nil
	}
	if err != nil {
		return nil, err
	}
	if base.Program != w.Program.Version || base.Architecture != w.Program.Architecture {
		return k, nil // it would agree to 1e-12, not to the bit
	}
	var touched []string
	p := plans[0].Plan
	for _, source := range p.Sources() {
		_, now, err := p.Calibration(source)
		if err != nil {
			return nil, err
		}
		_, then, err := was[0].Plan.Calibration(source)
		if err != nil {
			return nil, err
		}
		if now != then {
			touched = append(touched, source)
		}
		k.digests[source] = now
	}
	if slices.ContainsFunc(touched, p.ReadsLoad) {
		taken, err := zeroIsTaken(p, record, start)
		if err != nil || taken {
			return k, err // the mean load of every zero is another
		}
	}
	needed := p.Needed(touched)
	for _, source := range p.Sources() {
		if !slices.Contains(needed, source) {
			k.idle = append(k.idle, source)
		}
	}
	k.base = base
	return k, nil
}

// zeroIsTaken reports whether a zero, or a reading of a pair, may be taken in a cut.
func zeroIsTaken(p *group.Plan, record *archive.Record, start json.RawMessage) (bool, error) {
	for _, e := range record.Events {
		if e.Event.Event == "zero" || e.Event.Paired() {
			return true, nil
		}
	}
	if len(start) == 0 {
		return true, nil // the test file's own
	}
	state, err := p.ReadState(start)
	if err != nil {
		return false, err
	}
	for _, input := range state.Inputs {
		if len(input.InProgress) > 0 {
			return true, nil
		}
	}
	for _, source := range state.Sources {
		if len(source.Waiting) > 0 || !source.Started {
			return true, nil
		}
	}
	return false, nil
}

// all says that nothing of a cut has to be reduced.
func (k *kept) all(p *group.Plan) bool { return len(k.idle) == len(p.Sources()) }

func (k *kept) link(files []segment.File) error {
	for _, f := range files {
		if err := link(filepath.Join(k.dir, f.Name), filepath.Join(k.out, f.Name)); err != nil {
			return fmt.Errorf("take %s over: %w", f.Name, err)
		}
	}
	return nil
}

// without is a record of the archive without the files whose frames nobody needs.
func (k *kept) without(r *archive.Record) *archive.Record {
	needed := *r
	needed.Files = nil
	for _, f := range r.Files {
		idle := slices.ContainsFunc(k.idle, func(source string) bool {
			prefix := fmt.Sprintf("%s.%08d.%s.", r.Group, r.Cut, source)
			return f.Name == prefix+"arrow" || strings.HasPrefix(f.Name, prefix+"part-")
		})
		if !idle {
			needed.Files = append(needed.Files, f)
		}
	}
	return &needed
}

// graft completes the state behind a cut: of sources whose frames were passed
// over the other revision knows it.
func (k *kept) graft(p *group.Plan, after json.RawMessage) (json.RawMessage, error) {
	if len(k.idle) == 0 {
		return after, nil
	}
	into, err := p.ReadState(after)
	if err != nil {
		return nil, err
	}
	from, err := p.ReadState(k.after)
	if err != nil {
		return nil, err
	}
	p.Graft(into, from, k.idle)
	return json.Marshal(into)
}

// into gives a record the files and zeros of the sources that are kept, and has
// the files linked.
func (k *kept) into(r *segment.CommitRecord, p *group.Plan) error {
	if len(k.idle) == 0 {
		return nil
	}
	made := map[string]segment.File{}
	for _, f := range r.Files {
		made[f.Name] = f
	}
	r.Files = []segment.File{}
	base := map[string]segment.File{}
	for _, f := range k.base.Files {
		base[f.Name] = f
	}
	var digests []string
	zeros := [2][2][]segment.Zero{{r.Zeros, r.OtherZeros}, {k.base.Zeros, k.base.OtherZeros}}
	r.Zeros, r.OtherZeros = nil, nil
	for _, source := range p.Sources() {
		idle := slices.Contains(k.idle, source)
		from := 0
		if idle {
			from = 1
		}
		of := func(z segment.Zero) bool { return p.SourceOf(z.Channel) == source }
		r.Zeros = append(r.Zeros, filter(zeros[from][0], of)...)
		r.OtherZeros = append(r.OtherZeros, filter(zeros[from][1], of)...)
		name := fmt.Sprintf("%s.%08d.%s.arrow", r.Group, r.Cut, source)
		f, ok := made[name]
		if idle {
			f, ok = base[name]
		}
		if !ok {
			continue // it had no frames in this cut
		}
		if idle {
			if err := k.link([]segment.File{f}); err != nil {
				return err
			}
		}
		r.Files = append(r.Files, f)
		digests = append(digests, k.digests[source])
	}
	r.Calibration = segment.Constants(digests)
	return nil
}

func filter(zeros []segment.Zero, keep func(segment.Zero) bool) (out []segment.Zero) {
	for _, z := range zeros {
		if keep(z) {
			out = append(out, z)
		}
	}
	return out
}
