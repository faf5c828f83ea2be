package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A node that boots before the server waits for it; once it is there, so are the
// node's rows.
func TestFeedWaitsForTheServer(t *testing.T) {
	dir := t.TempDir()
	test := write(t, dir, "bench.yaml", feedTest)
	rows := write(t, dir, "node.csv", "time,A1 [mV/V]\n2026-05-04T06:00:00.00Z,0.1\n2026-05-04T06:00:00.02Z,0.2\n")
	address := freeAddress(t)
	out, ended := new(spoken), make(chan int, 1)
	go func() {
		defer out.end()
		ended <- run(t.Context(), []string{"feed", test, "node", "--from", rows, "--end", "--nats", "nats://" + address}, streams{out, out})
	}()
	out.await(t, "feed: waiting for the server: ")
	// A server without the test's journal is not what is waited for either.
	other := &liveBench{T: t, data: filepath.Join(dir, "other"), errs: new(spoken), file: write(t, dir, "other.yaml", liveTest)}
	other.serve("--listen", address)
	out.await(t, `attach to journal of test "bracket on the bench", group "main": there is no such journal`)
	other.stop()
	service := startService(t, "--listen", address)
	if status := <-ended; status != 0 {
		t.Errorf("status %d", status)
	}
	wants(t, out.String(), "feed: the server is there", "2 rows read; 1 frame in the journal; 0 lines refused")
	if n := strings.Count(out.String(), "waiting for the server"); n > 4 {
		t.Errorf("said %d times:\n%s", n, out)
	}
	service.stop()
}

// How long it waits can be bounded, and it can be stopped; what a server refuses
// is not waited for.
func TestFeedDoesNotWaitInVain(t *testing.T) {
	dir := t.TempDir()
	test := write(t, dir, "bench.yaml", feedTest)
	rows := write(t, dir, "node.csv", "time,A1 [mV/V]\n")
	args := []string{"feed", test, "node", "--from", rows, "--end", "--nats"}
	status, _, errs := glueline(t.Context(), append(args, "nats://127.0.0.1:1", "--wait", "1s")...)
	if status != 1 || !strings.Contains(errs, "the server did not come up in time (--wait 1s)") || !strings.Contains(errs, "waiting for the server") {
		t.Errorf("bounded: status %d: %s", status, errs)
	}
	if status, _, errs := glueline(t.Context(), append(args, "nats://[", "--wait", "1h")...); status != 1 || strings.Contains(errs, "waiting") {
		t.Errorf("no address: status %d: %s", status, errs)
	}
	ctx, stop := context.WithCancel(t.Context())
	out, ended := new(spoken), make(chan int, 1)
	go func() {
		defer out.end()
		ended <- run(ctx, append(args, "nats://127.0.0.1:1"), streams{out, out})
	}()
	out.await(t, "waiting for the server")
	stop()
	if status := <-ended; status != 1 || !strings.Contains(out.String(), "interrupted before the server was there; nothing was read") {
		t.Errorf("stopped: status %d: %s", status, out)
	}
}

// A feed that is told to stop while the journal takes nothing says what is missing
// there.
func TestFeedThatIsStoppedSaysWhatIsNotThere(t *testing.T) {
	s := startService(t)
	dir := t.TempDir()
	rows := write(t, dir, "node.csv", "time,A1 [mV/V]\n2026-05-04T06:00:00.00Z,0.1\n")
	ctx, stop := context.WithCancel(t.Context())
	out, ended := new(spoken), make(chan int, 1)
	go func() {
		defer out.end()
		ended <- run(ctx, []string{"feed", s.test, "node", "--from", rows, "--nats", s.url}, streams{out, out})
	}()
	s.until("the first row is there", func() bool { return strings.Contains(s.get("/status"), `"Rows":1`) })
	s.stop()
	out.await(t, "connection to the journal's server is lost")
	f, err := os.OpenFile(rows, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("2026-05-04T06:00:01.00Z,0.2\n"); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	out.await(t, "feed: the journal does not take frames")
	stop()
	if status := <-ended; status != 1 {
		t.Errorf("status %d", status)
	}
	wants(t, out.String(), "2 rows read; 1 frame in the journal", "told to stop, and the journal took no more", "what it has not got: 1 frame, whose first row is of 2026-05-04T06:00:01Z. Feed the rows from that one on again",
		"there is no connection to the journal's server")
	if strings.Contains(out.String(), "outbound") {
		t.Errorf("in the client's words:\n%s", out)
	}
	if strings.Contains(out.String(), "context") {
		t.Error(out.String())
	}
}
