package main

import (
	"errors"
	"fmt"
	"strings"
	"syscall"
	"testing"

	"glueline/pipeline/journal"
)

// What comes of a full disk is told from what does not, and from a server that has
// failed, which has its own word.
func TestFullDiskIsTold(t *testing.T) {
	for _, c := range []struct {
		name string
		err  error
		full bool
	}{
		{"the system's", fmt.Errorf("keep the test file: %w", syscall.ENOSPC), true},
		{"the broker's", errors.New("change glueline~a~b: nats: API error: write meta.inf: no space left on device"), true},
		{"another", errors.New("no such test"), false},
		{"a server that failed", fmt.Errorf("%w: no space left on device", journal.ErrServerFailed), false},
	} {
		if err := whenFull(c.err); errors.Is(err, errDiskFull) != c.full || !errors.Is(err, c.err) {
			t.Errorf("%s: %v", c.name, err)
		}
		if noRoom(c.err) && !strings.Contains(remedyOf(c.err), "Make room") {
			t.Errorf("%s: the remedy is %q", c.name, remedyOf(c.err))
		}
	}
	if whenFull(nil) != nil {
		t.Error("no error is one")
	}
}
