package faults

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"glueline/pipeline/journal"
	"glueline/pipeline/journal/brokertest"
)

// perSecond is how many messages come in a second of the mooring's readings.
const perSecond = 10 + 10 + 1

// Five minutes of readings, with zeros and shunts in them, come in between the
// word that the service turns to a revision and the moment that it holds: the end
// is a fresh reduction of everything under the changed file. The service is halted
// meanwhile, so that they do whatever the machine is.
func TestFiveMinutesArriveDuringTheSwitch(t *testing.T) {
	parallel(t)
	program, dir := must(glueline())(t), t.TempDir()
	first, right := filepath.Join(dir, "first.yaml"), filepath.Join(dir, "right.yaml")
	for path, text := range map[string]string{first: mooring, right: strings.ReplaceAll(mooring, "gauge-factor: 2.08", "gauge-factor: 2.11")} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	files, events, cut := mooringFiles(t, dir, 600)
	broker := brokertest.Start(t)
	// Each commit dawdles, so that the turning is seen before it is over.
	o := options{testFile: first, data: filepath.Join(dir, "data"), args: []string{"--nats", broker.URL(), "--one-replica"}, fault: "slow:raw-record-write:200ms"}
	s := start(t, o)
	s.ready()
	conn := must(journal.Connect(broker.URL(), journal.ConnectOptions{}))(t)
	t.Cleanup(conn.Close)
	plan := must(plansOf(first))(t)[0]
	j := must(journal.Attach(t.Context(), conn, "mooring", plan.Name))(t)
	arrived := func() uint64 { return must(j.State(t.Context()))(t).Last }

	var said bytes.Buffer
	replay := exec.Command(program, append([]string{"replay", first, "--events", cut, "--nats", broker.URL(), "--quiet"}, files...)...)
	replay.Stdout, replay.Stderr = &said, &said
	if err := replay.Start(); err != nil {
		t.Fatal(err)
	}
	signal := func(p *os.Process, to syscall.Signal) {
		t.Helper()
		if err := p.Signal(to); err != nil {
			t.Fatalf("%v\n%s", err, &said)
		}
	}
	t.Cleanup(func() { _ = s.cmd.Process.Signal(syscall.SIGCONT); _ = replay.Process.Kill() }) // where it failed while they are halted
	s.until("a minute of it came", func() bool { return arrived() > 60*perSecond })
	signal(replay.Process, syscall.SIGSTOP)
	s.until("a cut is committed", func() bool {
		groups, err := s.status()
		return err == nil && groups[0].Progress.Committed > 0
	})

	rereduce := exec.Command(program, "rereduce", o.data, "--calibration", right, "--who", "test", "--why", "typed wrong", "--quiet")
	rereduce.Stdout, rereduce.Stderr = &said, &said
	if err := rereduce.Start(); err != nil {
		t.Fatal(err)
	}
	turning := func() bool {
		_, err := os.Stat(filepath.Join(o.data, "turning"))
		return err == nil
	}
	for deadline := time.Now().Add(within); !turning(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("it does not turn\n%s\n%s", &said, s.said)
		}
	}
	signal(s.cmd.Process, syscall.SIGSTOP)
	before := arrived()
	signal(replay.Process, syscall.SIGCONT)
	for deadline := time.Now().Add(within); arrived() < before+300*perSecond; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%d messages came\n%s", arrived()-before, &said)
		}
	}
	came := arrived() - before
	if text, err := os.ReadFile(filepath.Join(o.data, "current")); err == nil || !turning() {
		t.Fatalf("%q holds already", text)
	}
	signal(s.cmd.Process, syscall.SIGCONT)
	if err := rereduce.Wait(); err != nil {
		t.Fatalf("rereduce: %v\n%s", err, &said)
	}
	if err := replay.Wait(); err != nil {
		t.Fatalf("replay: %v\n%s", err, &said)
	}
	t.Logf("%d messages, %d s of readings, came during the switch, %d ahead of it", came, came/perSecond, before)
	s.untilCommitted()
	s.stop()
	(&script{t: t, o: o}).holds("r2")

	anew := filepath.Join(dir, "anew")
	run(t, program, append([]string{"reduce", right, "--events", events, "--out", anew, "--quiet"}, files...)...)
	want := columns(t, anew)
	// Where the service took another plan it goes on in r2: what it made of the
	// first readings in r1 was made again there.
	got := columns(t, filepath.Join(o.data, "r2"))
	for name, bits := range want {
		if len(bits) < 600 || !slices.Equal(got[name], bits) {
			t.Errorf("column %s is not that of a fresh reduction: %d values, want %d, or others", name, len(got[name]), len(bits))
		}
	}
	if len(want) < 15 || len(got) != len(want) {
		t.Errorf("%d columns, want %d", len(got), len(want))
	}
}
