package main

import (
	"path/filepath"
	"testing"

	"glueline/pipeline/flag"
)

// Work is not begun ahead of readings that do not come: the zero could not be
// carried over it. The reading that was dropped is not in the way of the next.
func TestWorkIsNotBegunWithoutReadings(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	b.command(0, nil, "load-state", "idle")
	b.command(0, b.fed("zero test begin", 12), "zero", "--kind", "test", "--for", "10s")
	b.beam = 0.02
	b.feed(1)
	out := b.command(1, nil, "rewire", "begin", "girder")
	wants(t, out, "rewire beam before", "rewire beam void", "refused, nothing was read: no readings come from source", "No rewire has begun", "--force")
	if status, _, errs := glueline(t.Context(), "rewire", "end", "girder", "--data", b.data, "--who", "M. Arkle", "--why", "a trial"); status != 1 {
		t.Errorf("it has begun: %s", errs)
	}
	// The readings are back.
	wants(t, b.command(0, b.fed("rewire beam before", 12), "rewire", "begin", "girder"), "The reading was taken. Do the work now")
	b.beam = -0.7
	b.feed(2)
	wants(t, b.command(0, b.fed("rewire beam after", 12), "rewire", "end", "girder"), "The zero is carried over")
	b.feed(2)
	wants(t, b.command(0, nil, "replace", "begin", "web", "--force", "the gauge is off already"),
		"replace web void", "replace web begin", "no readings come from source", "the series restarts")
	b.feed(11)
	b.steps("--now")
	node := readSegments(t, filepath.Join(b.data, reducedFolder))["node"]
	n := len(node.time) - 1
	if m := node.flags["beam flags"][n]; m != 0 {
		t.Errorf("beam: %s, over which its zero was carried", m)
	}
	if m := node.flags["web flags"][n]; m&flag.Handled == 0 {
		t.Errorf("web: %s, where somebody works", m)
	}
}
