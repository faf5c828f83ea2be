package main

import (
	"context"
	"encoding/json"
	"errors"

	"glueline/pipeline/event"
	"glueline/pipeline/journal"
)

// A journal that is full refuses frames, whose publishers keep them. It must not
// refuse what gives it room again: the event that ends the files, behind which it
// is trimmed; nor what people do meanwhile.

// roomForEvent is what the limit gives way by for one event.
const roomForEvent = 2 * maxEvent

// isFull says whether a journal refuses frames, or soon will: a largest message,
// or a part of a small limit, does not fit any more.
func isFull(s *journal.State) bool {
	return s.MaxBytes > 0 && s.MaxBytes-s.Bytes < min(1<<20, s.MaxBytes/16)
}

// publish appends an event to the group's journal, a full one too, unless it is the
// disk that has no room.
func (g *liveGroup) publish(ctx context.Context, id string, text []byte) error {
	_, err := g.journal.PublishEvent(ctx, id, text)
	if !errors.Is(err, journal.ErrFull) {
		return err
	}
	g.limiting.Lock()
	defer g.limiting.Unlock()
	if g.lowDisk {
		return err // room is not for a limit to give
	}
	before, stateErr := g.journal.State(ctx)
	if stateErr != nil {
		return errors.Join(err, stateErr)
	}
	// Publishers who wait take of the room too.
	for extra := int64(roomForEvent); errors.Is(err, journal.ErrFull) && extra <= 16*roomForEvent; extra *= 2 {
		if limitErr := g.journal.SetLimit(ctx, max(before.Bytes, before.MaxBytes)+extra); limitErr != nil {
			err = errors.Join(err, limitErr)
			break
		}
		_, err = g.journal.PublishEvent(ctx, id, text)
	}
	return errors.Join(err, g.journal.SetLimit(context.WithoutCancel(ctx), before.MaxBytes))
}

// publishNew is publish of an event of the service's own.
func (g *liveGroup) publishNew(ctx context.Context, e event.Event) error {
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	return g.publish(ctx, journal.NewEventID(), text)
}

// stuck says whether the journal is full of what a cut, or one more, lets it trim:
// it keeps the newest cut and what follows.
func (g *liveGroup) stuck(ctx context.Context) bool {
	if !g.trim {
		return false
	}
	state, err := g.journal.State(ctx)
	return err == nil && isFull(&state) && state.Last-state.First > 3
}
