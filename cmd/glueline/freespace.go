package main

import (
	"context"
	"log/slog"
	"math"
	"time"
)

// freeWatch keeps room on the journal's disk: below the mark it sets the
// journals' limits to what they hold, so that publishers are refused with a
// reason and keep their frames. A broker that met a full disk would acknowledge
// nothing more until it is started anew.
type freeWatch struct {
	dir    string
	keep   uint64 // bytes
	limit  int64  // of a journal, while there is room
	groups []*liveGroup
	log    *slog.Logger

	low bool
}

// lookAtDisk is how often the disk is looked at: seldom enough to cost nothing,
// often enough that a gigabyte outlasts it.
const lookAtDisk = 500 * time.Millisecond

// keepFree is the mark in bytes: as asked, or 1 GiB or 5 % of the disk,
// whichever is less.
func keepFree(asked int64, dir string) uint64 {
	if asked >= 0 {
		return uint64(asked)
	}
	size := diskSize(dir)
	if size == math.MaxUint64 {
		return 0
	}
	return min(1<<30, size/20)
}

// run watches until ctx ends.
func (w *freeWatch) run(ctx context.Context) {
	if w.keep == 0 {
		return
	}
	ticker := time.NewTicker(lookAtDisk)
	defer ticker.Stop()
	for {
		w.look(ctx)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

func (w *freeWatch) look(ctx context.Context) {
	free := freeDisk(w.dir)
	switch {
	case free < w.keep:
		if !w.low {
			w.log.Error("the disk is nearly full: frames are refused until there is room", "folder", w.dir, "free bytes", free, "kept free", w.keep)
		}
		w.low = true
	case w.low && free >= w.keep+w.keep/4:
		w.log.Info("there is room again: frames are taken", "folder", w.dir, "free bytes", free)
		w.low = false
	case !w.low:
		return
	}
	for _, g := range w.groups {
		// At each look: what trimming frees is for the segments.
		if err := w.setLimit(ctx, g); err != nil {
			w.failed(ctx, g, err)
		}
	}
}

func (w *freeWatch) setLimit(ctx context.Context, g *liveGroup) error {
	g.limiting.Lock()
	defer g.limiting.Unlock()
	limit := w.limit
	g.lowDisk = w.low
	if w.low {
		state, err := g.journal.State(ctx)
		if err != nil {
			return err
		}
		limit = max(1, state.Bytes)
	}
	return g.journal.SetLimit(ctx, limit)
}

// failed says so; after a failure the next look does it again.
func (w *freeWatch) failed(ctx context.Context, g *liveGroup, err error) {
	if ctx.Err() == nil {
		w.log.Warn("the journal's limit was not set", "group", g.plan.Name, "err", err)
		w.low = true
	}
}
