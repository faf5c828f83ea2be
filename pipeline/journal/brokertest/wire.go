package brokertest

import (
	"net"
	"strings"
	"sync"
	"testing"
)

// Wire is a connection that can be cut: it carries bytes between an address of
// its own and a server's.
type Wire struct {
	listener net.Listener
	server   string
	done     sync.WaitGroup

	mu      sync.Mutex
	changed *sync.Cond
	how     condition
	open    []net.Conn
}

// condition is how a wire is.
type condition int

const (
	whole  condition = iota
	cut              // connections are broken, and none are let through
	silent           // bytes wait, and nobody is told
)

// NewWire lays a wire to a server. It is taken away with the test.
func NewWire(t testing.TB, url string) *Wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &Wire{listener: l, server: strings.TrimPrefix(url, "nats://")}
	w.changed = sync.NewCond(&w.mu)
	w.done.Add(1)
	go w.accept()
	t.Cleanup(func() {
		_ = l.Close()
		w.Cut()
		w.done.Wait()
	})
	return w
}

// URL is where the server is reached through the wire.
func (w *Wire) URL() string { return "nats://" + w.listener.Addr().String() }

// Cut breaks all connections and lets none through until Mend: both ends are
// told.
func (w *Wire) Cut() {
	w.set(cut)
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range w.open {
		_ = c.Close()
	}
	w.open = nil
}

// Silence holds back every byte until Mend, as a cable does that was pulled out
// somewhere: connections stand, and nobody is told.
func (w *Wire) Silence() { w.set(silent) }

// Mend lets bytes and connections through again, first the bytes that waited.
func (w *Wire) Mend() { w.set(whole) }

func (w *Wire) set(how condition) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.how = how
	w.changed.Broadcast()
}

func (w *Wire) accept() {
	defer w.done.Done()
	for {
		from, err := w.listener.Accept()
		if err != nil {
			return
		}
		to, err := net.Dial("tcp", w.server)
		if err != nil || !w.keep(from, to) {
			_ = from.Close()
			if err == nil {
				_ = to.Close()
			}
			continue
		}
		w.done.Add(2)
		go w.carry(from, to)
		go w.carry(to, from)
	}
}

// keep remembers a connection, unless the wire is cut.
func (w *Wire) keep(ends ...net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.how == cut {
		return false
	}
	w.open = append(w.open, ends...)
	return true
}

// carry carries bytes one way until either end is closed.
func (w *Wire) carry(from, to net.Conn) {
	defer w.done.Done()
	defer from.Close()
	defer to.Close()
	bytes := make([]byte, 32<<10)
	for {
		n, err := from.Read(bytes)
		w.mu.Lock()
		for w.how == silent {
			w.changed.Wait()
		}
		w.mu.Unlock()
		if n > 0 {
			if _, err := to.Write(bytes[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}
