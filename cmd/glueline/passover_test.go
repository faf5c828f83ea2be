package main

import (
	"strings"
	"testing"
)

// A calibration that is nowhere stops the service, which says what happened and
// how to go on; going on as it says works, over a restart without the flag too.
func TestAnUnknownCalibrationCanBePassedOver(t *testing.T) {
	const digest = "0123456789abcdef"
	b := newLiveBench(t)
	b.feed(3)
	b.ends = 1
	if _, err := b.journal.PublishEvent(t.Context(), "from outside", []byte(`{"event":"calibration","digest":"`+digest+`","time":"2026-03-01T08:00:00Z","who":"a node"}`)); err != nil {
		t.Fatal(err)
	}
	<-b.ended
	wants(t, b.errs.String(), `by "a node": the journal names a calibration that is not there: "`+digest+`"`,
		"What happened: ", "Nothing is lost", "copy its folder into "+b.data+"/test", "--pass-over", `leave "event" out`)

	b.stop()
	b.ends = 0
	b.serve("--pass-over", digest)
	b.feed(3)
	wants(t, b.command(0, nil, "note", "it goes on"), "note it goes on")
	status, out, errs := glueline(t.Context(), "quarantine", "--data", b.data)
	if status != 0 || !strings.Contains(out, `by "a node": passed`) || !strings.Contains(out, digest) {
		t.Errorf("quarantine: %d %s%s", status, out, errs)
	}
	b.steps("--now")
	b.restart()
	b.feed(1)
	b.stop()
	if status, out, errs := glueline(t.Context(), "verify", b.data, "--recompute"); status != 0 {
		t.Errorf("verify: %d %s%s", status, out, errs)
	}
}
