package faults

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/journal/brokertest"
)

// refused starts a service that must not come up, and checks what it says and that
// it leaves no folder.
func refused(t *testing.T, o options, says ...string) {
	t.Helper()
	s := start(t, o)
	code := s.exits()
	for _, text := range says {
		if code != 1 || !strings.Contains(s.said.String(), text) {
			t.Errorf("status %d, it should say %q:\n%s", code, text, s.said)
		}
	}
	if _, err := os.Stat(filepath.Join(o.data, "raw")); !os.IsNotExist(err) {
		t.Errorf("the refused service left its folder: %v", err)
	}
}

// One folder of a journal has one service, whatever data folders are named. After
// kill -9 it comes back at once.
func TestJournalFolderHasOneService(t *testing.T) {
	parallel(t)
	testFile, _ := benchFile(t)
	dir := t.TempDir()
	args := []string{"--journal", filepath.Join(dir, "journal")}
	first := options{testFile: testFile, data: filepath.Join(dir, "first"), args: args}
	second := options{testFile: testFile, data: filepath.Join(dir, "second"), args: args}
	s := start(t, first)
	s.ready()
	says := []string{"another glueline serve works in it", fmt.Sprint("process ", s.cmd.Process.Pid, " on "), "data folder " + first.data, ", since 20", "a --journal of its own"}
	refused(t, second, says...)
	second.args = []string{"--journal", filepath.Join(dir, "second", "..", "journal")}
	refused(t, second, says...)
	s.kill()
	s = start(t, first)
	s.ready()
	s.stop()
	s = start(t, second) // nobody works there any more
	s.ready()
	s.stop()
}

// A journal on a server of others has one service too: a second is refused, and told
// how to take it; then the first stops. After kill -9 the same data folder comes
// back at once, another when the claim is over, which it is at once when the first
// has stopped well.
func TestServersJournalHasOneService(t *testing.T) {
	parallel(t)
	e := brokertest.Start(t)
	testFile, _ := benchFile(t)
	dir := t.TempDir()
	args := []string{"--nats", e.URL(), "--one-replica", "--keep-journal"}
	first := options{testFile: testFile, data: filepath.Join(dir, "first"), args: args}
	second := options{testFile: testFile, data: filepath.Join(dir, "second"), args: args}

	alone := first
	alone.args = []string{"--nats", e.URL()}
	refused(t, alone, "one machine and no cluster of three", "--one-replica")

	one := start(t, first)
	one.ready()
	refused(t, second, "worked by another glueline serve", fmt.Sprint("process ", one.cmd.Process.Pid, " on "), "data folder "+first.data, "--take-over")
	one.kill()
	one = start(t, first)
	one.ready()

	taking := second
	taking.args = append([]string{"--take-over"}, args...)
	two := start(t, taking)
	two.ready()
	if code := one.exits(); code != 1 || !strings.Contains(one.said.String(), "another service has taken the journal over") || !strings.Contains(one.said.String(), second.data) {
		t.Errorf("status %d:\n%s", code, one.said)
	}
	two.kill()
	for deadline := time.Now().Add(within); ; { // until the claim of the dead one is over
		one = start(t, first)
		for one.alive() && !strings.Contains(one.said.String(), "Glueline monitors") {
			time.Sleep(5 * time.Millisecond)
		}
		if one.alive() {
			break
		}
		if time.Now().After(deadline) || !strings.Contains(one.said.String(), "its claim ends in") {
			t.Fatalf("it does not come in:\n%s", one.said)
		}
		time.Sleep(time.Second)
	}
	one.ready()
	one.stop()
	two = start(t, second)
	two.ready()
	two.stop()
}
