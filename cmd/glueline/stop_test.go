package main

import (
	"context"
	"testing"

	"glueline/pipeline/group"
	"glueline/pipeline/worker"
)

// A service that is told to stop while a worker still finds out where it stands
// has not failed.
func TestStopWhileAWorkerStarts(t *testing.T) {
	b := newLiveBench(t)
	ctx, stop := context.WithCancel(t.Context())
	stop()
	g := &liveGroup{plan: &group.Plan{Name: "main"}, journal: b.journal, raw: t.TempDir(), progress: new(worker.Progress)}
	if err := g.keepRunning(ctx); err != nil {
		t.Error(err)
	}
}
