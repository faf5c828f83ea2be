package verify

import (
	"math/rand/v2"
	"testing"
)

// A set of ranges knows what a set of single numbers knows.
func TestNumbersAreASet(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for range 300 {
		var n numbers
		there := map[uint64]bool{}
		for range random.IntN(40) {
			from, count := random.Uint64N(60), random.Uint64N(6)
			wantAgain, wantTwice := false, uint64(0)
			for i := from; i < from+count; i++ {
				if there[i] && !wantAgain {
					wantAgain, wantTwice = true, i
				}
				there[i] = true
			}
			if twice, again := n.add(from, count); again != wantAgain || twice != wantTwice {
				t.Fatalf("add %d+%d: %d %t, want %d %t", from, count, twice, again, wantTwice, wantAgain)
			}
		}
		var missing, first uint64
		before := false
		last := uint64(0)
		for i := range uint64(80) {
			if !there[i] {
				continue
			}
			if before && i > last+1 {
				if missing == 0 {
					first = last + 1
				}
				missing += i - last - 1
			}
			before, last = true, i
		}
		if count, from := n.missing(); count != missing || from != first {
			t.Fatalf("missing %d from %d, want %d from %d (%v)", count, from, missing, first, n.ranges)
		}
	}
}
