package main

import (
	"io"
	"net/http"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
)

// scrape returns what GET /metrics answers.
func (b *liveBench) scrape() string {
	b.Helper()
	request, err := http.NewRequestWithContext(b.Context(), http.MethodGet, "http://glueline/metrics", nil)
	if err != nil {
		b.Fatal(err)
	}
	c := newControl(b.data)
	answer, err := c.http.Do(request)
	if err != nil {
		b.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		b.Fatalf("status %d, %v\n%s", answer.StatusCode, err, text)
	}
	return string(text)
}

// until scrapes until a line is there.
func (b *liveBench) until(line string) string {
	b.Helper()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
		text := b.scrape()
		if strings.Contains(text, line+"\n") {
			return text
		}
		if time.Now().After(deadline) {
			b.Fatalf("%s never came, last\n%s", line, text)
		}
	}
}

// What a running service tells Prometheus passes the linter of the client
// library, is what happened, and follows the test file.
func TestMetricsOfARunningService(t *testing.T) {
	b := newLiveBench(t)
	b.feed(3)
	text := b.until(`glueline_source_rows_total{group="main",source="node"} 30`)
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	for _, line := range []string{
		`glueline_channel_info{bridge="quarter_3wire",channel="beam",group="main",material="carbon-steel",position="girder",quantity="strain",source="node"} 1`,
		`glueline_channel_rows_total{channel="beam",source="node"} 30`,
		`glueline_channel_left_out_rows_total{channel="beam",source="node"} 30`, // no zero yet
		`glueline_channel_left_out_rows_total{channel="web",source="node"} 30`,
		`glueline_group_health_up{group="main"} 1`,
		`glueline_group_flagged_rows_total{flag="zero-missing",group="main"} 60`,
		`glueline_group_frames_total{group="main"} 6`,
		`glueline_group_doing{doing="working",group="main"} 1`,
		`glueline_group_journal_up{group="main"} 1`,
		`glueline_group_lag_messages{group="main"} 0`,
		`glueline_group_quarantined_messages_total{group="main"} 0`,
		`glueline_temperature_celsius{source="logger",temperature="air"} 20`,
		`glueline_ready 1`,
		`glueline_last_reload_successful 1`,
	} {
		if !strings.Contains(text, line+"\n") {
			t.Errorf("no line %s", line)
		}
	}
	for _, name := range []string{"glueline_build_info{", "glueline_test_info{", `glueline_disk_free_bytes{folder="data"}`, `glueline_disk_free_bytes{folder="journal"}`, "go_goroutines ", "process_start_time_seconds "} {
		if !strings.Contains(text, "\n"+name) {
			t.Errorf("no %s", name)
		}
	}

	b.command(0, nil, "load-state", "idle")
	b.command(0, b.fed("zero test", 22), "zero", "--kind", "test", "--for", "20s")
	b.feed(1)
	for deadline := time.Now().Add(time.Minute); !strings.Contains(b.scrape(), `glueline_channel_strain_ratio{channel="beam",source="node"} `); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			b.Fatalf("a channel with a zero has no strain\n%s", b.scrape())
		}
	}

	reload := func(text, line string) string {
		t.Helper()
		if err := os.WriteFile(b.file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		return b.until(line)
	}
	reload("test: {", "glueline_last_reload_successful 0")
	text = reload(strings.Replace(liveTest, "  web: {bridge: quarter_3wire, temperature: air}\n", "", 1), "glueline_last_reload_successful 1")
	for deadline := time.Now().Add(time.Minute); strings.Contains(text, `channel="web"`) && time.Now().Before(deadline); text = b.scrape() {
		time.Sleep(10 * time.Millisecond)
	}
	if strings.Contains(text, `channel="web"`) {
		t.Error("the series of a channel that the test file has no more are there")
	}
	if !strings.Contains(text, `glueline_channel_info{bridge="quarter_3wire",channel="beam"`) {
		t.Error("the channel that stays is gone")
	}
}
