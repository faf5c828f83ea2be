// Package worker carries frames and events through the pure function to the
// sinks, and decides where the files of a group end together.
package worker

import (
	"context"
	"errors"
	"fmt"
	"io"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
)

// CutBytes of raw readings close the files of a group, after the frame that
// reaches them. No clock decides it, so a replay cuts in the same places.
const CutBytes = 64 << 20

// Frames gives frames in their canonical order. Frames of one source that
// nothing else comes between may come as one.
type Frames interface {
	NextRun() (*frame.Frame, error) // io.EOF at the end
}

// Sink takes the reduced batches of one group in order. It must not keep a
// batch after Append returns.
type Sink interface {
	Append(*group.Batch) error
	Cut(zeros []group.ZeroInForce) error // what was appended since the last cut becomes durable
	Abort() error                        // what was appended since the last cut is dropped
}

// EventSink is a Sink that also keeps what people did, in its place among the
// batches.
type EventSink interface {
	Sink
	Event(event.Event)
}

// tell hands an event to the sinks that keep events.
func tell(sinks []Sink, e event.Event) {
	for _, s := range sinks {
		if s, ok := s.(EventSink); ok {
			s.Event(e)
		}
	}
}

// use tells the sinks that depend on it of another plan.
func use(sinks []Sink, plan *group.Plan) {
	for _, s := range sinks {
		if s, ok := s.(PlanSink); ok {
			s.Use(plan)
		}
	}
}

// Work is a group with its sinks.
type Work struct {
	Plan  *group.Plan
	Sinks []Sink
	Then  []Then // rising

	reducer  *group.Reducer
	rawBytes int64
}

// Then is another plan of the group, which holds from its first frame on that has
// a row of a time or later.
type Then struct {
	At   int64 // ns
	Plan *group.Plan
}

// before returns where the first frame of a run ends, from a row on, that another
// plan holds for: the run's end where none does.
func (w *Work) before(times []int64, from, perFrame int) int {
	if len(w.Then) == 0 {
		return len(times)
	}
	for ; from < len(times); from += perFrame {
		if times[min(from+perFrame, len(times))-1] >= w.Then[0].At {
			return from
		}
	}
	return len(times)
}

// turn goes over to the next plan.
func (w *Work) turn() (*group.Plan, error) {
	next := w.Then[0].Plan
	w.Then = w.Then[1:]
	reducer, err := HandOn(w.reducer, next)
	w.reducer = reducer
	return next, err
}

// batchRows keeps the columns of a batch near the processor's caches.
const batchRows = 8192

// batchesInFlight bounds the memory between reduction and sinks.
const batchesInFlight = 4

// message is a batch, an event or a cut on its way to the sinks of a group.
type message struct {
	work  *Work
	batch *group.Batch
	event *event.Event
	plan  *group.Plan         // what follows is of this one
	zeros []group.ZeroInForce // with a cut, when there is nothing else
}

// Offline reduces all frames, with the events in their canonical places, and
// ends with a cut. Reduction and sinks run beside each other. On an error, or
// when ctx ends, what no cut has made durable is dropped.
func Offline(ctx context.Context, frames Frames, events []event.Event, works []*Work) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ready := make(chan message, batchesInFlight)
	free := make(chan *group.Batch, batchesInFlight)
	for range batchesInFlight {
		free <- new(group.Batch)
	}
	sunk := make(chan error, 1)
	go func() {
		defer close(sunk)
		sunk <- sink(ready, free)
		cancel() // a failed sink stops the reduction
		for m := range ready {
			if m.batch != nil {
				free <- m.batch
			}
		}
	}()
	reduceErr := reduceAll(ctx, frames, events, works, ready, free)
	if reduceErr != nil {
		// Without the last cuts the sinks hold rows that nothing has closed.
		ready <- message{}
	}
	close(ready)
	sinkErr := <-sunk
	for range sunk { // closed when the goroutine has ended
	}
	if reduceErr != nil || sinkErr != nil {
		if sinkErr != nil && errors.Is(reduceErr, context.Canceled) {
			reduceErr = nil
		}
		err = errors.Join(reduceErr, sinkErr)
		for _, w := range works {
			for _, s := range w.Sinks {
				err = errors.Join(err, s.Abort())
			}
		}
	}
	return err
}

