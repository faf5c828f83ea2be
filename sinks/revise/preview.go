package revise

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"glueline/sinks/archive"
	"glueline/sinks/compare"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// Reach is how far a change goes, before anything is done.
type Reach struct {
	Cuts     uint64   // that there are
	Touched  []uint64 // whose timelines differ
	RawBytes int64    // of those
	Sources  []string // with other constants anywhere
}

// Missing are the cuts that have no record.
func (o *Order) Missing() (cuts []uint64) {
	w := &work{Order: *o, out: disk.At(o.Out)}
	for cut := range o.Cuts {
		if !w.has(cut) {
			cuts = append(cuts, cut)
		}
	}
	return cuts
}

// Left is the raw bytes of the cuts that have no record yet.
func (o *Order) Left() (bytes int64, err error) {
	for _, cut := range o.Missing() {
		r, err := archive.Read(o.Raw, o.Group, cut)
		if err != nil {
			return 0, err
		}
		bytes += rawBytes(r)
	}
	return bytes, nil
}

// Reach finds what a change touches by its timelines alone. What it does to the
// state may reach further; Run finds out.
func (o *Order) Reach() (Reach, error) {
	out := Reach{Cuts: o.Cuts}
	sources := map[string]bool{}
	for cut := range o.Cuts {
		r, err := archive.Read(o.Raw, o.Group, cut)
		if err != nil {
			return out, err
		}
		now, was := o.Timeline.Between(r.First, r.Last), o.Was.Between(r.First, r.Last)
		touched := len(now) != len(was)
		for i := 0; i < min(len(now), len(was)); i++ {
			if i > 0 && now[i].From != was[i].From {
				touched = true
			}
			for _, source := range now[i].Plan.Sources() {
				_, x, err := now[i].Plan.Calibration(source)
				if err != nil {
					return out, err
				}
				_, y, err := was[i].Plan.Calibration(source)
				if err != nil {
					return out, err
				}
				if x != y {
					touched, sources[source] = true, true
				}
			}
		}
		if len(now) != len(was) {
			for _, source := range now[0].Plan.Sources() {
				sources[source] = true
			}
		}
		if touched {
			out.Touched = append(out.Touched, cut)
			out.RawBytes += rawBytes(r)
		}
	}
	for _, source := range o.Timeline[0].Plan.Sources() {
		if sources[source] {
			out.Sources = append(out.Sources, source)
		}
	}
	return out, nil
}

// Sampled is what a change does to a few cuts.
type Sampled struct {
	Columns  []*compare.Column // of the base beside what will be
	Sources  []compare.Rows
	RawBytes int64 // of those cuts
	UpTo     int64 // time of the last reading in them, ns since 1970 UTC
}

// Samples reduces cuts as they will be, in a folder of its own below scratch that is
// removed, and compares them with the base. The first must be the first one that the
// change touches: before it all is as it was, and each further cut follows the one
// before, since what a cut begins from may be another too. Any other cut could only
// be begun from the state that the change does away with.
func (o *Order) Samples(ctx context.Context, first uint64, cuts int, scratch string) (*Sampled, error) {
	dir, err := os.MkdirTemp(scratch, ".sample-*")
	if err != nil {
		return nil, fmt.Errorf("sample: %w", err)
	}
	defer os.RemoveAll(dir) // what is left begins with a dot, and is looked at by nobody
	w := &work{Order: *o, out: disk.At(dir), pace: newPace(o.Share)}
	w.Out = dir
	if first > 0 { // a base that was reduced again may keep a state of its own
		own, err := (&work{Order: *o, out: disk.At(o.Base)}).ownState(first - 1)
		if err == nil && own != nil {
			err = w.writeState(first-1, own)
		}
		if err != nil {
			return nil, err
		}
	}
	out := &Sampled{}
	was, now := compare.Side{Dir: o.Base}, compare.Side{Dir: dir}
	for cut := first; cut < first+uint64(cuts) && cut < o.Cuts; cut++ {
		bytes, err := w.make(ctx, cut)
		if err != nil {
			return nil, err
		}
		m := w.readMade(cut)
		if m == nil {
			return nil, errors.New("sample: its note is not there")
		}
		base, err := segment.ReadCommit(filepath.Join(o.Base, w.recordName(cut)))
		if err != nil {
			return nil, err
		}
		was.Files, now.Files = append(was.Files, base.Files...), append(now.Files, m.Record.Files...)
		for _, f := range base.Files {
			out.UpTo = max(out.UpTo, f.LastTime)
		}
		out.RawBytes += bytes
	}
	changes, err := compare.Sides(ctx, was, now, compare.Options{})
	if err != nil {
		return nil, err
	}
	out.Columns, out.Sources = changes.Columns, changes.Sources
	return out, nil
}
