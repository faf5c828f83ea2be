package alarms

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"glueline/sinks/disk"
)

// stateName is the file of a group's state behind a cut.
func stateName(group string, cut uint64) string { return fmt.Sprintf("%s.%08d.json", group, cut) }

// kept is how many states stay: the newest may be of a cut that is not in the
// archive yet.
const kept = 3

// State reads what was kept behind a cut; fs.ErrNotExist when nothing was.
func State(f disk.Folder, group string, cut uint64) ([]byte, error) {
	return f.ReadFile(stateName(group, cut))
}

// Newest reads the newest state that was kept in a folder, and the cut that it is
// behind; fs.ErrNotExist when none was.
func Newest(dir, group string) (state []byte, cut uint64, err error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, 0, err
	}
	found := false
	for _, e := range entries {
		var n uint64
		middle, isOurs := strings.CutPrefix(e.Name(), group+".")
		if _, err := fmt.Sscanf(middle, "%d", &n); isOurs && err == nil && e.Name() == stateName(group, n) && (!found || n > cut) {
			found, cut = true, n
		}
	}
	if !found {
		return nil, 0, fmt.Errorf("state of the alarms of group %s: %w", group, fs.ErrNotExist)
	}
	state, err = State(disk.At(dir), group, cut)
	return state, cut, err
}

// keep writes a state so that it is there whole or not at all.
func keep(f disk.Folder, group string, cut uint64, text []byte) (err error) {
	name := stateName(group, cut)
	partial := name + ".partial"
	file, err := f.Create(partial)
	if err != nil {
		return err
	}
	_, err = file.Write(text)
	if err == nil {
		err = file.Sync()
	}
	if err = errors.Join(err, file.Close()); err != nil {
		return errors.Join(err, f.Remove(partial))
	}
	if err := f.Rename(partial, name); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if cut < kept {
		return nil
	}
	if err := f.Remove(stateName(group, cut-kept)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
