package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
)

// Frames of a replay that another publisher overtakes do not vanish without a
// word.
func TestReplayTellsThatItWasOvertaken(t *testing.T) {
	b := newLiveBench(t)
	var raw strings.Builder
	raw.WriteString("time,A1 [mV/V],A2 [mV/V],L1 [mV/V]\n")
	for i := range 50 {
		fmt.Fprintf(&raw, "%s,0,0,0\n", liveStart.Add(time.Duration(i)*100*time.Millisecond).Format("2006-01-02T15:04:05.000Z"))
	}
	out, ended := new(spoken), make(chan int, 1)
	args := []string{"replay", b.file, write(t, t.TempDir(), "node.csv", raw.String()), "--nats", b.url, "--speed", "1", "--quiet"}
	go func() {
		defer out.end()
		ended <- run(b.Context(), args, streams{out, out})
	}()
	rival := &frame.Frame{Source: "node", Boot: "rival", Time: []int64{liveStart.Add(time.Hour).UnixNano()}}
	for _, name := range []string{"A1", "A2", "L1"} {
		rival.Columns = append(rival.Columns, frame.Column{Name: name, Unit: "mV/V", Float: []float64{0}})
	}
	payload, err := new(frame.WireEncoder).Append(nil, rival)
	if err != nil {
		t.Fatal(err)
	}
	for published := false; !published; {
		_, newest, _, err := b.journal.NewestFrame(b.Context(), "node")
		if err != nil {
			t.Fatal(err)
		}
		if out.ended() {
			t.Fatalf("the replay has ended before it could be overtaken: %s", out)
		}
		if published = strings.HasPrefix(newest.Boot, "file-"); published {
			if _, err := b.journal.Publish(b.Context(), frame.HeaderOf(rival), payload); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(2 * time.Millisecond)
	}
	if status := <-ended; status != 1 {
		t.Errorf("status %d", status)
	}
	said := strings.Join(strings.Fields(out.String()), " ")
	wants(t, said, "are in the journal", `Another publisher sent frames of source node meanwhile, under the boot "rival"`, "glueline quarantine take-back node --who")
}
