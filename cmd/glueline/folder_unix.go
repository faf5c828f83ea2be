//go:build unix

package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// lockFolder makes sure that one process works in a data folder. The lock goes
// with the process, however it ends.
func lockFolder(dir string) (unlock func(), err error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("lock the data folder: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		closeErr := f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			err = errInUse
		}
		return nil, errors.Join(fmt.Errorf("data folder %s: %w", dir, err), closeErr)
	}
	return func() {
		// Closing gives the lock back; there is nobody left to tell of an error.
		_ = f.Close()
	}, nil
}

// errInUse occurs when another process works in a data folder.
var errInUse = errors.New("another glueline works in it; stop that one, or give another --data")

// freeDisk is how much room a folder's disk has; the most there can be when
// nobody knows.
func freeDisk(dir string) uint64 {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return math.MaxUint64
	}
	return s.Bavail * uint64(s.Bsize)
}

// diskSize is the size of a folder's disk; the most there can be when nobody
// knows.
func diskSize(dir string) uint64 {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return math.MaxUint64
	}
	return s.Blocks * uint64(s.Bsize)
}
