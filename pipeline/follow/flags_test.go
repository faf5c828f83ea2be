package follow

import (
	"testing"

	"glueline/pipeline/flag"
)

func TestMaskIsThatWhichIsDocumented(t *testing.T) {
	if got := flag.LeavesOut | uncorrected; got != flag.LeavesOutOfDrift {
		t.Errorf("drift leaves out %s, documented %s", got, flag.LeavesOutOfDrift)
	}
}
