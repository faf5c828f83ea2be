package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
)

// A publisher that does not look at what others publish has its frames in
// quarantine once another came in between. They come back in order, each once,
// whatever was taken before, and however often that is tried.
func TestFramesComeBackFromQuarantine(t *testing.T) {
	s := startService(t)
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
	at := 0
	send := func(boot string, numbers ...uint64) {
		t.Helper()
		for _, n := range numbers {
			f := &frame.Frame{Source: "node", Boot: boot, Number: n, Time: []int64{start.Add(time.Duration(at) * 20 * time.Millisecond).UnixNano()},
				Columns: []frame.Column{{Name: "A1", Unit: "mV/V", Float: []float64{float64(at)}}}}
			at++
			payload, err := frame.EncodeWire(nil, f)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := j.Publish(t.Context(), frame.HeaderOf(f), payload); err != nil {
				t.Fatal(err)
			}
		}
	}
	counts := func(frames, refused int) {
		t.Helper()
		s.until(fmt.Sprint(frames, " frames are taken and ", refused, " refused"), func() bool {
			text := s.get("/status")
			return strings.Contains(text, fmt.Sprintf(`"Frames":%d,`, frames)) && strings.Contains(text, fmt.Sprintf(`"Refused":%d,`, refused))
		})
	}
	back := func(more ...string) (int, string) {
		t.Helper()
		status, out, errs := glueline(t.Context(), append([]string{"quarantine", "take-back", "node", "--data", s.data, "--who", "A. Fitter", "--why", "a stray message"}, more...)...)
		return status, out + errs
	}
	send("a", 0, 1, 2)
	send("stray", 0)
	send("a", 3, 4, 4, 5)
	send("a", 1) // taken before: only the archive knows
	send("b", 0)
	send("stray", 1)
	counts(5, 6)

	status, text := back()
	if status != 1 || !strings.Contains(text, `source node publishes: its newest frame came`) || !strings.Contains(text, "under the boot \"stray\"") {
		t.Errorf("while it publishes: status %d: %s", status, text)
	}
	_, out, _ := glueline(t.Context(), "status", "--data", s.data)
	if out = strings.Join(strings.Fields(out), " "); !strings.Contains(out, "6 messages of source node went to quarantine since the start: former-boot.") || !strings.Contains(out, "glueline quarantine take-back node") {
		t.Errorf("status: %s", out)
	}
	_, list, _ := glueline(t.Context(), "quarantine", "--data", s.data)
	if !strings.Contains(list, "main/1 to 5") || !strings.Contains(list, "3 to 1") || !strings.Contains(list, "take-back node") {
		t.Errorf("the list: %s", list)
	}
	time.Sleep(quiet)
	status, text = back()
	if status != 0 || !strings.Contains(text, "5 frames of source node taken back from quarantine, as boot again-1-a, again-1-stray") ||
		!strings.Contains(text, "1 frame is already in the archive") {
		t.Errorf("status %d: %s", status, text)
	}
	counts(9, 6) // one of the five was sent twice
	if status, text = back(); status != 0 || !strings.Contains(text, "Nothing of source node in quarantine") {
		t.Errorf("nothing is left: status %d: %s", status, text)
	}
	// A boot that came back is a former one by now, and another try another boot.
	send("b", 1)
	send("a", 6)
	send("again-1-a", 4) // as after a kill between the two steps of taking back
	counts(9, 9)
	time.Sleep(quiet)
	if status, text = back(); status != 0 || !strings.Contains(text, "2 frames of source node taken back from quarantine, as boot again-1-b, again-2-a") ||
		!strings.Contains(text, "1 frame is already in the archive") {
		t.Errorf("status %d: %s", status, text)
	}
	counts(11, 9)
	if status, text := glueline3(t, "quarantine", "take-back", "mast", "--data", s.data, "--who", "A. Fitter", "--why", "x"); status != 1 || !strings.Contains(text, `no source is called "mast"; the test file declares node`) {
		t.Errorf("status %d: %s", status, text)
	}
	rows := s.committed(11)
	if got := strings.Join(rows, " "); len(rows) != 11 {
		t.Errorf("%s", got)
	}
	if status, text := glueline3(t, "verify", s.data, "--recompute"); status != 0 {
		t.Errorf("verify: status %d: %s", status, text)
	}
}

func glueline3(t *testing.T, args ...string) (int, string) {
	t.Helper()
	status, out, errs := glueline(t.Context(), args...)
	return status, out + errs
}

func TestOriginalBoot(t *testing.T) {
	long := strings.Repeat("x", 240)
	for _, c := range []struct {
		boot, first string
		tried       int
	}{
		{"a", "a", 0}, {"again-1-a", "a", 1}, {"again-12-again-a", "again-a", 12}, {"again-a", "again-a", 0}, {"again-0-a", "again-0-a", 0}, {"", "", 0},
	} {
		if first, tried := original(c.boot); first != c.first || tried != c.tried {
			t.Errorf("%q: %q, %d", c.boot, first, tried)
		}
	}
	first, _ := original(long)
	if again, tried := original("again-3-" + first); again != first || tried != 3 || len(first) > 210 {
		t.Errorf("a long name: %q, then %q, %d", first, again, tried)
	}
	if other, _ := original(long + "y"); other == first {
		t.Error("two long names are one")
	}
}
