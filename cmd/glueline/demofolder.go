package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// demoFolder is where a demo works. Until it has ended a mark lies in it, locked
// by its process, so that what is left of one that was killed is known as such.
type demoFolder struct {
	path     string
	unlock   func()
	finished bool // all was said and written
}

// The parts of a demo's folder.
const (
	demoRaw     = "raw"
	demoResults = "results"
	demoMark    = ".unfinished-demo"
)

// beginDemo makes a new or empty folder that of a demo, and one in which a demo
// ended too early, whose files it removes and says so.
func beginDemo(path string, say io.Writer) (*demoFolder, error) {
	f := &demoFolder{path: path}
	mark := filepath.Join(path, demoMark)
	_, err := os.Stat(mark)
	left := err == nil
	if !left {
		if err := outIsFree(path); err != nil {
			return nil, err
		}
		if err := os.MkdirAll(mark, 0o755); err != nil {
			return nil, fmt.Errorf("demo: %w", err)
		}
	}
	if f.unlock, err = lockFolder(mark); err != nil {
		return nil, err
	}
	if left {
		if err := f.removeFiles(); err != nil {
			f.unlock()
			return nil, err
		}
		fmt.Fprintf(say, "An earlier demo in %s did not come to its end: its files were removed.\n", path)
	}
	return f, nil
}

func (f *demoFolder) removeFiles() error {
	if err := errors.Join(os.RemoveAll(filepath.Join(f.path, demoRaw)), os.RemoveAll(filepath.Join(f.path, demoResults))); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	return nil
}

// finish takes the mark away: the folder is the user's from now on.
func (f *demoFolder) finish() error {
	f.unlock()
	f.finished = true
	if err := os.RemoveAll(filepath.Join(f.path, demoMark)); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	return nil
}

// clear removes what an interrupted demo made; the folder too, unless there is
// something else in it.
func (f *demoFolder) clear() error {
	if err := errors.Join(f.removeFiles(), f.finish()); err != nil {
		return err
	}
	if err := outIsFree(f.path); err != nil {
		return nil // it holds what somebody else put there, and stays
	}
	if err := os.Remove(f.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("demo: %w", err)
	}
	return nil
}
