package main

import (
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"

	"glueline/pipeline/group"
	"glueline/pipeline/worker"
)

// unit reads the service unit: the values of each setting, in order.
func unit(t *testing.T) map[string][]string {
	t.Helper()
	text, err := os.ReadFile("../../deploy/glueline.service")
	if err != nil {
		t.Fatal(err)
	}
	settings := map[string][]string{}
	for _, line := range strings.Split(string(text), "\n") {
		name, value, isSetting := strings.Cut(line, "=")
		if isSetting && !strings.HasPrefix(line, "#") {
			settings[name] = append(settings[name], value)
		}
	}
	return settings
}

// The command line of the unit is one that the program takes, and its times fit.
func TestServiceUnitStartsTheProgram(t *testing.T) {
	u := unit(t)
	if len(u["ExecStart"]) != 1 || len(u["Type"]) != 1 || u["Type"][0] != "notify" || !strings.HasSuffix(u["ExecReload"][0], "-HUP $MAINPID") {
		t.Fatalf("%v", u)
	}
	words := strings.Fields(u["ExecStart"][0])
	if filepath.Base(words[0]) != "glueline" {
		t.Errorf("it starts %s", words[0])
	}
	var c commands
	parser, err := kong.New(&c)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := parser.Parse(words[1:]); err != nil {
		t.Fatalf("%s: %v", u["ExecStart"][0], err)
	}
	if filepath.Base(c.Serve.Data) != u["StateDirectory"][0] || !strings.HasPrefix(c.Serve.Data, "/var/lib/") {
		t.Errorf("it writes to %s, and may write to /var/lib/%s only", c.Serve.Data, u["StateDirectory"][0])
	}
	seconds := func(name string) time.Duration {
		d, err := time.ParseDuration(u[name][0])
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	if stop := seconds("TimeoutStopSec"); stop < c.Serve.StopWithin+10*time.Second {
		t.Errorf("killed after %v, it may take %v", stop, c.Serve.StopWithin)
	}
	if start := seconds("TimeoutStartSec"); start < 2*progressEvery || extension < 2*progressEvery {
		t.Errorf("the first sign of life is due after %v, then every %v; it comes every %v", start, extension, progressEvery)
	}
}

func TestSupervisorIsTold(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	tellSupervisor(slog.New(slog.DiscardHandler), "READY=1\nSTATUS=working")
	if err := socket.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	text := make([]byte, 100)
	n, err := socket.Read(text)
	if err != nil || string(text[:n]) != "READY=1\nSTATUS=working" {
		t.Errorf("%q, %v", text[:n], err)
	}
	// One that is gone is logged; the service goes on.
	var said strings.Builder
	t.Setenv("NOTIFY_SOCKET", path+"-gone")
	tellSupervisor(slog.New(slog.NewTextHandler(&said, nil)), "READY=1")
	if !strings.Contains(said.String(), "supervisor was not told") {
		t.Errorf("said %q", said.String())
	}
}

// What is told while a group catches up, and when it counts as ready.
func TestReadinessOfAGroup(t *testing.T) {
	began := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	g := &liveGroup{plan: &group.Plan{Name: "hall"}, progress: new(worker.Progress)}
	status, ready := g.recovery(began)
	if ready || status.Doing != doesWait {
		t.Errorf("%+v, ready %v", status, ready)
	}
	g.recovering.repairs(3, 8)
	if status, ready = g.recovery(began); ready || status.String() != "group hall: reducing archived cuts again, 3 of 8" {
		t.Errorf("%s, ready %v", status, ready)
	}
	g.progress.Begin(101, "")
	g.recovering.catchesUp(101, 1000, began)
	if status, ready = g.recovery(began.Add(2 * time.Second)); ready || status.Sequence != 100 || status.Last != 1000 || status.PerSecond != 0 {
		t.Errorf("%+v, ready %v", status, ready)
	}
	// A fifth of the messages in 10 s.
	g.progress.Begin(281, "")
	status, ready = g.recovery(began.Add(10 * time.Second))
	if ready || status.PerSecond != 18 || status.SecondsLeft != 40 {
		t.Errorf("%+v, ready %v", status, ready)
	}
	if text := status.String(); text != "group hall: catching up, message 280 of 1000, 18 a second, 40 s left" {
		t.Error(text)
	}
	g.progress.Begin(1001, "")
	if status, ready = g.recovery(began.Add(50 * time.Second)); !ready || status.Doing != doesWork {
		t.Errorf("%+v, ready %v", status, ready)
	}
	g.recovering.does(doesPause)
	if status, ready = g.recovery(began.Add(51 * time.Second)); ready || status.Doing != doesPause {
		t.Errorf("%+v, ready %v", status, ready)
	}
}
