//go:build unix

package revise

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// claim makes sure that one process works at a cut. The claim goes with the
// process, however it ends; free is nil when another has it.
func claim(dir, group string, cut uint64) (free func(), err error) {
	path := filepath.Join(dir, fmt.Sprintf(".%s.%08d.claim", group, cut))
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("claim cut %d of group %s: %w", cut, group, err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		closeErr := f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, closeErr
		}
		return nil, fmt.Errorf("claim cut %d of group %s: %w", cut, group, err)
	}
	return func() {
		// Closing gives the lock back; nobody is left to tell of an error.
		_ = f.Close()
	}, nil
}
