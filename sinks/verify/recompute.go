package verify

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"

	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/revise"
	"glueline/sinks/segment"
)

// recompute reduces every cut again whose raw frames and segments are sound.
func (w *walk) recompute(ctx context.Context, raw, reduced *folder, name string, archived []*rawCut, results []*resultCut) error {
	for cut := range min(len(archived), len(results)) {
		a, r := archived[cut], results[cut]
		if a != nil && r != nil && a.sound && r.sound && r.plan != nil && (cut == 0 || archived[cut-1] != nil && results[cut-1] != nil) {
			if err := w.again(ctx, raw, reduced, a, r); err != nil {
				return err
			}
			w.of(reduced, name).Recomputed++
		} else {
			w.note("cut %d of group %s was not reduced again: what it needs is damaged or missing", cut, name)
		}
		if a != nil {
			for _, file := range a.record.files {
				w.progress(file.Bytes)
			}
		}
	}
	return nil
}

// again reduces one cut in a folder of its own and compares.
func (w *walk) again(ctx context.Context, raw, reduced *folder, a *rawCut, r *resultCut) error {
	dir, err := os.MkdirTemp(w.options.Temporary, ".verify-*")
	if err != nil {
		return fmt.Errorf("reduce again: %w", err)
	}
	defer func() {
		if err := os.RemoveAll(dir); err != nil {
			w.note("%s could not be removed: %v", dir, err)
		}
	}()
	cut, name := r.record.cut, r.record.group
	record, err := archive.Read(raw.path, name, cut)
	if err != nil {
		return err
	}
	var before []byte
	if cut > 0 {
		previous, err := archive.Read(raw.path, name, cut-1)
		if err != nil {
			return err
		}
		if before, err = revise.StateBehind(reduced.path, previous); err != nil {
			return err
		}
		// The new record shall follow the one that is there.
		text, err := os.ReadFile(reduced.file(nameOf(name, cut-1)))
		if err != nil {
			return fmt.Errorf("reduce again: %w", err)
		}
		if err := os.WriteFile(filepath.Join(dir, nameOf(name, cut-1)), text, 0o600); err != nil {
			return fmt.Errorf("reduce again: %w", err)
		}
	}
	frames, err := archive.Open(raw.path, record)
	if err != nil {
		return err
	}
	defer frames.Close() // only read
	plans := r.plans
	if plans == nil {
		plans = []worker.Switch{{Plan: r.plan}}
	}
	sink := segment.NewSink(disk.At(dir), r.record.test, plans[0].Plan, r.record.program)
	if err := sink.Resume(cut); err != nil {
		return err
	}
	next := func() (worker.Item, error) {
		if err := ctx.Err(); err != nil {
			return worker.Item{}, err
		}
		return frames.Next()
	}
	_, err = worker.RecomputeBy(plans, before, next, []worker.Sink{sink})
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		w.damage(reduced, name, Result, r.record.name, fmt.Sprintf("the raw frames of this cut cannot be reduced: %v", err))
		return nil
	}
	return w.compare(dir, reduced, r)
}

// compare compares a cut that was made again with the one that is there.
func (w *walk) compare(dir string, reduced *folder, r *resultCut) error {
	made, err := segment.ReadCommit(filepath.Join(dir, r.record.name))
	if err != nil {
		return fmt.Errorf("reduce again: %w", err)
	}
	byName := map[string]segment.File{}
	for _, f := range made.Files {
		byName[f.Name] = f
	}
	same := len(made.Files) == len(r.files)
	for _, file := range r.files {
		again, ok := byName[file.name]
		switch {
		case !ok:
			same = false
			w.damage(reduced, r.record.group, Result, file.name, "the raw frames of this cut give no such file")
		case again.SHA256 != file.file.SHA256:
			same = false
			found, largest, err := difference(reduced.path, file.file, dir, again)
			if err != nil {
				return err
			}
			if r.record.program != w.options.Program && largest <= 1e-12 {
				w.note("%s%s was made by %s on %s; reduced again its values agree to a part in 1e12, not to the bit",
					reduced.label, file.name, r.record.program.Version, r.record.program.Architecture)
				continue
			}
			w.damage(reduced, r.record.group, Result, file.name, found)
		}
	}
	if !same {
		return nil
	}
	made.Previous = r.record.reduced.Previous
	text, err := made.Encode()
	if err != nil {
		return err
	}
	there, err := r.record.reduced.Encode()
	if err != nil {
		return err
	}
	if string(text) != string(there) {
		w.damage(reduced, r.record.group, Result, r.record.name, "the files are the same when they are made again, but the record is another: its zeros, for example")
	}
	return nil
}

// difference says where two files differ first, and how much relatively at most:
// infinitely where more than values differ.
func difference(dirA string, a segment.File, dirB string, b segment.File) (found string, largest float64, err error) {
	there, err := segment.ReadCommitted(dirA, a)
	if err != nil {
		return "", 0, err
	}
	defer there.Close() // only read
	again, err := segment.ReadCommitted(dirB, b)
	if err != nil {
		return "", 0, err
	}
	defer again.Close() // only read
	rows := 0
	for {
		x, errX := there.Next()
		y, errY := again.Next()
		if errors.Is(errX, io.EOF) && errors.Is(errY, io.EOF) {
			break
		}
		if err := errors.Join(errX, errY); err != nil && !errors.Is(err, io.EOF) {
			return "", 0, err
		}
		if errX != nil || errY != nil || x.Rows != y.Rows {
			return "reduced again it has another number of rows", math.Inf(1), nil
		}
		for row := range x.Rows {
			if x.Time[row] != y.Time[row] || x.Counter[row] != y.Counter[row] {
				return fmt.Sprintf("reduced again its times or samples are others, from row %d on", rows+row), math.Inf(1), nil
			}
			for j := range x.Columns {
				name := there.Fields[j+2].Name
				if f := x.Columns[j].Flags; f != nil && f[row] != y.Columns[j].Flags[row] {
					return fmt.Sprintf("reduced again column %q has other flags, for example in row %d", name, rows+row), math.Inf(1), nil
				}
				if f := x.Columns[j].Float; f != nil && math.Float64bits(f[row]) != math.Float64bits(y.Columns[j].Float[row]) {
					p, q := f[row], y.Columns[j].Float[row]
					if found == "" {
						found = fmt.Sprintf("column %q, row %d: it has %v, reduced again %v", name, rows+row, p, q)
					}
					d := math.Abs(p-q) / max(math.Abs(p), math.Abs(q))
					if p != p || q != q {
						d = math.Inf(1)
					}
					largest = max(largest, d)
				}
			}
		}
		rows += x.Rows
	}
	if found == "" {
		return "reduced again its values are the same, but not what describes them", math.Inf(1), nil
	}
	return fmt.Sprintf("%s; the largest relative difference is %.1g", found, largest), largest, nil
}
