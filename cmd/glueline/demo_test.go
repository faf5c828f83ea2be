package main

import (
	"context"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The demo runs through the stream, and what comes out is what the offline
// reduction of the same files makes, byte for byte.
func TestDemoIsTheReductionOfItsFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	out := filepath.Join(dir, "demo")
	status, said, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "6h", "--quiet")
	if status != 0 {
		t.Fatalf("status %d: %s", status, errs)
	}
	for _, want := range []string{
		"69120 frames", "heel-w-b", "before filling", "Faults found in the segments", "Lazy", "not a protective system",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("it does not say %q", want)
		}
	}
	raw, err := filepath.Glob(filepath.Join(out, "raw", "*.csv"))
	if err != nil {
		t.Fatal(err)
	}
	offline := filepath.Join(dir, "offline")
	args := append([]string{"reduce", filepath.Join(out, "raw", "hollin.yaml")}, raw...)
	status, _, errs = glueline(t.Context(), append(args, "--events", filepath.Join(out, "raw", "events.jsonl"), "--out", offline, "--quiet")...)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errs)
	}
	want, got := digests(t, offline), digests(t, filepath.Join(out, "results", reducedFolder))
	if !maps.Equal(got, want) {
		t.Errorf("the stream gave %v, the files give %v", got, want)
	}
}

// With --stay the service is there until it is told to stop, and then ends well.
func TestDemoStays(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	out := filepath.Join(t.TempDir(), "demo")
	p := process(t, "demo", "--out", out, "--duration", "1h", "--quiet", "--stay")
	lines := output(t, p)
	for lines.next(ctx, t) != "The service stays until it is told to stop (Ctrl-C)." {
	}
	if _, err := os.Stat(filepath.Join(out, "results", socketName)); err != nil {
		t.Error(err)
	}
	if err := p.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := p.Wait(); err != nil {
		t.Errorf("%v\n%s", err, lines.errs.String())
	}
}

// However a demo ends, the next one in the same folder is not in its way.
func TestDemoThatEndsEarlyDoesNotBlockTheNext(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "demo")
	again := func(early string) {
		t.Helper()
		status, said, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "2m", "--quiet")
		if status != 0 || strings.Contains(said, "An earlier demo in "+out) != (early == "killed") {
			t.Errorf("after one that was %s: status %d: %s%s", early, status, said, errs)
		}
		entries, err := os.ReadDir(out)
		if err != nil || len(entries) != 2 {
			t.Errorf("after one that was %s: %v in it (%v)", early, entries, err)
		}
		if err := os.RemoveAll(out); err != nil {
			t.Fatal(err)
		}
	}
	inTheMiddle := func(p *exec.Cmd) {
		t.Helper()
		if err := p.Start(); err != nil {
			t.Fatal(err)
		}
		for deadline := time.Now().Add(time.Minute); ; time.Sleep(time.Millisecond) {
			if entries, err := os.ReadDir(filepath.Join(out, "results")); err == nil && len(entries) > 0 {
				return
			}
			if time.Now().After(deadline) {
				t.Fatal("it never began")
			}
		}
	}
	p := process(t, "demo", "--out", out, "--duration", "12h", "--raw", "arrow", "--quiet")
	inTheMiddle(p)
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "2m", "--quiet"); status != 1 || !strings.Contains(errs, "another glueline works in it") {
		t.Errorf("beside another: status %d: %s", status, errs)
	}
	if err := p.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = p.Wait() // it was killed
	again("killed")

	p = process(t, "demo", "--out", out, "--duration", "12h", "--raw", "arrow", "--quiet")
	var errs strings.Builder
	p.Stderr = &errs
	inTheMiddle(p)
	if err := p.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := p.Wait(); p.ProcessState.ExitCode() != 1 || !strings.Contains(errs.String(), "interrupted; nothing was kept") {
		t.Errorf("interrupted: %v: %s", err, errs.String())
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("something was kept")
	}
	again("interrupted")

	write(t, dir, "notes.txt", "mine")
	if status, _, errs := glueline(t.Context(), "demo", "--out", dir, "--duration", "2m", "--quiet"); status != 1 || !strings.Contains(errs, "is not empty") {
		t.Errorf("in a folder of somebody's: status %d: %s", status, errs)
	}
}

// What a killed reduction left beside the results is told of, and stays.
func TestReduceTellsOfWhatIsLeftBehind(t *testing.T) {
	b := soundFiles(t)
	left := filepath.Join(b.results, ".out.partial-1234")
	if err := os.Mkdir(left, 0o755); err != nil {
		t.Fatal(err)
	}
	status, _, errs := glueline(t.Context(), b.args()...)
	if status != 0 || !strings.Contains(errs, left+" is of a run that was killed") {
		t.Errorf("status %d: %s", status, errs)
	}
	if _, err := os.Stat(left); err != nil {
		t.Error(err)
	}
}
