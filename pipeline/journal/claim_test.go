package journal

import (
	"context"
	"errors"
	"testing"
	"time"

	"glueline/pipeline/journal/brokertest"
)

// A journal has one service: a second is refused until the first has ended, or is
// told to take it; then the first loses it. The same data folder comes back at
// once, as after kill -9.
func TestJournalHasOneService(t *testing.T) {
	ctx := testContext(t)
	c := connectExternal(t, brokertest.Start(t))
	g := gate()
	g.AllowOneReplica = true
	owner := func(folder string, pid int) Owner {
		return Owner{Folder: folder, Data: "/" + folder, Host: "shed", PID: pid, Since: time.Date(2026, 5, 4, 6, 0, pid, 0, time.UTC)}
	}
	refused := func(err error, by string) {
		t.Helper()
		var claimed *ClaimedError
		if !errors.As(err, &claimed) || claimed.Owner.Folder != by {
			t.Fatalf("refused for %s: %v", by, err)
		}
	}
	first, err := ClaimJournal(ctx, c, g, owner("a", 1), false)
	if err != nil {
		t.Fatal(err)
	}
	_, err = ClaimJournal(ctx, c, g, owner("b", 2), false)
	refused(err, "a")
	copied := owner("a", 3)
	copied.Data = "/copy"
	_, err = ClaimJournal(ctx, c, g, copied, false)
	refused(err, "a")
	again, err := ClaimJournal(ctx, c, g, owner("a", 4), false)
	if err != nil {
		t.Fatal(err)
	}
	if err := again.renew(ctx); err != nil {
		t.Error(err)
	}
	refused(first.renew(ctx), "a") // it is dead, and would be told
	other, err := ClaimJournal(ctx, c, g, owner("b", 5), true)
	if err != nil {
		t.Fatal(err)
	}
	refused(again.renew(ctx), "b")
	if err := again.End(ctx); err != nil { // which takes nothing from whoever has it
		t.Error(err)
	}
	if err := other.renew(ctx); err != nil {
		t.Error(err)
	}
	_, err = ClaimJournal(ctx, c, g, owner("a", 6), false)
	refused(err, "b")
	if err := other.End(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := ClaimJournal(ctx, c, g, owner("a", 7), false); err != nil {
		t.Errorf("after the other has ended: %v", err)
	}
}

// A claim whose answer was lost is still its owner's, and so is one that the server
// has forgotten.
func TestClaimIsKeptWhenAnswersAreLost(t *testing.T) {
	ctx := testContext(t)
	c := connectExternal(t, brokertest.Start(t))
	g := gate()
	g.AllowOneReplica = true
	claim, err := ClaimJournal(ctx, c, g, Owner{Folder: "a", Data: "/a", Host: "shed", PID: 1}, false)
	if err != nil {
		t.Fatal(err)
	}
	known := claim.seq
	if err := claim.renew(ctx); err != nil {
		t.Fatal(err)
	}
	claim.seq = known
	if err := claim.renew(ctx); err != nil || claim.seq != known+2 {
		t.Errorf("sequence %d, known %d: %v", claim.seq, known, err)
	}
	stream, err := c.js.Stream(ctx, claim.names.ownerStream())
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Purge(ctx); err != nil {
		t.Fatal(err)
	}
	if err := claim.renew(ctx); err != nil {
		t.Error(err)
	}
	if last, _, err := claim.newest(ctx, stream); err != nil || last == nil || !last.same(&claim.owner) {
		t.Errorf("%+v, %v", last, err)
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if err := claim.Keep(ended); err != nil {
		t.Error(err)
	}
}
