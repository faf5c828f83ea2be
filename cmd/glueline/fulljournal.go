package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/journal"
)

// A journal that is full refuses frames, whose publishers keep them. It must not
// refuse what gives it room again: the event that ends the files, behind which it
// is trimmed; nor what people do meanwhile.

// mostForEvent is what the limit gives way by, at most, for one event.
const mostForEvent = 32 * maxEvent

// largestMessage is about what a frame may have (ServerOptions): a journal with less
// room may refuse one.
const largestMessage = 1 << 20

// shut is the limit of a journal that takes nothing for the moment in which it is
// trimmed: it is not full by it.
const shut = 1

// isFull says whether a journal refuses frames, or soon will: a largest message,
// or a part of a small limit, does not fit any more.
func isFull(s *journal.State) bool {
	return s.MaxBytes > shut && s.MaxBytes-s.Bytes < min(largestMessage, s.MaxBytes/16)
}

// isStuck says whether frames may be refused that a cut, or one more, makes room
// for: the newest cut stays in the journal, so that after a large one it takes two.
func isStuck(s *journal.State) bool {
	return s.MaxBytes > shut && s.MaxBytes-s.Bytes < min(largestMessage, s.MaxBytes/2) && s.Last > s.First
}

// roomWarning says what is wrong with the room in the journal, and what to do; ""
// when nothing is.
func (g *liveGroup) roomWarning(s *journal.State) string {
	name := g.plan.Name
	switch {
	case g.lowDisk.Load():
		return fmt.Sprintf("the journal of group %s is full, because its disk is: %s are left there, %s are kept free. Publishers are refused, keep their frames and wait; nothing is lost. Make room on that disk, or give the journal one of its own (--journal).",
			name, size(int64(min(freeDisk(g.disk.dir), 1<<62))), size(int64(g.disk.keep)))
	case isFull(s) && !g.trim:
		return fmt.Sprintf("the journal of group %s is full, and never trimmed (--keep-journal): publishers are refused, keep their frames and wait; nothing is lost. Start again with a larger --journal-max, or without --keep-journal.", name)
	case isFull(s):
		return fmt.Sprintf("the journal of group %s is full: publishers are refused, keep their frames and wait. Nothing is lost; room comes when files end and it is trimmed. If it stays so: is the disk of the results full (the log says so), or --journal-max too small?", name)
	case s.MaxBytes > shut && s.Bytes > s.MaxBytes/4*3:
		return fmt.Sprintf("the journal of group %s is nearly full: it holds %s of %s. Beyond that publishers are refused, keep their frames and wait. Does the lag grow, or can files not be written (the log says so)? Else give more room (--journal-max, or a larger disk).",
			name, size(s.Bytes), size(s.MaxBytes))
	}
	return ""
}

// fullSaid says in the log that a journal is full, or nearly: once, until it has
// had room for a while. A small journal may be full every second.
type fullSaid struct {
	log   *slog.Logger
	group string
	said  bool
	full  time.Time // when it was so the last time
}

// roomFor is how long a journal has room until it is told anew that it has none.
const roomFor = time.Minute

func (f *fullSaid) look(warning string, s *journal.State, now time.Time) {
	switch {
	case warning != "":
		f.full = now
		if !f.said {
			f.said = true
			f.log.Warn("the journal has little room", "what", warning, "held", s.Bytes, "limit", s.MaxBytes)
		}
	case f.said && now.Sub(f.full) >= roomFor:
		f.said = false
		f.log.Info("the journal has room again", "group", f.group, "held", s.Bytes, "limit", s.MaxBytes)
	}
}

// publish appends an event to the group's journal, a full one too, unless it is the
// disk that has no room.
func (g *liveGroup) publish(ctx context.Context, id string, text []byte) error {
	_, err := g.append(ctx, id, text, false)
	return err
}

// publishNew is publish of an event of the service's own.
func (g *liveGroup) publishNew(ctx context.Context, e event.Event) error {
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	return g.publish(ctx, journal.NewEventID(), text)
}

// publishCut appends the event that ends the files, which gives room: for it there
// is some on a disk that is nearly full. It returns its sequence.
func (g *liveGroup) publishCut(ctx context.Context, e event.Event) (seq uint64, err error) {
	text, err := json.Marshal(e)
	if err != nil {
		return 0, err
	}
	return g.append(ctx, journal.NewEventID(), text, true)
}

// append appends an event; where the limit is in the way, that gives way for a
// moment.
func (g *liveGroup) append(ctx context.Context, id string, text []byte, givesRoom bool) (seq uint64, err error) {
	seq, err = g.journal.PublishEvent(ctx, id, text)
	if !errors.Is(err, journal.ErrFull) {
		return seq, err
	}
	g.limiting.Lock()
	defer g.limiting.Unlock()
	before, stateErr := g.journal.State(ctx)
	if stateErr != nil {
		return 0, errors.Join(err, stateErr)
	}
	// Little at first, in which no frame fits; but publishers who wait take of the
	// room too.
	for extra := int64(len(text)) + 1<<10; errors.Is(err, journal.ErrFull) && extra <= mostForEvent; extra *= 2 {
		if g.lowDisk.Load() && !(givesRoom && g.disk.holds(extra)) {
			break // room is not for a limit to give
		}
		if limitErr := g.journal.SetLimit(ctx, max(before.Bytes, before.MaxBytes)+extra); limitErr != nil {
			err = errors.Join(err, limitErr)
			break
		}
		seq, err = g.journal.PublishEvent(ctx, id, text)
	}
	return seq, errors.Join(err, g.journal.SetLimit(context.WithoutCancel(ctx), before.MaxBytes))
}
