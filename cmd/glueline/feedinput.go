package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"time"
)

// piece is some text on its way from an input, in a buffer that done gives back.
type piece struct {
	text   []byte
	begins bool   // another file or connection, with lines of its own
	name   string // of that
	said   string // what a person should know
	done   func()
}

// input is where text comes from.
type input struct {
	run   func(ctx context.Context, out chan<- piece) error // nil at the end, or when ctx ends
	close func() error                                      // may be called twice
	ends  bool                                              // run returns when ctx ends
}

const (
	pieceBytes = 64 << 10
	lookAgain  = 100 * time.Millisecond // at a file, for more
)

// network begins an address that rows come in at.
const network = "tcp://"

// open opens what --from names.
func (c *feedCommand) open(s streams) (*input, error) {
	switch address, listens := strings.CutPrefix(c.From, network); {
	case listens:
		return c.listenTCP(address)
	case c.From == "-":
		// A read from a terminal cannot be called off; it is left to the end of
		// the process, which is due then.
		return &input{
			run:   func(ctx context.Context, out chan<- piece) error { return pump(ctx, os.Stdin, out, buffers()) },
			close: func() error { return nil },
		}, nil
	}
	f, err := os.Open(c.From)
	if err != nil {
		return nil, fmt.Errorf("feed: %w", err)
	}
	t := &tail{path: c.From, file: f, end: c.End, free: buffers()}
	return &input{run: t.run, close: t.close, ends: true}, nil
}

// buffers take turns: one is read into while another is worked on.
func buffers() chan []byte {
	free := make(chan []byte, 2)
	free <- make([]byte, pieceBytes)
	free <- make([]byte, pieceBytes)
	return free
}

// pump sends what it reads until the end of the text, or ctx ends.
func pump(ctx context.Context, r io.Reader, out chan<- piece, free chan []byte) error {
	for {
		var buffer []byte
		select {
		case buffer = <-free:
		case <-ctx.Done():
			return nil
		}
		n, err := r.Read(buffer)
		if n > 0 {
			select {
			case out <- piece{text: buffer[:n], done: func() { free <- buffer }}:
			case <-ctx.Done():
				return nil
			}
		} else {
			free <- buffer
		}
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil && ctx.Err() == nil:
			return fmt.Errorf("read: %w", err)
		case ctx.Err() != nil:
			return nil
		}
	}
}

// say sends a note, with the beginning of other lines if it has a name.
func say(ctx context.Context, out chan<- piece, name, text string) {
	select {
	case out <- piece{begins: name != "", name: name, said: text, done: func() {}}:
	case <-ctx.Done():
	}
}

// tail reads a file and follows it: what is appended, a new file of the same
// name, and the same file begun anew.
type tail struct {
	path string
	file *os.File
	end  bool
	free chan []byte
}

func (t *tail) run(ctx context.Context, out chan<- piece) error {
	for {
		if err := pump(ctx, t.file, out, t.free); err != nil || t.end || ctx.Err() != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(lookAgain):
		}
		if err := t.look(ctx, out); err != nil {
			return err
		}
	}
}

// look finds out whether the file is still the one that is read.
func (t *tail) look(ctx context.Context, out chan<- piece) error {
	have, err := t.file.Stat()
	if err != nil {
		return fmt.Errorf("follow %s: %w", t.path, err)
	}
	at, err := t.file.Seek(0, io.SeekCurrent)
	if err != nil {
		return fmt.Errorf("follow %s: %w", t.path, err)
	}
	if have.Size() < at {
		say(ctx, out, t.path, fmt.Sprintf("%s was cut off from %d to %d bytes; it is read from its beginning", t.path, at, have.Size()))
		if _, err := t.file.Seek(0, io.SeekStart); err != nil {
			return fmt.Errorf("follow %s: %w", t.path, err)
		}
		return nil
	}
	now, err := os.Stat(t.path)
	if errors.Is(err, os.ErrNotExist) {
		return nil // renamed away; a new one may come
	}
	if err != nil {
		return fmt.Errorf("follow %s: %w", t.path, err)
	}
	if os.SameFile(have, now) {
		return nil
	}
	// What was written to the old one before the new one came belongs first.
	if err := pump(ctx, t.file, out, t.free); err != nil || ctx.Err() != nil {
		return err
	}
	next, err := os.Open(t.path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("follow %s: %w", t.path, err)
	}
	old := t.file
	t.file = next
	say(ctx, out, t.path, fmt.Sprintf("%s is a new file; it is read from its beginning", t.path))
	return old.Close()
}

func (t *tail) close() error {
	if err := t.file.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return err
	}
	return nil
}

// listenTCP waits for connections, one at a time, each with lines of its own.
func (c *feedCommand) listenTCP(address string) (*input, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("feed: --from %s: %w", c.From, err)
	}
	if ip := net.ParseIP(host); !c.AllowOpen && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("feed: --from %s can be reached from the network, and nobody signs in there; listen on 127.0.0.1, or say --allow-open", c.From)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("feed: %w", err)
	}
	return &input{
		ends: true,
		close: func() error {
			if err := l.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
				return err
			}
			return nil
		},
		run: func(ctx context.Context, out chan<- piece) error {
			stop := context.AfterFunc(ctx, func() { _ = l.Close() }) // Accept tells that it is closed
			defer stop()
			free := buffers()
			say(ctx, out, "", "waiting for connections on tcp://"+l.Addr().String())
			for {
				conn, err := l.Accept()
				if ctx.Err() != nil {
					if err == nil {
						_ = conn.Close() // it came too late to have said anything
					}
					return nil
				}
				if err != nil {
					return fmt.Errorf("feed: %w", err)
				}
				from := conn.RemoteAddr().String()
				say(ctx, out, from, "connected: "+from)
				cut := context.AfterFunc(ctx, func() { _ = conn.Close() }) // reading tells that it is closed
				err = pump(ctx, conn, out, free)
				cut()
				_ = conn.Close() // all that it had to say was read
				if ctx.Err() != nil {
					return nil
				}
				said := "disconnected: " + from
				if err != nil {
					said += fmt.Sprintf(" (%v)", err)
				}
				say(ctx, out, from, said)
			}
		},
	}, nil
}
