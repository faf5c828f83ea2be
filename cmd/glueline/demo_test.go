package main

import (
	"context"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The demo runs through the stream, and what comes out is what the offline
// reduction of the same files makes, byte for byte.
func TestDemoIsTheReductionOfItsFiles(t *testing.T) {
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
