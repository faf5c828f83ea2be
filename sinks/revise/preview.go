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

// Sample reduces one cut as it will be, in a folder of its own below scratch that
// is removed, and compares it with the base.
func (o *Order) Sample(ctx context.Context, cut uint64, scratch string) ([]*compare.Column, int64, error) {
	dir, err := os.MkdirTemp(scratch, ".sample-*")
	if err != nil {
		return nil, 0, fmt.Errorf("sample: %w", err)
	}
	defer os.RemoveAll(dir) // what is left begins with a dot, and is looked at by nobody
	w := &work{Order: *o, out: disk.At(dir), pace: newPace(o.Share)}
	w.Out = dir
	bytes, err := w.make(ctx, cut)
	if err != nil {
		return nil, 0, err
	}
	m := w.readMade(cut)
	if m == nil {
		return nil, 0, errors.New("sample: its note is not there")
	}
	base, err := segment.ReadCommit(filepath.Join(o.Base, w.recordName(cut)))
	if err != nil {
		return nil, 0, err
	}
	changes, err := compare.Sides(ctx, compare.Side{Dir: o.Base, Files: base.Files}, compare.Side{Dir: dir, Files: m.Record.Files}, compare.Options{})
	if err != nil {
		return nil, 0, err
	}
	return changes.Columns, bytes, nil
}
