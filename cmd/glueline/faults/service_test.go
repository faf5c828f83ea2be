package faults

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/journal/brokertest"
	"glueline/pipeline/testfile"
	"glueline/sinks/health"
)

// within is how long a test waits for what must happen; it decides nothing but
// when to give up.
const within = 90 * time.Second

// roles are what the test program does instead of testing when an environment
// variable is set, with its value.
var roles = map[string]func(value string) int{}

// scratch is for what is built once.
var scratch string

func TestMain(m *testing.M) {
	for variable, run := range roles {
		if value := os.Getenv(variable); value != "" {
			os.Exit(run(value))
		}
	}
	flag.Parse()
	err := flag.Set("test.parallel", "100") // see parallel
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	if scratch, err = os.MkdirTemp("", "faults-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	os.RemoveAll(scratch)
	brokertest.Remove()
	os.Exit(code)
}

// busy has a place for each test that works: one a processor, and one more since
// they wait now and then.
var busy = make(chan struct{}, runtime.GOMAXPROCS(0)+1)

// parallel lets a test run beside others as t.Parallel does. Those that wait for
// a minute do without a place, so that nobody waits for them.
func parallel(t *testing.T) {
	t.Parallel()
	busy <- struct{}{}
	t.Cleanup(func() { <-busy })
}

// glueline builds the program, once.
var glueline = sync.OnceValues(func() (string, error) {
	path := filepath.Join(scratch, "glueline")
	if said, err := exec.Command("go", "build", "-o", path, "glueline/cmd/glueline").CombinedOutput(); err != nil {
		return "", fmt.Errorf("build glueline: %w\n%s", err, said)
	}
	return path, nil
})

func must[T any](v T, err error) func(t testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// article has two groups: a node whose channels take their temperature from a
// logger, and a node by itself that gives counts.
const article = `
test: {name: bench frame}
sources:
  node: {rate: 1000 Hz, unit: mV/V, range: 3 mV/V, clock-tolerance: 20 ms}
  logger: {rate: 100 Hz, unit: degC, clock-tolerance: 20 ms}
  far: {group: far, rate: 1000 Hz, unit: count, scale: 1 nV/V per count, range: 3000000 count}
lots:
  l:
    resistance: 350 ohm
    gauge-factor: 2.1
    gauge-factor-slope: 1 %/100 degC
    transverse-sensitivity: 0.4 %
    thermal-output: {in: microstrain, of: degC, coefficients: [-20, 1.1, -0.01], material-expansion: 11e-6 /K, from: 0 degC, to: 100 degC}
  bare: {resistance: 120 ohm, gauge-factor: 2.0, transverse-sensitivity: 0 %}
materials: {steel: {young: 200 GPa, poisson: 0.3, expansion: 11e-6 /K, source: invented}}
gauges: {a: {lot: l}, b: {lot: l}, c: {lot: bare}}
positions: {a: {material: steel}, b: {material: steel}, c: {material: steel}}
wiring:
  - {position: a, gauge: a, input: node/1}
  - {position: b, gauge: b, input: node/2}
  - {position: c, gauge: c, input: far/1}
temperatures:
  skin: {input: logger/T}
channels:
  a: {bridge: quarter_3wire, transverse: none, leads: {resistance: 0.4 ohm}, temperature: skin, shunt: {location: instrument, resistor: 100 kohm, settling: 10 ms}}
  b: {bridge: quarter_3wire, transverse: none, leads: {resistance: 0.4 ohm}, temperature: skin}
  c: {bridge: quarter_3wire, transverse: none, leads: {resistance: 0.4 ohm}}
`

// benchFile writes the test file and returns its path and its groups.
func benchFile(t testing.TB) (string, []*group.Plan) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "bench.yaml")
	if err := os.WriteFile(path, []byte(article), 0o600); err != nil {
		t.Fatal(err)
	}
	plans := must(plansOf(path))(t)
	if len(plans) != 2 {
		t.Fatalf("%d groups, want 2", len(plans))
	}
	return path, plans
}

func plansOf(testFile string) ([]*group.Plan, error) {
	test, err := testfile.Load(testFile)
	if err != nil {
		return nil, err
	}
	return group.Plans(test)
}

// cutBytes makes many small files.
const cutBytes = 64 << 10

func itoa(n int) string { return strconv.Itoa(n) }

// service is a running `glueline serve`.
type service struct {
	t      testing.TB
	data   string
	cmd    *exec.Cmd
	said   *output
	client *http.Client
	ended  chan struct{} // closed when the process is gone
}

// output keeps what a process says.
type output struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.String()
}

// options of a service.
type options struct {
	testFile string
	data     string
	fault    string   // for GLUELINE_TEST_FAULT
	args     []string // more of them
	cutBytes int      // cutBytes when 0
}

func start(t testing.TB, o options) *service {
	t.Helper()
	program := must(glueline())(t)
	if o.cutBytes == 0 {
		o.cutBytes = cutBytes
	}
	args := append([]string{"serve", o.testFile, "--data", o.data, "--cut-bytes", itoa(o.cutBytes), "--idle-cut", "1h"}, o.args...)
	s := &service{t: t, data: o.data, cmd: exec.Command(program, args...), said: new(output), ended: make(chan struct{})}
	s.cmd.Stdout, s.cmd.Stderr = s.said, s.said
	s.cmd.Env = append(os.Environ(), "GLUELINE_TEST_FAULT="+o.fault)
	s.client = &http.Client{Timeout: within, Transport: &http.Transport{
		DisableKeepAlives: true,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "unix", filepath.Join(o.data, "glueline.sock"))
		},
	}}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(s.ended)
		_ = s.cmd.Wait() // ProcessState says it
	}()
	t.Cleanup(s.kill)
	return s
}

