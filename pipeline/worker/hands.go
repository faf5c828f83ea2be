package worker

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// mostHands bounds what a group's reducer keeps for its hands.
const mostHands = 8

// hands do the parts of a work beside the goroutine that shares it: it is one of
// them, and waits for nobody who has not begun. One goroutine uses them at a
// time, and closes them.
type hands struct {
	do   func(hand, part int) // of the work that left is of
	left atomic.Int64         // parts that nobody has begun; below zero, none
	busy sync.WaitGroup       // parts that are not done
	wake chan struct{}
	ends sync.WaitGroup
	n    int
}

// newHands starts as many hands as there are processors to work with.
func newHands() *hands { return startHands(min(runtime.GOMAXPROCS(0), mostHands)) }

func startHands(n int) *hands {
	h := &hands{wake: make(chan struct{}, n), n: n}
	for hand := 1; hand < n; hand++ {
		h.ends.Go(func() {
			for range h.wake {
				h.work(hand)
			}
		})
	}
	return h
}

// Hands is how many there are.
func (h *hands) Hands() int { return h.n }

// Share has every part done and returns then.
func (h *hands) Share(parts int, do func(hand, part int)) {
	h.do = do
	h.busy.Add(parts)
	h.left.Store(int64(parts))
	for range min(h.n, parts) - 1 {
		select {
		case h.wake <- struct{}{}:
		default: // all are called already
		}
	}
	h.work(0)
	h.busy.Wait()
}

// work does parts as long as there are any. Who comes late for one work may
// begin with the next: do is read behind the part that was taken, and set ahead
// of it.
func (h *hands) work(hand int) {
	for part := h.left.Add(-1); part >= 0; part = h.left.Add(-1) {
		h.do(hand, int(part))
		h.busy.Done()
	}
}

// Close ends the goroutines.
func (h *hands) Close() {
	close(h.wake)
	h.ends.Wait()
}
