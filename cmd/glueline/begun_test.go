package main

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/worker"
)

// An end without a beginning, and a beginning of what is begun, are refused ahead
// of the journal; somebody who has a reason may force them, and it is kept.
func TestOnlyWhatWasBegunIsEnded(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	refused := func(want string, args ...string) {
		t.Helper()
		before := b.journaled()
		out := b.command(1, nil, args...)
		wants(t, out, "refused, nothing was published", want)
		if after := b.journaled(); after != before {
			t.Errorf("%v: %d messages came all the same", args, after-before)
		}
	}
	refused(`no step "first" was begun, or it has ended; no step is begun`, "step", "end", "first")
	refused(`no step "first" was begun`, "step", "hold", "first")
	b.command(0, nil, "step", "begin", "first")
	refused(`the step "first" since 2026-`, "step", "begin", "first")
	refused(`no step "frist" was begun, or it has ended; begun are: step "first" since`, "step", "end", "frist")
	b.command(0, nil, "step", "hold", "first")
	b.command(0, nil, "step", "end", "first")
	refused(`no step "first" was begun, or it has ended`, "step", "end", "first")
	wants(t, b.command(0, nil, "step", "end", "first", "--force", "the first was too early"), "step first end")

	refused("no balance of beam was begun", "balance", "end", "girder")
	b.command(0, b.fed("balance beam before", 12), "balance", "begin", "girder")
	refused("the balance of beam since 2026-", "balance", "begin", "girder")
	refused("no rewire of beam was begun", "rewire", "end", "girder")
	b.command(0, b.fed("balance beam after", 12), "balance", "end", "girder")
	refused("no balance of beam was begun", "balance", "end", "girder")
	b.command(0, b.fed("balance beam after", 12), "balance", "end", "girder", "--force", "balanced once more")
	refused("no handling of web was begun", "handling", "end", "web")
	b.command(0, nil, "handling", "begin", "web")
	b.command(0, nil, "handling", "end", "web")

	b.steps("--now")
	var reasons []string
	for _, r := range b.records() {
		for _, e := range r.Events {
			if strings.Contains(e.Why, "forced") {
				reasons = append(reasons, e.Event+" "+e.State+": "+e.Why)
			}
		}
	}
	want := `step end: a trial; forced: the first was too early; against it: no step "first" was begun`
	if all := strings.Join(reasons, "\n"); !strings.Contains(all, want) || !strings.Contains(all, "balance end: a trial; forced: balanced once more") {
		t.Errorf("reasons kept: %s", all)
	}
}

// What was begun is known over a restart, whether its files had ended or not.
func TestWhatIsBegunOutlivesARestart(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	b.command(0, nil, "step", "begin", "cut")
	b.steps("--now")
	b.command(0, nil, "step", "begin", "uncut")
	b.restart()
	wants(t, b.command(1, nil, "step", "end", "other"), `step "cut" since`, `step "uncut" since`)
	b.command(0, nil, "step", "end", "cut")
	b.command(0, nil, "step", "end", "uncut")
	wants(t, b.command(1, nil, "step", "end", "cut"), "no step is begun")
}

// A service that has not come to the end of its journal does not guess.
func TestWhatIsBegunIsNotGuessed(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	for _, c := range []struct {
		name  string
		group *liveGroup
	}{
		{"no worker", &liveGroup{journal: b.journal, progress: new(worker.Progress)}},
		{"a worker that is behind", func() *liveGroup {
			g := &liveGroup{journal: b.journal, progress: new(worker.Progress)}
			g.live.Store(new(worker.Live))
			g.progress.Begin(2, "")
			return g
		}()},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		got := httptest.NewRecorder()
		(&service{groups: []*liveGroup{c.group}}).begun(got, httptest.NewRequestWithContext(ctx, "GET", "/begun", nil))
		cancel()
		if got.Code != http.StatusServiceUnavailable || !strings.Contains(got.Body.String(), "does not know what was begun") {
			t.Errorf("%s: %d %s", c.name, got.Code, got.Body)
		}
	}
}
