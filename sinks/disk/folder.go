// Package disk is what files with commit records ask of a folder, and nothing
// more: so that tests can cut the power between any two steps, and let any step
// fail.
package disk

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// Folder holds files by plain names. What a File wrote is on disk once its Sync
// has returned; which names there are, once the folder's has.
type Folder interface {
	Create(name string) (File, error) // to be written; what was there is emptied
	Rename(from, to string) error     // replaces what is there
	Link(from, to string) error       // fs.ErrExist when the name is taken
	Remove(name string) error
	ReadFile(name string) ([]byte, error)
	Sync() error
}

// File is being written.
type File interface {
	io.WriteCloser
	Sync() error
	// StartWriteback asks to begin writing a part of the file to disk, so that
	// Sync finds little left to do; from == to means all from there on.
	StartWriteback(from, to int64)
}

// At is a folder of the operating system.
func At(dir string) Folder { return folder(dir) }

type folder string

func (f folder) path(name string) string { return filepath.Join(string(f), name) }

func (f folder) Create(name string) (File, error)     { return create(f.path(name)) }
func (f folder) Rename(from, to string) error         { return os.Rename(f.path(from), f.path(to)) }
func (f folder) Link(from, to string) error           { return os.Link(f.path(from), f.path(to)) }
func (f folder) Remove(name string) error             { return os.Remove(f.path(name)) }
func (f folder) ReadFile(name string) ([]byte, error) { return os.ReadFile(f.path(name)) }

func (f folder) Sync() error {
	d, err := os.Open(string(f))
	if err == nil {
		err = errors.Join(d.Sync(), d.Close())
	}
	if err != nil {
		return fmt.Errorf("sync folder: %w", err)
	}
	return nil
}
