package faults

import (
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/simulate"
)

// external is a broker in a process of its own.
type external struct {
	t      testing.TB
	config string
	store  string
	port   int
	cmd    *exec.Cmd
}

func startBroker(t testing.TB) *external {
	t.Helper()
	e := &external{t: t, port: freePort(t)}
	dir := t.TempDir()
	e.config, e.store = filepath.Join(dir, "broker.conf"), filepath.Join(dir, "store")
	text := fmt.Sprintf("host: 127.0.0.1\nport: %d\njetstream: {store_dir: %q, sync_interval: always}\n", e.port, e.store)
	if err := os.WriteFile(e.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	e.start()
	t.Cleanup(e.kill)
	return e
}

func (e *external) url() string { return fmt.Sprintf("nats://127.0.0.1:%d", e.port) }

func (e *external) start() {
	e.t.Helper()
	e.cmd = exec.Command(must(broker())(e.t), "-c", e.config)
	if err := e.cmd.Start(); err != nil {
		e.t.Fatal(err)
	}
	deadline := time.Now().Add(within)
	for {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", e.port))
		if err == nil {
			c.Close()
			return
		}
		if time.Now().After(deadline) {
			e.t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// kill ends the broker at once, as kill -9 does.
func (e *external) kill() {
	if e.cmd != nil {
		_ = e.cmd.Process.Kill()
		_ = e.cmd.Wait() // its error is that it was killed
		e.cmd = nil
	}
}

// frames is how many frames the service has taken in all.
func (s *service) frames() (n uint64) {
	groups, err := s.status()
	if err != nil {
		return 0
	}
	for _, g := range groups {
		n += g.Progress.Frames
	}
	return n
}

// moves waits until the service takes frames from here on.
func (s *service) moves() {
	s.t.Helper()
	from := uint64(0)
	s.until("frames are taken", func() bool {
		now := s.frames()
		if from == 0 {
			from = now
		}
		return from > 0 && now > from+20
	})
}

// endAndCheck ends the load and the service, and checks that what was
// acknowledged is archived, that the whole journal gives the same files in an
// empty folder, and so does the archive.
func endAndCheck(t testing.TB, s *service, load *generator, o options, plans []*group.Plan) {
	t.Helper()
	load.stop()
	s.cut()
	s.stop()
	checkAcknowledged(t, o.data, plans, load.acknowledged())
	fresh := options{testFile: o.testFile, data: filepath.Join(t.TempDir(), "fresh"), args: o.args}
	second := start(t, fresh)
	second.ready()
	second.untilCommitted()
	second.stop()
	for _, folder := range []string{"raw", "r1"} {
		sameFiles(t, filepath.Join(o.data, folder), filepath.Join(fresh.data, folder))
	}
	checkRecomputed(t, o.data, plans)
}

// The broker is killed and started again under load: service and publishers
// wait and go on by themselves.
func TestBrokerIsKilled(t *testing.T) {
	t.Parallel()
	e := startBroker(t)
	testFile, plans := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--nats", e.url(), "--one-replica", "--keep-journal"}}
	s := start(t, o)
	s.ready()
	load := loadOf(t, testFile)(e.url())
	for range 3 {
		s.moves()
		e.kill()
		time.Sleep(300 * time.Millisecond)
		e.start()
	}
	s.moves()
	endAndCheck(t, s, load, o, plans)
}

// The broker comes back under a running service with less than it had
// acknowledged, or with nothing: the service ends and says so.
func TestBrokerComesBackWithLess(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		says string
		keep bool
	}{
		"older":   {"lost its end", true},
		"nothing": {"there is no such journal", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e := startBroker(t)
			s := beginAt(t, options{args: []string{"--nats", e.url(), "--one-replica"}}, e.url())
			play := func(from, to uint64) {
				t.Helper()
				s.frames("node", from, to)
				s.frames("far", from, to)
				s.service.cut()
			}
			play(0, 5)
			e.kill()
			older := keep(t, e.store)
			e.start()
			play(5, 10)
			e.kill()
			if c.keep {
				replace(t, e.store, older)
			} else if err := os.RemoveAll(e.store); err != nil {
				t.Fatal(err)
			}
			e.start()
			if code := s.service.exits(); code != 1 || !strings.Contains(s.service.said.String(), c.says) {
				t.Errorf("status %d, it should say %q:\n%s", code, c.says, s.service.said)
			}
		})
	}
}

// wire is a connection that can be cut: it carries bytes between its own port
// and another, unless it is down.
type wire struct {
	listener net.Listener
	to       string
	done     sync.WaitGroup

	mu   sync.Mutex
	down bool
	open []net.Conn
}

func newWire(t testing.TB, to string) *wire {
	t.Helper()
	w := &wire{listener: must(net.Listen("tcp", "127.0.0.1:0"))(t), to: to}
	w.done.Add(1)
	go w.accept()
	t.Cleanup(func() {
		w.listener.Close()
		w.cut()
		w.done.Wait()
	})
	return w
}

func (w *wire) accept() {
	defer w.done.Done()
	for {
		in, err := w.listener.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", w.to)
		w.mu.Lock()
		if err != nil || w.down {
			in.Close()
			if err == nil {
				out.Close()
			}
			w.mu.Unlock()
			continue
		}
		w.open = append(w.open, in, out)
		w.mu.Unlock()
		w.done.Add(2)
		for _, ends := range [][2]net.Conn{{in, out}, {out, in}} {
			go func() {
				defer w.done.Done()
				_, _ = io.Copy(ends[0], ends[1]) // it ends when the wire is cut
				ends[0].Close()
				ends[1].Close()
			}()
		}
	}
}

func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.down = true
	for _, c := range w.open {
		c.Close()
	}
	w.open = nil
}

func (w *wire) mend() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.down = false
}

