package main

import (
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
	"glueline/pipeline/worker"
)

// Frames that the test file in force has no use for are not taken back to be refused
// again: the command says which and why, and fails. Once the test file has a use for
// them they come.
func TestUnfitFramesStayInQuarantine(t *testing.T) {
	s := startService(t)
	defer s.stop()
	conn, err := journal.Connect(s.url, journal.ConnectOptions{Name: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	j, err := journal.Attach(t.Context(), conn, "bracket on the bench", "main")
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	for n := range uint64(5) {
		name, unit := "A1", "mV/V"
		if n >= 2 {
			name = "B1" // the logger's channel has another name by now
		}
		f := &frame.Frame{Source: "node", Boot: "a", Number: n, Time: []int64{start.Add(time.Duration(n) * 20 * time.Millisecond).UnixNano()},
			Columns: []frame.Column{{Name: name, Unit: unit, Float: []float64{float64(n)}}}}
		payload, err := frame.EncodeWire(nil, f)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := j.Publish(t.Context(), frame.HeaderOf(f), payload); err != nil {
			t.Fatal(err)
		}
	}
	counts := func(frames, refused, repeated string) {
		t.Helper()
		s.until(frames+" frames are taken, "+refused+" refused, "+repeated+" repeated", func() bool {
			text := s.get("/status")
			return strings.Contains(text, `"Frames":`+frames+",") && strings.Contains(text, `"Refused":`+refused+",") && strings.Contains(text, `"Repeated":`+repeated+",")
		})
	}
	counts("2", "3", "0")
	time.Sleep(quiet)
	back := []string{"quarantine", "take-back", "node", "--data", s.data, "--who", "A. Fitter", "--why", "the name is mended"}
	for range 2 {
		status, text := glueline3(t, back...)
		if status != 1 || !strings.Contains(text, `3 frames of source node would be refused again and stay in quarantine: frame does not fit the test file: source node has no input "A1"; its columns are B1`) ||
			!strings.Contains(text, "Mend the logger, or the test file") || strings.Contains(text, "taken back from quarantine,") {
			t.Errorf("status %d: %s", status, text)
		}
		counts("2", "3", "0")
	}
	if err := os.WriteFile(s.test, []byte(strings.Replace(feedTest, "input: node/A1", "input: node/B1", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := s.signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	s.until("the frames come back", func() bool {
		status, text := glueline3(t, back...)
		return status == 0 && strings.Contains(text, "3 frames of source node taken back from quarantine, as boot again-1-a")
	})
	counts("5", "3", "0")
}

// What to do about a reason is said once, however many sources it is about.
func TestAdviceStandsOnceForEachReason(t *testing.T) {
	refused := []worker.RefusedOf{{Source: "node", Reason: "too-old", Messages: 4}, {Source: "node", Reason: "unfit", Messages: 1}, {Source: "far", Reason: "too-old", Messages: 2}}
	lines := refusedWarnings(refused)
	if len(lines) != 2 || !strings.HasPrefix(lines[0], "4 messages of source node, 2 messages of source far went to quarantine since the start: too-old. ") || !strings.Contains(lines[0], "take-back SOURCE") ||
		!strings.HasPrefix(lines[1], "1 message of source node went") || !strings.Contains(lines[1], "take-back node") {
		t.Errorf("%q", lines)
	}
	var b strings.Builder
	now := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)
	(&status{Groups: []groupStatus{{Group: "main", Progress: worker.Counts{RefusedOf: refused}}, {Group: "far", Progress: worker.Counts{RefusedOf: refused[:1]}}}}).print(&b, now)
	text := strings.Join(strings.Fields(b.String()), " ")
	if strings.Count(text, "more than 1,024 frames late") != 1 {
		t.Error(b.String())
	}
	b.Reset()
	printRefused(&b, []refusedMessage{{Which: "main/1", Source: "node", Reason: "too-old"}, {Which: "main/2", Source: "far", Reason: "too-old"}}, false)
	text = strings.Join(strings.Fields(b.String()), " ")
	if strings.Count(text, "more than 1,024 frames late") != 1 || !strings.Contains(text, "node, far too-old: ") {
		t.Error(b.String())
	}
}
