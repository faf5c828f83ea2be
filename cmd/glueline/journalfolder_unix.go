//go:build unix

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"glueline/pipeline/journal"
)

// journalLock in the folder of an embedded journal is locked by the service that
// works there, and says which that is. The data folder's lock does not do: --journal
// may name one folder to services of several data folders.
const journalLock = "service.lock"

// lockJournal makes sure that one service works in a journal's folder. It waits for
// an earlier one of the same data folder, which may be about to end, and refuses at
// once where another has it.
func lockJournal(ctx context.Context, dir string, owner journal.Owner) (unlock func(), err error) {
	path := filepath.Join(dir, journalLock)
	for deadline := time.Now().Add(lockPatience); ; {
		f, err := lockFile(path)
		if err == nil {
			return holdAs(f, owner)
		}
		if !errors.Is(err, errInUse) {
			return nil, fmt.Errorf("lock the journal's folder: %w", err)
		}
		var holder journal.Owner
		text, readErr := os.ReadFile(path)
		known := readErr == nil && json.Unmarshal(text, &holder) == nil // it may just be written
		if known && (holder.Data != owner.Data || holder.Host != owner.Host) || time.Now().After(deadline) {
			return nil, inUseBy(dir, holder, known)
		}
		select {
		case <-ctx.Done():
			return nil, errors.Join(inUseBy(dir, holder, known), ctx.Err())
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// holdAs writes into a locked file who has it.
func holdAs(f *os.File, owner journal.Owner) (unlock func(), err error) {
	text, err := json.Marshal(owner)
	if err == nil {
		err = f.Truncate(0)
	}
	if err == nil {
		_, err = f.WriteAt(append(text, '\n'), 0)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("lock the journal's folder: %w", err), f.Close())
	}
	return func() {
		// Closing gives the lock back; there is nobody left to tell of an error.
		_ = f.Truncate(0)
		_ = f.Close()
	}, nil
}

// errJournalInUse occurs when another service works in a journal's folder.
var errJournalInUse = errors.New("another glueline serve works in it")

func inUseBy(dir string, holder journal.Owner, known bool) error {
	who := ""
	if known {
		who = " (" + holder.String() + ")"
	}
	return fmt.Errorf("journal folder %s: %w%s. A journal has one service: stop that one, or give this one a --journal of its own", dir, errJournalInUse, who)
}
