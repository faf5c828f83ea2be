// Package brokertest runs the broker's own program for tests: a process of its
// own, or three as a cluster, that can be killed and started again, and a wire
// before it that can be cut. It knows nothing of journals.
//
// A test program that uses it calls Remove at its end.
package brokertest

import (
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// within is how long a broker may take to answer; it decides nothing but when
// to give up.
const within = 90 * time.Second

var (
	folder string // of the program, once it is built
	build  = sync.OnceValues(func() (string, error) {
		var err error
		if folder, err = os.MkdirTemp("", "broker-"); err != nil {
			return "", err
		}
		path := filepath.Join(folder, "broker")
		if said, err := exec.Command("go", "build", "-o", path, "github.com/nats-io/nats-server/v2").CombinedOutput(); err != nil {
			return "", fmt.Errorf("build the broker: %w\n%s", err, said)
		}
		return path, nil
	})
)

// Remove removes the broker's program, if any test built it.
func Remove() {
	if folder != "" {
		_ = os.RemoveAll(folder)
	}
}

// FreePort finds a port of this machine that nobody uses. It is below those
// that the system gives to whoever asks for any, so that nobody gets it while a
// broker is away that is to come back there.
func FreePort(t testing.TB) int {
	t.Helper()
	const lowest, ports = 10_000, 20_000
	for range 1000 {
		port := lowest + rand.IntN(ports)
		if l, err := net.Listen("tcp", address(port)); err == nil {
			_ = l.Close()
			return port
		}
	}
	t.Fatal("no port is free")
	return 0
}

func address(port int) string { return fmt.Sprintf("127.0.0.1:%d", port) }

// Broker is a broker in a process of its own, which syncs what it stores.
type Broker struct {
	Store string // folder of its streams

	t       testing.TB
	config  string
	port    int
	more    []string // arguments
	said    *os.File
	process *exec.Cmd
}

// Start starts a broker. It ends with the test.
func Start(t testing.TB) *Broker {
	t.Helper()
	b := create(t)
	b.Start()
	return b
}

// StartCluster starts three brokers that are one cluster, and returns them and
// the URL of all.
func StartCluster(t testing.TB) (nodes []*Broker, url string) {
	t.Helper()
	var routes, urls []string
	for range 3 {
		routes = append(routes, "nats://"+address(FreePort(t)))
	}
	for i, route := range routes {
		b := create(t)
		b.more = []string{"-name", fmt.Sprint("n", i), "-cluster_name", "three", "-cluster", route, "-routes", strings.Join(routes, ",")}
		b.Start()
		nodes, urls = append(nodes, b), append(urls, b.URL())
	}
	return nodes, strings.Join(urls, ",")
}

func create(t testing.TB) *Broker {
	t.Helper()
	dir := t.TempDir()
	b := &Broker{t: t, Store: filepath.Join(dir, "store"), config: filepath.Join(dir, "broker.conf"), port: FreePort(t)}
	text := fmt.Sprintf("host: 127.0.0.1\nport: %d\njetstream: {store_dir: %q, sync_interval: always}\n", b.port, b.Store)
	if err := os.WriteFile(b.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var err error
	if b.said, err = os.Create(filepath.Join(dir, "said")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		b.Kill()
		_ = b.said.Close()
		if text, err := os.ReadFile(b.said.Name()); err == nil && t.Failed() {
			for line := range strings.Lines(string(text)) {
				if !strings.Contains(line, "[INF]") {
					t.Logf("the broker at %s said: %s", b.URL(), line)
				}
			}
		}
	})
	return b
}

// URL is where it listens, also when it does not run.
func (b *Broker) URL() string { return "nats://" + address(b.port) }

// Start starts a broker that was killed, and waits until it takes connections.
func (b *Broker) Start() {
	b.t.Helper()
	path, err := build()
	if err != nil {
		b.t.Fatal(err)
	}
	b.process = exec.Command(path, append([]string{"-c", b.config}, b.more...)...)
	b.process.Stdout, b.process.Stderr = b.said, b.said
	if err := b.process.Start(); err != nil {
		b.t.Fatal(err)
	}
	for deadline := time.Now().Add(within); ; time.Sleep(10 * time.Millisecond) {
		c, err := net.Dial("tcp", address(b.port))
		if err == nil {
			_ = c.Close()
			return
		}
		if time.Now().After(deadline) {
			b.t.Fatalf("the broker does not answer: %v", err)
		}
	}
}

// Kill ends the broker at once, as kill -9 does.
func (b *Broker) Kill() {
	if b.process != nil {
		_ = b.process.Process.Kill() // it may have ended
		_ = b.process.Wait()         // its error is that it was killed
		b.process = nil
	}
}

// Signal sends the broker's process a signal.
func (b *Broker) Signal(s os.Signal) {
	b.t.Helper()
	if err := b.process.Process.Signal(s); err != nil {
		b.t.Fatal(err)
	}
}
