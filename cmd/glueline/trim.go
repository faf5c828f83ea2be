package main

import (
	"context"
	"slices"

	"glueline/sinks/archive"
)

// committedCut is a cut, and the first and the last sequence of the journal that
// are in it.
type committedCut struct{ cut, first, last uint64 }

// check reads cuts back and trims the journal behind them, beside the worker.
type check struct {
	cuts  chan committedCut // a worker that is further ahead than this waits
	ended chan struct{}
}

func (c *check) end() {
	close(c.cuts)
	<-c.ended
}

// beginCheck begins with the cuts that the journal still has.
func (g *liveGroup) beginCheck(ctx context.Context, unread []committedCut) *check {
	c := &check{cuts: make(chan committedCut, 1), ended: make(chan struct{})}
	go func() {
		defer close(c.ended)
		for cut := range c.cuts {
			if unread = g.check(ctx, append(unread, cut)); len(unread) == 0 {
				g.checked.Store(cut.last)
				g.wake() // the newest cut may fill the journal by itself
			}
		}
	}()
	return c
}

// inJournal are the archived cuts of which the journal, from first on, still has
// messages, the oldest first. One whose record cannot be read is the last looked at:
// it will not read back either.
func (g *liveGroup) inJournal(newest *archive.Record, first uint64) (cuts []committedCut) {
	for at := newest; at != nil && at.Journal.Last >= first; {
		cuts = append(cuts, committedCut{at.Cut, at.Journal.First, at.Journal.Last})
		if at.Cut == 0 {
			break
		}
		before, err := archive.Read(g.raw, g.plan.Name, at.Cut-1)
		if err != nil {
			cuts = append(cuts, committedCut{cut: at.Cut - 1})
			break
		}
		at = before
	}
	slices.Reverse(cuts)
	return cuts
}

// smallCut is how many messages behind its first a cut has that is trimmed up to on a
// disk that is nearly full. Such a one, of events alone, follows a larger one while
// frames are refused.
const smallCut = 3

// check reads back the cuts that were not yet, and trims the journal up to the
// newest, which it keeps, with what follows. It returns what does not read back:
// of that the journal keeps everything.
func (g *liveGroup) check(ctx context.Context, unread []committedCut) []committedCut {
	for i, u := range unread {
		if err := archive.ReadBack(g.raw, g.plan.Name, u.cut); err != nil {
			g.log.Error("the raw archive does not read back; the journal is not trimmed", "group", g.plan.Name, "cut", u.cut, "err", err)
			return unread[i:]
		}
	}
	newest := unread[len(unread)-1]
	if !g.trim || !g.disk.mayRewrite() && newest.last-newest.first > smallCut {
		return nil
	}
	err := g.faults.meet("trim")
	if err == nil {
		err = g.disk.trim(ctx, g, newest.first)
	}
	if err != nil && ctx.Err() == nil {
		g.log.Warn("the journal was not trimmed; it will be with the next cut", "group", g.plan.Name, "err", err)
	}
	return nil
}
