package main

import (
	"errors"
	"fmt"
	"strings"
	"syscall"

	"glueline/pipeline/journal"
)

// errDiskFull occurs when a full disk keeps a service from working. It passes once
// there is room.
var errDiskFull = errors.New("a disk is full")

// whenFull marks an error that comes of a full disk: whoever starts the service
// again, does so until there is room.
func whenFull(err error) error {
	if err == nil || !noRoom(err) || errors.Is(err, journal.ErrServerFailed) {
		return err
	}
	return fmt.Errorf("%w, so the service cannot run now: %w", errDiskFull, err)
}

// noRoom reports whether an error comes of a full disk. The broker hands on the
// words alone.
func noRoom(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || strings.Contains(err.Error(), syscall.ENOSPC.Error())
}
