package group

import (
	"testing"

	"glueline/pipeline/flag"
)

func TestMasksAreThoseThatAreDocumented(t *testing.T) {
	for _, c := range []struct {
		name      string
		got, want flag.Mask
	}{
		{"spikes", notCompared, flag.LeavesOutOfSpikes},
		{"jumps", notWatched, flag.LeavesOutOfJumps},
		{"refusing a zero", againstZero, flag.RefusesZero},
	} {
		if c.got != c.want {
			t.Errorf("%s: %s, documented %s", c.name, c.got, c.want)
		}
	}
}
