package main

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A start that is refused leaves no folder that it made, and nothing else.
func TestRefusedStartLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	good, bad := write(t, dir, "bench.yaml", liveTest), write(t, dir, "bad.yaml", "test: {name: x}\nsauces: {}\n")
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	address := taken.Addr().String()
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"a wrong test file", []string{bad}, "sauces"},
		{"no test file", []string{filepath.Join(dir, "none.yaml")}, "none.yaml"},
		{"the port of publishers is taken", []string{good, "--listen", address}, "in use"},
		{"the port of MQTT is taken", []string{good, "--mqtt", address}, "in use"},
		{"the port of HTTP is taken", []string{good, "--http", address}, "in use"},
		{"HTTP beyond this machine", []string{good, "--http", "0.0.0.0:0"}, "only an address of this machine"},
		{"publishers beyond this machine", []string{good, "--listen", "0.0.0.0:0"}, "refusing to listen"},
		{"no server there", []string{good, "--nats", "nats://" + address}, "connect to the journal's server"},
		{"a journal of its own", []string{good, "--listen", address, "--journal", filepath.Join(dir, "above", "disk", "journal")}, "in use"},
	} {
		data := filepath.Join(dir, "above", "data")
		status, out, errs := glueline(t.Context(), append([]string{"serve", "--data", data}, c.args...)...)
		if status != 1 || !strings.Contains(errs, c.want) {
			t.Errorf("%s: status %d, want %q in %s%s", c.name, status, c.want, out, errs)
		}
		entries, err := os.ReadDir(dir)
		if err != nil || len(entries) != 2 {
			t.Errorf("%s: left %v, %v", c.name, entries, err)
		}
		// A folder that was there stays, with what it holds.
		mine := filepath.Join(dir, "above", "data", "mine.txt")
		if err := os.MkdirAll(data, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(mine, []byte("x"), 0o644); err != nil {
			t.Fatal(err)
		}
		glueline(t.Context(), append([]string{"serve", "--data", data}, c.args...)...)
		if _, err := os.Stat(mine); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		if err := os.RemoveAll(filepath.Join(dir, "above")); err != nil {
			t.Fatal(err)
		}
	}
}

// Folders above one that was made go too, while nobody else uses them.
func TestMadeFoldersAreTakenAway(t *testing.T) {
	dir := t.TempDir()
	f, err := makeFolder(filepath.Join(dir, "a", "b", "c"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "a"), "other.txt", "x")
	if err := f.remove(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "a", "b")); !os.IsNotExist(err) {
		t.Errorf("b: %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "a", "other.txt")); err != nil {
		t.Error(err)
	}
}
