package worker

import (
	"math/rand/v2"
	"runtime"
	"sync/atomic"
	"testing"
	"time"
)

// Every part is done once before Share returns, by hands that do one at a time,
// whoever comes late from the work before.
func TestHandsDoEveryPartOnce(t *testing.T) {
	for _, n := range []int{1, 2, 7} {
		h := startHands(n)
		if h.Hands() != n {
			t.Fatalf("%d hands, want %d", h.Hands(), n)
		}
		busy := make([]atomic.Bool, n)
		for range 500 {
			done := make([]int, rand.IntN(20)) // written without a lock: Share orders it
			h.Share(len(done), func(hand, part int) {
				if busy[hand].Swap(true) {
					t.Errorf("hand %d does two parts at a time", hand)
				}
				done[part]++
				if part%5 == 0 {
					runtime.Gosched()
				}
				busy[hand].Store(false)
			})
			for part, times := range done {
				if times != 1 {
					t.Fatalf("%d hands: part %d of %d was done %d times", n, part, len(done), times)
				}
			}
		}
		h.Close()
	}
}

// Share does not wait for a hand that does not come.
func TestHandsWaitForNobodyWhoHasNotBegun(t *testing.T) {
	h := &hands{wake: make(chan struct{}, 2), n: 2} // the other hand was never started
	var by [2]int
	for range 3 {
		h.Share(100, func(hand, _ int) { by[hand]++ })
	}
	if by != [2]int{300, 0} {
		t.Errorf("parts by hand: %v", by)
	}
}

func TestHandsEnd(t *testing.T) {
	before := runtime.NumGoroutine()
	h := startHands(4)
	h.Share(8, func(int, int) {})
	h.Close()
	for range 100 { // a goroutine that has ended is counted for a moment
		if runtime.NumGoroutine() <= before {
			return
		}
		time.Sleep(time.Millisecond)
	}
	t.Errorf("%d goroutines, %d before", runtime.NumGoroutine(), before)
}

func TestHandsAllocateNothing(t *testing.T) {
	h := startHands(3)
	defer h.Close()
	do := func(int, int) {}
	if n := testing.AllocsPerRun(100, func() { h.Share(6, do) }); n > 0 {
		t.Errorf("%v allocations", n)
	}
}
