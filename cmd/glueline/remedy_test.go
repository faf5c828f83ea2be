package main

import (
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// Whoever looks at a folder too early, or at a wrong one, is told which of the two.
func TestFoldersWithoutFinishedFiles(t *testing.T) {
	dir := t.TempDir()
	data, lost, other := filepath.Join(dir, "data"), filepath.Join(dir, "lost"), filepath.Join(dir, "other")
	for _, d := range []string{filepath.Join(data, rawFolder), filepath.Join(data, reducedFolder), filepath.Join(lost, rawFolder), filepath.Join(lost, reducedFolder), other} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	write(t, filepath.Join(lost, rawFolder), "main.00000000.node.arrow", "x")
	file := write(t, dir, "file", "x")
	test := write(t, dir, "bench.yaml", feedTest)
	for _, c := range []struct{ dir, says string }{
		{data, "the first files are not ended"},
		{lost, "but no commit record that lists them"},
		{other, "no commit record is there; give the data folder"},
		{file, "is a file; give"},
		{filepath.Join(dir, "none"), "there is no such folder; give"},
	} {
		for _, command := range [][]string{{"verify", c.dir}, {"drift", c.dir}, {"steps", c.dir}} {
			if c.dir == data && command[0] == "verify" {
				continue // nothing is wrong there
			}
			if status, out, errs := glueline(t.Context(), command...); status != 1 || out != "" || !strings.Contains(errs, c.says) {
				t.Errorf("%v: status %d: %s%s", command, status, out, errs)
			}
		}
	}
	t.Chdir(dir) // a folder is named as it was given
	if status, _, errs := glueline(t.Context(), "steps", "data"); status != 1 || !strings.HasPrefix(errs, "glueline: data: no commit record yet") || strings.Contains(errs, dir) {
		t.Errorf("a relative path: status %d: %s", status, errs)
	}
	for _, command := range [][]string{
		{"rereduce", data, "--calibration", test, "--preview"},
		{"review", data, "r1", "checked", "--who", "B. Checker"},
	} {
		if status, out, errs := glueline(t.Context(), command...); status != 1 || !strings.Contains(errs, "the first files are not ended") {
			t.Errorf("%v: status %d: %s%s", command, status, out, errs)
		}
	}
}

func TestErrorsOfTheMachineNameARemedy(t *testing.T) {
	for err, says := range map[error]string{
		&fs.PathError{Op: "mkdir", Path: "data", Err: syscall.EROFS}:                      "for reading only",
		fmt.Errorf("lock: %w", &fs.PathError{Op: "open", Path: "x", Err: syscall.EACCES}): "The user that glueline runs as",
		fs.ErrNotExist: "",
	} {
		if do := remedyOf(err); !strings.Contains(do, says) || (do == "") != (says == "") {
			t.Errorf("%v: %q", err, do)
		}
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = taken.Close() }()
	dir := t.TempDir()
	test := write(t, dir, "bench.yaml", feedTest)
	for _, flag := range []string{"--listen", "--http", "--mqtt"} {
		status, _, errs := glueline(t.Context(), "serve", test, "--data", filepath.Join(dir, "data"), flag, taken.Addr().String())
		if status == 0 || !strings.Contains(errs, "give another port") {
			t.Errorf("%s: status %d: %s", flag, status, errs)
		}
	}
	if status, _, errs := glueline(t.Context(), "serve", test, "--data", filepath.Join(dir, "data"), "--journal-max", "20"); status != 1 || !strings.Contains(errs, "--journal-max 20: so few bytes") || strings.Contains(errs, "API error") {
		t.Errorf("a small journal: status %d: %s", status, errs)
	}
	if status, _, errs := glueline(t.Context(), "rule-out", "web", "moisture", "--who", "A. Fitter", "--why", " "); status != 2 || !strings.Contains(errs, "--why is blank") {
		t.Errorf("a blank reason: status %d: %s", status, errs)
	}
	if status, _, errs := glueline(t.Context(), "zero", "--kind", "test", "--name", " ", "--who", "A. Fitter", "--why", "begin"); status != 2 || !strings.Contains(errs, "--name is blank") {
		t.Errorf("a blank name of a zero: status %d: %s", status, errs)
	}
}
