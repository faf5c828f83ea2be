package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// madeFolder is a folder that was made if it was not there. A start that is refused
// takes it away again, so that a mistake on the command line leaves nothing.
type madeFolder struct {
	path  string
	above []string // that were made too, the innermost first
	made  bool
}

func makeFolder(path string) (*madeFolder, error) {
	f := &madeFolder{path: filepath.Clean(path)}
	for dir := f.path; ; dir = filepath.Dir(dir) {
		if _, err := os.Stat(dir); err == nil || dir == filepath.Dir(dir) {
			break
		}
		if dir != f.path {
			f.above = append(f.above, dir)
		}
		f.made = true
	}
	if err := os.MkdirAll(f.path, 0o755); err != nil {
		return nil, errors.Join(fmt.Errorf("make the folder %s: %w", path, err), f.remove())
	}
	return f, nil
}

// remove takes away what was made, with everything in it. Folders above it go
// only while nobody else put something there.
func (f *madeFolder) remove() error {
	if !f.made {
		return nil
	}
	if err := os.RemoveAll(f.path); err != nil {
		return fmt.Errorf("take the folder %s away again: %w", f.path, err)
	}
	for _, dir := range f.above {
		if os.Remove(dir) != nil {
			break // it holds something of others, or was never made
		}
	}
	return nil
}
