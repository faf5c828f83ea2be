package main

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"
)

func TestPlainLog(t *testing.T) {
	var out strings.Builder
	log := newPlainLog(&out, "replay")
	log.Debug("for developers")
	log.Info("publishing goes on")
	log.With("group", "main").WithGroup("x").Warn("waiting", "messages", 3, "because", "a\x1b[2Jb\nc")
	log.LogAttrs(t.Context(), slog.LevelError, "lost", slog.Duration("for", 2*time.Second))
	if want := "replay: publishing goes on\nreplay: waiting (group: main, messages: 3, because: a?[2Jb?c)\nreplay: lost (for: 2s)\n"; out.String() != want {
		t.Errorf("%q, want %q", out.String(), want)
	}
}

// While the server is away a replay says once that it waits, what it keeps, and
// then that it goes on; nothing is lost.
func TestReplayOverARestartOfTheServer(t *testing.T) {
	address := freeAddress(t)
	s := startService(t, "--listen", address)
	var rows strings.Builder
	rows.WriteString("# source: node\ntime,A1 [mV/V]\n")
	began := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	const n = 600 // 12 s
	for i := range n {
		fmt.Fprintf(&rows, "%s,%.4f\n", began.Add(time.Duration(i)*20*time.Millisecond).Format("2006-01-02T15:04:05.000Z"), 0.1+float64(i%7)*1e-4)
	}
	raw := write(t, t.TempDir(), "node.csv", rows.String())
	out, ended := new(spoken), make(chan int, 1)
	go func() {
		defer out.end()
		ended <- run(t.Context(), []string{"replay", s.test, raw, "--nats", s.url, "--speed", "3"}, streams{out, out})
	}()
	s.until("some has come", func() bool {
		return strings.Contains(s.get("/status"), `"Rows":`) && !strings.Contains(s.get("/status"), `"Rows":0`)
	})
	s.stop()
	out.await(t, "replay: waiting for the server; what it has not acknowledged is kept and sent again (messages: ")
	s.start("--listen", address)
	if status := <-ended; status != 0 {
		t.Errorf("status %d", status)
	}
	said := out.String()
	wants(t, said, "because: there is no connection)", "replay: publishing goes on", "frames and 1 event are in the journal.")
	for _, word := range []string{"outbound buffer", "level=", "context"} {
		if strings.Contains(said, word) {
			t.Errorf("%q in\n%s", word, said)
		}
	}
	if strings.Count(said, "there is no connection") != 1 {
		t.Errorf("said more than once:\n%s", said)
	}
	if got := len(s.committed(n)); got != n {
		t.Errorf("%d rows, want %d", got, n)
	}
}
