package revise

import (
	"context"
	"errors"
	"sync"
	"time"

	"glueline/sinks/disk"
)

// work is an order at work in one process.
type work struct {
	Order
	out  disk.Folder
	pace *pace

	reading sync.Mutex // of known
	known   map[uint64]archivedCut

	mutex sync.Mutex // of what follows
	chain uint64     // cuts that have their records
	busy  map[uint64]bool
}

// poll is how often it is looked whether another process has got further.
const poll = 50 * time.Millisecond

// Run makes all cuts, or goes on where one was stopped, and returns when every
// one has its record, whoever made it. On an error, or when ctx ends, the cuts
// that have their records stay.
func Run(ctx context.Context, o Order) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	w := &work{Order: o, out: disk.At(o.Out), pace: newPace(o.Share), busy: map[uint64]bool{}}
	if _, err := w.committed(); err != nil { // of those nobody is told
		return err
	}
	var all sync.WaitGroup
	errs := make([]error, max(1, o.Workers))
	for i := range errs {
		all.Go(func() {
			if errs[i] = w.run(ctx); errs[i] != nil {
				cancel()
			}
		})
	}
	all.Wait()
	var first error
	for _, err := range errs {
		if err != nil && (first == nil || errors.Is(first, context.Canceled)) {
			first = err
		}
	}
	return first
}

func (w *work) run(ctx context.Context) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		cut, release, done, err := w.next()
		if err != nil || done {
			return err
		}
		if release == nil { // others are at all that is left
			select {
			case <-ctx.Done():
			case <-time.After(poll):
			}
			continue
		}
		_, err = w.make(ctx, cut)
		release()
		if err != nil {
			return err
		}
	}
}

// next writes the records that can be written and claims the first cut that
// nobody is at. done says that all have their records.
func (w *work) next() (cut uint64, release func(), done bool, err error) {
	w.mutex.Lock()
	defer w.mutex.Unlock()
	if err := w.advance(); err != nil {
		return 0, nil, false, err
	}
	if w.chain >= w.Cuts {
		return 0, nil, true, nil
	}
	last := w.Cuts
	if w.chain > 0 {
		own, err := w.ownState(w.chain - 1)
		if err != nil {
			return 0, nil, false, err
		}
		if own != nil {
			last = w.chain + 1 // the archive's states are not this revision's: one after the other
		}
	}
	for cut := w.chain; cut < last; cut++ {
		if w.busy[cut] || w.readMade(cut) != nil {
			continue
		}
		free, err := claim(w.Out, w.Group, cut)
		if err != nil {
			return 0, nil, false, err
		}
		if free == nil {
			continue
		}
		// Somebody may have made it just before it could be claimed.
		if w.readMade(cut) != nil || w.has(cut) {
			free()
			continue
		}
		w.busy[cut] = true
		return cut, func() {
			w.mutex.Lock()
			defer w.mutex.Unlock()
			delete(w.busy, cut)
			free()
		}, false, nil
	}
	return 0, nil, false, nil
}

func (w *work) has(cut uint64) bool {
	_, err := w.out.ReadFile(w.recordName(cut))
	return err == nil
}