// sink hands messages to the sinks until the channel is closed or one fails.
func sink(ready <-chan message, free chan<- *group.Batch) error {
	for m := range ready {
		if m.work == nil {
			continue
		}
		if m.event != nil {
			tell(m.work.Sinks, *m.event)
			continue
		}
		if m.plan != nil {
			use(m.work.Sinks, m.plan)
			continue
		}
		for _, s := range m.work.Sinks {
			var err error
			if m.batch != nil {
				err = s.Append(m.batch)
			} else {
				err = s.Cut(m.zeros)
			}
			if err != nil {
				if m.batch != nil {
					free <- m.batch
				}
				return err
			}
		}
		if m.batch != nil {
			free <- m.batch
		}
	}
	return nil
}

func reduceAll(ctx context.Context, frames Frames, events []event.Event, works []*Work, ready chan<- message, free <-chan *group.Batch) error {
	hands := newHands()
	defer hands.Close()
	bySource := map[string]*Work{}
	for _, w := range works {
		w.reducer = group.NewReducer(w.Plan)
		w.reducer.Spread(hands)
		for _, s := range w.Plan.Sources() {
			bySource[s] = w
		}
	}
	send := func(m message) error {
		select {
		case ready <- m:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	cut := func(w *Work) error {
		w.rawBytes = 0
		return send(message{work: w, zeros: w.reducer.Zeros()})
	}
	for {
		f, err := frames.NextRun()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		w := bySource[f.Source]
		if w == nil {
			return fmt.Errorf("%w: no source %q in the test file", group.ErrFrame, f.Source)
		}
		// An event comes before the first frame that holds a row of its time or later.
		for len(events) > 0 && f.Rows() > 0 && events[0].Time.UnixNano() <= f.Time[f.Rows()-1] {
			for _, w := range works {
				w.reducer.Event(events[0])
				if err := send(message{work: w, event: &events[0]}); err != nil {
					return err
				}
			}
			events = events[1:]
		}
		perRow := rowBytes(f)
		perFrame := int64(frame.RowsPerFrame(w.Plan.Rate(f.Source), perRow))
		for from, rows := 0, f.Rows(); from < rows; {
			// Rows to the end of the frame that reaches the size of a cut.
			frames := (CutBytes - w.rawBytes + perFrame*int64(perRow) - 1) / (perFrame * int64(perRow))
			frames = min(max(frames, 1), max(1, batchRows/perFrame))
			to := min(rows, from+int(frames*perFrame), w.before(f.Time, from, int(perFrame)))
			if to == from {
				plan, err := w.turn()
				if err != nil {
					return err
				}
				w.reducer.Spread(hands)
				if err := send(message{work: w, plan: plan}); err != nil {
					return err
				}
				continue
			}
			var b *group.Batch
			select {
			case b = <-free:
			case <-ctx.Done():
				return ctx.Err()
			}
			part := f
			if from > 0 || to < rows {
				slice := f.Slice(from, to)
				part = &slice
			}
			if err := w.reducer.Reduce(part, b); err != nil {
				return err
			}
			if err := send(message{work: w, batch: b}); err != nil {
				return err
			}
			w.rawBytes += int64((to - from) * perRow)
			from = to
			if w.rawBytes >= CutBytes {
				if err := cut(w); err != nil {
					return err
				}
			}
		}
		f.Release()
	}
	for _, w := range works {
		if err := cut(w); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// rowBytes is what a row of raw readings takes in a frame.
func rowBytes(f *frame.Frame) int { return f.RowBytes() }