// The connection of service and publishers to the broker is cut for seconds.
func TestConnectionIsCut(t *testing.T) {
	t.Parallel()
	e := startBroker(t)
	w := newWire(t, fmt.Sprintf("127.0.0.1:%d", e.port))
	url := "nats://" + w.listener.Addr().String()
	testFile, plans := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--nats", url, "--one-replica", "--keep-journal"}}
	s := start(t, o)
	s.ready()
	load := loadOf(t, testFile)(url)
	for _, away := range []time.Duration{50 * time.Millisecond, 3 * time.Second} {
		s.moves()
		w.cut()
		time.Sleep(away)
		w.mend()
	}
	s.moves()
	endAndCheck(t, s, load, o, plans)
}

// Serve and replay give the segments of reduce, by the embedded broker and by
// one of others.
func TestServeAndReplayGiveTheSegmentsOfReduce(t *testing.T) {
	t.Parallel()
	truth, err := simulate.Write(t.TempDir(), simulate.Options{Seed: 3, Duration: time.Hour}, nil)
	if err != nil {
		t.Fatal(err)
	}
	program := must(glueline())(t)
	run := func(args ...string) {
		t.Helper()
		if said, err := exec.Command(program, args...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, said)
		}
	}
	reduced := filepath.Join(t.TempDir(), "reduced")
	run(append([]string{"reduce", truth.TestFile, "--events", truth.Events, "--out", reduced, "--quiet"}, truth.Files...)...)
	for _, name := range []string{"embedded", "external"} {
		t.Run(name, func(t *testing.T) {
			o := options{testFile: truth.TestFile, data: filepath.Join(t.TempDir(), "data")}
			var url string
			if name == "external" {
				url = startBroker(t).url()
				o.args = []string{"--nats", url, "--one-replica"}
			} else {
				port := freePort(t)
				url = fmt.Sprintf("nats://127.0.0.1:%d", port)
				o.args = []string{"--listen", fmt.Sprintf("127.0.0.1:%d", port)}
			}
			o.args = append(o.args, "--cut-bytes", "0") // as reduce cuts
			s := start(t, o)
			s.ready()
			run(append([]string{"replay", truth.TestFile, "--events", truth.Events, "--nats", url, "--quiet"}, truth.Files...)...)
			s.untilCommitted()
			s.stop()
			if files := sameFiles(t, reduced, filepath.Join(o.data, "r1")); files < 4 {
				t.Errorf("only %d files were compared", files)
			}
		})
	}
}
