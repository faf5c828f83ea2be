package group

import (
	"fmt"
	"testing"

	"glueline/pipeline/flag"
)

// A jump is seen on the same rows however the readings are cut into frames, and
// whatever restarts between them.
func TestJumpIsTheSameHoweverFramesAreCut(t *testing.T) {
	level := func(i int) float64 {
		if i < 400 {
			return noisy(0.2)(i)
		}
		return noisy(0.3)(i)
	}
	run := func(rows int, restart bool) (flags string) {
		b := newBench(t)
		b.zero()
		for at := 0; at < 500; at += rows {
			_, masks := b.rows(min(rows, 500-at), func(i int) float64 { return level(at + i) })
			for _, m := range masks {
				if flag.Mask(m)&flag.Jump != 0 {
					flags += "J"
				} else {
					flags += "-"
				}
			}
			if restart {
				b.r = restarted(t, b.r)
			}
		}
		return flags
	}
	whole := run(500, false)
	if seen := fmt.Sprint(len(whole), " ", whole[400+jumpRows-2:400+jumpRows]); seen != "500 -J" {
		t.Errorf("seen %s\n%s", seen, whole)
	}
	for _, rows := range []int{1, 7, 100} {
		for _, restart := range []bool{false, true} {
			if got := run(rows, restart); got != whole {
				t.Errorf("frames of %d rows, restarts %v:\n%s\nwant\n%s", rows, restart, got, whole)
			}
		}
	}
}
