package main

import (
	"context"
	"time"

	"glueline/pipeline/event"
)

// cutsInJournal is how many cuts a journal has room for: the newest, which it
// keeps, the one that grows, and as much again for what comes until these are
// on disk, read back and trimmed.
const cutsInJournal = 4

// cutShare is how many bytes of a journal of that limit a cut may have.
func cutShare(limit int64) int64 { return max(1, limit/cutsInJournal) }

// lookAtJournal is how often it is looked whether the journal is full.
const lookAtJournal = 500 * time.Millisecond

// grows is told how many bytes of the journal no cut holds.
func (g *liveGroup) grows(uncut int64) {
	g.uncut.Store(uncut)
	if uncut < g.share.Load() {
		return
	}
	g.wake()
}

// wake has it looked at once whether a cut is due.
func (g *liveGroup) wake() {
	select {
	case g.large <- struct{}{}:
	default:
	}
}

// stuck is isStuck of the journal as it is now.
func (g *liveGroup) stuck(ctx context.Context) bool {
	state, err := g.journal.State(ctx)
	return err == nil && isStuck(&state)
}

// cutWhenDue asks for a cut, by an event like any other: when frames came since
// the last one and nothing comes any more, or when it was long ago; and when the
// journal would be full before the files have their size, or is. The event
// stands in the journal, so that whoever reads that again cuts in the same place,
// whatever room there is then.
func (g *liveGroup) cutWhenDue(ctx context.Context, idle, longest time.Duration) {
	ticker := time.NewTicker(min(max(idle/4, 10*time.Millisecond), lookAtJournal))
	defer ticker.Stop()
	var cuts, frames, asked uint64
	moved, cut := time.Now(), time.Now()
	var failed time.Time // that there is no cut was said
	said := fullSaid{log: g.log, group: g.plan.Name}
	for {
		select {
		case <-ctx.Done():
			return
		case <-g.large:
		case <-ticker.C:
			if state, err := g.journal.State(ctx); err == nil {
				if !g.lowDisk.Load() { // which is said of the disk
					said.look(g.roomWarning(&state), &state, time.Now())
				}
			}
		}
		now := g.progress.Look()
		if now.Cuts != cuts {
			cuts, cut = now.Cuts, time.Now()
		}
		if now.Frames != frames {
			frames, moved = now.Frames, time.Now()
		}
		why := ""
		switch {
		case now.Sequence < asked:
			// The one that was asked for is on its way to the worker.
		case now.Uncut > 0 && time.Since(moved) >= idle:
			why = "nothing comes any more"
		case now.Uncut > 0 && time.Since(cut) >= longest:
			why = "the last cut was long ago"
		case g.trim && g.uncut.Load() >= g.share.Load():
			why = "the journal has its share of room for a cut"
		case g.trim && g.checked.Load() >= asked && g.stuck(ctx):
			why = "the journal is full"
		}
		if why == "" {
			continue
		}
		e := event.Event{Event: event.Cut, Time: time.Now().UTC(), Who: "glueline", Why: why}
		seq, err := g.publishCut(ctx, e)
		if err != nil {
			if ctx.Err() == nil && time.Since(failed) >= roomFor {
				failed = time.Now()
				g.log.Warn("no cut", "group", g.plan.Name, "err", err)
			}
			continue
		}
		asked, moved, cut = seq, time.Now(), time.Now() // until the worker has met it
	}
}
