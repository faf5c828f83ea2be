package verify

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"glueline/sinks/health"
)

// health walks the health files of a folder: each sound by itself, of the commit
// record that it names, and of the file before it; states as far as they are kept.
func (w *walk) health(f *folder) {
	files, states := map[string][]uint64{}, map[string][]uint64{}
	for name := range f.rest {
		group, cut, state, ok := health.Of(name)
		if !ok {
			continue
		}
		delete(f.rest, name)
		if state {
			states[group] = append(states[group], cut)
		} else {
			files[group] = append(files[group], cut)
		}
	}
	var groups []string
	for group := range files {
		groups = append(groups, group)
	}
	for group := range states {
		groups = append(groups, group)
	}
	slices.Sort(groups)
	for _, group := range slices.Compact(groups) {
		w.healthOf(f, group, files[group], states[group])
	}
}

func (w *walk) healthOf(f *folder, group string, files, states []uint64) {
	slices.Sort(files)
	slices.Sort(states)
	sound := map[uint64]*health.File{}
	before, known := "", true // hash of the file before; not known behind a damaged one
	for _, cut := range files {
		if f.lost[nameOf(group, cut)] {
			known = false
			continue // its commit record is told of
		}
		h, hash, err := health.Read(f.path, group, cut)
		if err != nil {
			w.damage(f, group, Health, health.Name(group, cut), err.Error())
			known = false
			continue
		}
		if known && h.Previous != before {
			w.damage(f, group, Health, health.Name(group, cut), "it goes on from another file than the one before it")
		}
		sound[cut], before, known = h, hash, true
	}
	for i, cut := range states {
		name := health.StateName(group, cut)
		h := sound[cut]
		switch {
		case h != nil:
			if _, err := h.ReadState(f.path); err != nil && !(errors.Is(err, fs.ErrNotExist) && wentOn(f.path, group, cut)) {
				w.damage(f, group, Health, name, err.Error())
			}
		case slices.Contains(files, cut): // told of
		case i == len(states)-1:
			w.note("%s%s is of a health file that is not there: serve was stopped in between, or is at it now, and makes it again", f.label, name)
		default:
			w.damage(f, group, Health, name, "the health file that it belongs to is missing")
		}
	}
	if n := len(files); n > 0 && sound[files[n-1]] != nil && !slices.Contains(states, files[n-1]) && !wentOn(f.path, group, files[n-1]) {
		w.damage(f, group, Health, health.StateName(group, files[n-1]), fmt.Sprintf("it is missing: %s cannot be gone on from", health.Name(group, files[n-1])))
	}
}

// wentOn reports whether the state of a step is there now, or gone since that of a
// newer one is: serve was at work between the listing of a folder and now.
func wentOn(dir, group string, cut uint64) bool {
	if _, err := os.Stat(filepath.Join(dir, health.StateName(group, cut))); err == nil {
		return true
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return false
	}
	return slices.ContainsFunc(entries, func(e os.DirEntry) bool {
		g, newer, state, ok := health.Of(e.Name())
		return ok && state && g == group && newer > cut
	})
}
