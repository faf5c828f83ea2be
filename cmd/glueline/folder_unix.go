//go:build unix

package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// lockFolder makes sure that one process works in a data folder. The lock goes
// with the process, however it ends.
func lockFolder(dir string) (unlock func(), err error) {
	f, err := lockFile(filepath.Join(dir, "lock"))
	if errors.Is(err, errInUse) {
		return nil, fmt.Errorf("data folder %s: %w", dir, err)
	}
	if err != nil {
		return nil, fmt.Errorf("lock the data folder %s: %w", dir, err)
	}
	return func() {
		// Closing gives the lock back; there is nobody left to tell of an error.
		_ = f.Close()
	}, nil
}

// lockFile opens a file, which is made where there is none, and locks it until it is
// closed; errInUse when another process has it locked.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		if errors.Is(err, unix.EWOULDBLOCK) {
			err = errInUse
		}
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// lockPatience is how long a service waits for a data folder that another process
// has: verify and rereduce take it while they look.
const lockPatience = 10 * time.Second

// lockWhenFree is lockFolder for a service that is started while another process
// may be about to let go of the folder.
func lockWhenFree(ctx context.Context, dir string, log *slog.Logger) (unlock func(), err error) {
	deadline := time.Now().Add(lockPatience)
	for waited := false; ; waited = true {
		unlock, err = lockFolder(dir)
		if !errors.Is(err, errInUse) || time.Now().After(deadline) {
			return unlock, err
		}
		if !waited {
			log.Info("another glueline works in the data folder; waiting for it", "folder", dir, "at most", lockPatience)
		}
		select {
		case <-ctx.Done():
			return nil, errors.Join(err, ctx.Err())
		case <-time.After(100 * time.Millisecond):
		}
	}
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

// sameDisk says whether two folders are on one disk; also when nobody knows.
func sameDisk(a, b string) bool {
	var of, other unix.Stat_t
	if unix.Stat(a, &of) != nil || unix.Stat(b, &other) != nil {
		return true
	}
	return of.Dev == other.Dev
}
