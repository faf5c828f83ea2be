package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

func TestVersionIsPrinted(t *testing.T) {
	if status, out, errs := glueline(t.Context(), "--version"); status != 0 || out != "glueline "+version+"\n" || errs != "" {
		t.Errorf("status %d: %q %q", status, out, errs)
	}
}

// The first signal asks the work to end well, the second ends the process.
func TestSecondSignalKills(t *testing.T) {
	p := process(t, "demo", "--out", filepath.Join(t.TempDir(), "demo"), "--duration", "240h", "--quiet")
	lines := output(t, p)
	for !strings.HasPrefix(lines.next(t.Context(), t), "Hollin Lock") {
	}
	// Making the readings takes seconds, and no signal stops it.
	ended := make(chan error, 1)
	go func() { ended <- p.Wait() }()
	for {
		if err := p.Process.Signal(os.Interrupt); err != nil && !errors.Is(err, os.ErrProcessDone) {
			t.Fatal(err)
		}
		select {
		case err := <-ended:
			t.Log(err)
			if status, ok := p.ProcessState.Sys().(syscall.WaitStatus); !ok || !status.Signaled() || status.Signal() != syscall.SIGINT {
				t.Errorf("it ended by %v", p.ProcessState)
			}
			return
		case <-time.After(20 * time.Millisecond):
		}
	}
}
