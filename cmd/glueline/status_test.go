package main

import (
	"strings"
	"testing"
	"time"

	"glueline/pipeline/worker"
)

// A clock that is ahead is told of, not shown as an age below zero.
func TestStatusOfASourceWhoseClockIsAhead(t *testing.T) {
	now := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	st := status{Test: "bench", Began: now.Add(-time.Hour), Data: "data", Groups: []groupStatus{{
		Group: "main", Sources: []string{"fast", "late", "level", "silent"},
		Progress: worker.Counts{Newest: map[string]int64{
			"fast":  now.Add(72 * time.Hour).UnixNano(),
			"late":  now.Add(-48 * time.Hour).UnixNano(),
			"level": now.Add(100 * time.Millisecond).UnixNano(),
		}},
	}}}
	var b strings.Builder
	st.print(&b, now)
	wants(t, b.String(), "3 days ahead\n", "48 h\n", "0.0 s\n", "none since the start",
		"Warning: the newest row of source fast is 3 days ahead of this clock. One of the two")
	if strings.Contains(b.String(), "-3 days") || strings.Contains(b.String(), "source level is") {
		t.Error(b.String())
	}
}
