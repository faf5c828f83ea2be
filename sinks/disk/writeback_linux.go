package disk

import (
	"os"

	"golang.org/x/sys/unix"
)

// startWriteback asks the system to begin writing a part of the file to disk,
// so that the sync at the end finds little left to do; from == to means all
// from there on.
func startWriteback(f *os.File, from, to int64) {
	// Only advice: the sync does the work where this fails.
	_ = unix.SyncFileRange(int(f.Fd()), from, to-from, unix.SYNC_FILE_RANGE_WRITE)
}