// kill ends the process at once, as kill -9 does.
func (s *service) kill() {
	_ = s.cmd.Process.Kill() // it may have ended
	<-s.ended
}

// alive says whether the process runs.
func (s *service) alive() bool {
	select {
	case <-s.ended:
		return false
	default:
		return true
	}
}

// stop asks the process to end and makes sure that it ends well.
func (s *service) stop() {
	s.t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		s.t.Fatalf("stop: %v\n%s", err, s.said)
	}
	select {
	case <-s.ended:
	case <-time.After(within):
		s.t.Fatalf("it does not stop\n%s", s.said)
	}
	if code := s.cmd.ProcessState.ExitCode(); code != 0 {
		s.t.Fatalf("stopped with status %d\n%s", code, s.said)
	}
}

// exits waits until the process has ended by itself, and returns its status.
func (s *service) exits() int {
	s.t.Helper()
	select {
	case <-s.ended:
	case <-time.After(within):
		s.t.Fatalf("it does not end\n%s", s.said)
	}
	return s.cmd.ProcessState.ExitCode()
}

func (s *service) get(path string) ([]byte, error) {
	answer, err := s.client.Get("http://glueline" + path)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err == nil && answer.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", answer.Status, body)
	}
	return body, err
}

// until waits until something holds while the process runs.
func (s *service) until(what string, holds func() bool) {
	s.t.Helper()
	deadline := time.Now().Add(within)
	for !holds() {
		if !s.alive() {
			s.t.Fatalf("%s: the service ended\n%s", what, s.said)
		}
		if time.Now().After(deadline) {
			status, err := s.get("/status")
			s.t.Fatalf("not within %v: %s\n%s %v\n%s", within, what, status, err, s.said)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func (s *service) ready() {
	s.t.Helper()
	s.until("ready", func() bool { _, err := s.get("/readyz"); return err == nil })
}

// groupStatus is what a test needs of the answer to /status.
type groupStatus struct {
	Group    string
	Progress struct {
		Sequence, Pending, Frames, Refused, Repeated, Cuts, Uncut, Committed uint64
	}
	Journal struct {
		First, Last     uint64
		Bytes, MaxBytes int64
	}
	Error string
}

func (s *service) status() ([]groupStatus, error) {
	body, err := s.get("/status")
	if err != nil {
		return nil, err
	}
	var answer struct{ Groups []groupStatus }
	err = json.Unmarshal(body, &answer)
	return answer.Groups, err
}

// event publishes an event as a person's command does.
func (s *service) event(text string) {
	s.t.Helper()
	if err := s.tryEvent(text); err != nil {
		s.t.Fatalf("event %s: %v\n%s", text, err, s.said)
	}
}

func (s *service) tryEvent(text string) error {
	answer, err := s.client.Post("http://glueline/events", "application/json", strings.NewReader(text))
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		return err
	}
	if answer.StatusCode != http.StatusOK {
		return errors.New(answer.Status + " " + string(body))
	}
	return nil
}

// cut ends the files behind everything that is in the journals, and waits
// until they are on disk.
func (s *service) cut() {
	s.t.Helper()
	// A broker that has just come back may take it at the second try only.
	s.until("a cut is taken", func() bool {
		return s.tryEvent(`{"event":"cut","time":"2026-03-01T00:00:00Z","who":"test"}`) == nil
	})
	s.untilCommitted()
}

func (s *service) untilCommitted() {
	s.t.Helper()
	s.until("committed to the end of the journal", func() bool {
		groups, err := s.status()
		if err != nil || len(groups) == 0 {
			return false
		}
		for _, g := range groups {
			if g.Progress.Committed != g.Journal.Last {
				return false
			}
		}
		return true
	})
}

// sameFiles compares all files of two folders and returns how many there are.
// Temporary ones stand aside, and health files: at which cuts they are made is a
// matter of time, and what is said by them is compared by itself (see driftOf).
func sameFiles(t testing.TB, a, b string) int {
	t.Helper()
	names := func(dir string) map[string]bool {
		all := map[string]bool{}
		for _, e := range must(os.ReadDir(dir))(t) {
			if _, _, _, ofHealth := health.Of(e.Name()); !ofHealth && !strings.HasPrefix(e.Name(), ".") {
				all[e.Name()] = true
			}
		}
		return all
	}
	in, also := names(a), names(b)
	for name := range also {
		if !in[name] {
			t.Errorf("%s is in %s only", name, b)
		}
	}
	for name := range in {
		if !also[name] {
			t.Errorf("%s is in %s only", name, a)
			continue
		}
		left, right := must(os.ReadFile(filepath.Join(a, name)))(t), must(os.ReadFile(filepath.Join(b, name)))(t)
		if !bytes.Equal(left, right) {
			t.Errorf("%s: %d bytes in %s, others (%d) in %s", name, len(left), a, len(right), b)
		}
	}
	return len(in)
}

// again replays a service's journal into an empty folder: with a copy of the
// journal, a second service works from its beginning to its end.
func again(t testing.TB, o options) string {
	t.Helper()
	fresh := filepath.Join(t.TempDir(), "fresh")
	if err := os.CopyFS(filepath.Join(fresh, "journal"), os.DirFS(filepath.Join(o.data, "journal"))); err != nil {
		t.Fatal(err)
	}
	s := start(t, options{testFile: o.testFile, data: fresh, args: []string{"--keep-journal"}, cutBytes: o.cutBytes})
	s.ready()
	s.untilCommitted()
	s.stop()
	return fresh
}
