package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// What of the raw archive does not read back stays in the journal, also behind a
// restart; once it does, the journal is trimmed up to the newest cut.
func TestWhatDoesNotReadBackStaysInTheJournal(t *testing.T) {
	b := newLiveBench(t)
	first := func() uint64 {
		state, err := b.journal.State(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return state.First
	}
	cut := func() {
		b.feed(2)
		b.steps("--now")
	}
	cut()
	b.stop()
	files, err := filepath.Glob(filepath.Join(b.data, rawFolder, "*.node.arrow"))
	if err != nil || len(files) != 1 {
		t.Fatalf("%v, %v: want one raw file of the node", files, err)
	}
	sound, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	damaged := append([]byte(nil), sound...)
	damaged[len(damaged)/2] ^= 1
	if err := os.WriteFile(files[0], damaged, 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		b.errs = new(spoken)
		b.serve()
		cut()
		b.errs.await(t, "does not read back; the journal is not trimmed")
		cut()
		b.stop() // and with it all checks
		b.serve()
		if at := first(); at != 1 {
			t.Fatalf("the journal begins at %d: what does not read back is gone", at)
		}
		b.stop()
	}
	if err := os.WriteFile(files[0], sound, 0o600); err != nil {
		t.Fatal(err)
	}
	b.serve()
	cut()
	for deadline := time.Now().Add(30 * time.Second); first() == 1; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("the journal is not trimmed: %s", b.errs)
		}
	}
}
