package journal

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"glueline/pipeline/frame"
)

func TestQuarantine(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	if all, err := j.Refusals(ctx); err != nil || len(all) != 0 {
		t.Errorf("before anything: %v, %v", all, err)
	}
	if _, err := j.Show(ctx, 1); !errors.Is(err, ErrGap) {
		t.Errorf("show of nothing: %v", err)
	}
	publish(t, j, 0, 3)
	large := bytes.Repeat([]byte{7}, 1<<20-200)
	if _, err := j.Publish(ctx, header(3), large); err != nil {
		t.Fatal(err)
	}
	refuse := func(seq uint64, reason frame.Reason, detail string) Message {
		t.Helper()
		m, err := j.Get(ctx, seq)
		if err != nil {
			t.Fatal(err)
		}
		if err := j.Quarantine(ctx, m, reason, detail); err != nil {
			t.Fatal(err)
		}
		return m
	}
	refuse(3, frame.ReasonMalformed, "two\nlines")
	second := refuse(5, frame.ReasonOversized, strings.Repeat("x", 5000))
	refuse(3, frame.ReasonMalformed, "after a restart") // kept once
	all, err := j.Refusals(ctx)
	if err != nil || len(all) != 2 {
		t.Fatalf("%+v, %v", all, err)
	}
	if r := all[0]; r.Seq != 3 || r.Reason != frame.ReasonMalformed || r.Detail != "two lines" || r.Journal != j.Identity() ||
		r.Subject != FrameSubject("Hollin Lock", "gate", "node") || r.Header[frame.HeaderFrame][0] != "1" || r.Data != nil {
		t.Errorf("%+v", r)
	}
	shown, err := j.Show(ctx, all[1].Number)
	if err != nil || shown.Seq != 5 || len(shown.Detail) != headerBound {
		t.Errorf("%+v, %v", shown.Seq, err)
	}
	if kept := len(shown.Data); !bytes.Equal(shown.Data, second.Data[:kept]) || kept+shown.Cut != len(second.Data) || kept < 1<<20-1<<15 {
		t.Errorf("%d bytes kept, %d cut, of %d", kept, shown.Cut, len(second.Data))
	}
	if _, err := j.Show(ctx, 99); !errors.Is(err, ErrGap) {
		t.Errorf("show of 99: %v", err)
	}
	// The journal itself has nothing of it.
	if state, err := j.State(ctx); err != nil || state.Last != 5 {
		t.Errorf("%+v, %v", state, err)
	}
}

func TestQuarantineIsBounded(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	j.quarantineBytes = 2 << 20
	data := make([]byte, 500<<10)
	for seq := range uint64(9) {
		m := Message{Seq: seq + 2, Kind: FrameMessage, Subject: FrameSubject("Hollin Lock", "gate", "node"), Data: data}
		if err := j.Quarantine(ctx, m, frame.ReasonSchema, ""); err != nil {
			t.Fatal(err)
		}
	}
	all, err := j.Refusals(ctx)
	if err != nil || len(all) != 4 || all[3].Seq != 10 || all[0].Number != 6 {
		t.Errorf("%d kept, %v", len(all), err)
	}
}
