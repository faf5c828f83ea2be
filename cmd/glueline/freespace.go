package main

import (
	"context"
	"log/slog"
	"math"
	"time"
)

// freeWatch keeps room on the journal's disk. Where the disk has less than the
// journals' limits, these follow it down, so that frames are refused with a reason
// and their publishers keep them, and so that files end while there is room for
// what ends them. Below the mark the limits are what the journals hold. A broker
// that met a full disk would acknowledge nothing more until it is started anew.
type freeWatch struct {
	dir    string
	shared bool   // the results are on the same disk
	keep   uint64 // bytes
	limit  int64  // of a journal, while there is room
	groups []*liveGroup
	log    *slog.Logger
	again  chan struct{} // look at once

	low     bool
	tight   bool      // what trimming leaves in the journals' files counts
	follows bool      // the limits are the disk's
	said    bool      // that the disk is nearly full
	lowAt   time.Time // when it was so the last time
}

// lookAtDisk is how often the disk is looked at: seldom enough to cost nothing,
// often enough that a gigabyte outlasts it.
const lookAtDisk = 500 * time.Millisecond

// rewritten is what a trimmed journal may take on top: the server writes the rest of
// a block of its file anew when less than half is left, of 8 MiB. It does not come
// back from a disk that is full then.
const rewritten = 4 << 20

// trimming is what the disk needs free for so many journals to be trimmed.
func trimming(groups int) uint64 { return uint64(groups)*rewritten + 1<<20 }

// tightDisks is how often a disk holds what trimming needs, above the mark, that need
// not count with it.
const tightDisks = 16

// keepFree is the mark in bytes: as asked, or 1 GiB or 5 % of the disk, whichever is
// less, but what trimming needs where half the disk has that.
func keepFree(asked int64, dir string, groups int) uint64 {
	if asked >= 0 {
		return uint64(asked)
	}
	size := diskSize(dir)
	if size == math.MaxUint64 {
		return 0
	}
	return max(min(1<<30, size/20), min(size/2, trimming(groups)))
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
		case <-w.again:
		}
	}
}

func (w *freeWatch) look(ctx context.Context) {
	free := freeDisk(w.dir)
	spare := free - min(free, w.keep)
	switch {
	case spare < min(largestMessage, w.keep/8):
		w.low = true
	case free >= w.keep+w.keep/4:
		w.low = false
	}
	w.tight = spare < tightDisks*trimming(len(w.groups))
	w.say(free, time.Now())
	room := w.room(spare)
	followed := w.follows
	if w.follows = room < w.limit; !w.follows && !followed {
		return
	}
	for _, g := range w.groups {
		// At each look: what trimming frees is for the segments too.
		if err := w.setLimit(ctx, g, room); err != nil {
			w.failed(ctx, g, err)
		}
	}
}

// say tells that the disk is nearly full: once, until it has had room for a while.
func (w *freeWatch) say(free uint64, now time.Time) {
	switch {
	case w.low:
		w.lowAt = now
		if !w.said {
			w.said = true
			w.log.Error("the disk is nearly full: frames are refused until there is room", "folder", w.dir, "free bytes", free, "kept free", w.keep)
		}
	case w.said && now.Sub(w.lowAt) >= roomFor:
		w.said = false
		w.log.Info("there is room again: frames are taken", "folder", w.dir, "free bytes", free)
	}
}

// Of a disk that the results are on too, a journal has a part at each look: what
// comes makes raw files and reduced ones, about three times itself. The last bytes
// are for whoever comes first.
const (
	partOfShared = 4
	lastOfShared = 2 * largestMessage
)

// room is what each journal may grow by until the next look, in bytes.
func (w *freeWatch) room(spare uint64) int64 {
	if w.low {
		return 0
	}
	if w.shared {
		spare = max(spare/partOfShared, min(spare, lastOfShared))
	}
	return int64(min(spare/uint64(len(w.groups)), math.MaxInt64/2))
}

// holds says whether the disk, nearly full, has so many bytes for what gives room.
func (w *freeWatch) holds(bytes int64) bool {
	return freeDisk(w.dir) >= w.keep/2+uint64(bytes)
}

// mayRewrite says whether the disk has room for a journal to be trimmed anywhere;
// that of another server (nil) is its own affair.
func (w *freeWatch) mayRewrite() bool {
	return w == nil || freeDisk(w.dir) >= trimming(len(w.groups))
}

// trim trims a group's journal. What leaves it may stay in its file, up to half a
// block, so that the limit would let in more than the disk got free: on a tight disk
// nothing comes until that is looked at again.
func (w *freeWatch) trim(ctx context.Context, g *liveGroup, below uint64) error {
	g.limiting.Lock()
	defer g.limiting.Unlock()
	if g.tight {
		if err := g.journal.SetLimit(ctx, shut); err != nil {
			return err
		}
		defer func() {
			select {
			case w.again <- struct{}{}:
			default:
			}
		}()
	}
	return g.journal.Trim(ctx, below)
}

// setLimit sets the limit of a group's journal to what it holds and may grow by.
func (w *freeWatch) setLimit(ctx context.Context, g *liveGroup, room int64) error {
	g.limiting.Lock()
	defer g.limiting.Unlock()
	state, err := g.journal.State(ctx)
	if err != nil {
		return err
	}
	g.lowDisk.Store(w.low)
	limit := min(w.limit, max(1, state.Bytes+room))
	g.tight = w.tight && limit < w.limit
	g.share.Store(cutShare(limit))
	// A little is not worth a change.
	if change := limit - state.MaxBytes; !w.low && limit < w.limit && max(change, -change) < limit/64 {
		return nil
	}
	return g.journal.SetLimit(ctx, limit)
}

// failed says so; after a failure the next look does it again.
func (w *freeWatch) failed(ctx context.Context, g *liveGroup, err error) {
	if ctx.Err() == nil {
		w.log.Warn("the journal's limit was not set", "group", g.plan.Name, "err", err)
		w.follows = true
	}
}
