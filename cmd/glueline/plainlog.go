package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"

	"glueline/pipeline/printable"
)

// plainLog writes what a package logs as a person reads it who waits for a
// command to end: no time, no level, and what belongs to a message behind it.
type plainLog struct {
	name  string // of the command
	mutex *sync.Mutex
	out   io.Writer
	attrs []slog.Attr
}

func newPlainLog(out io.Writer, name string) *slog.Logger {
	return slog.New(&plainLog{name: name, mutex: new(sync.Mutex), out: out})
}

// Enabled leaves out what is for developers.
func (l *plainLog) Enabled(_ context.Context, level slog.Level) bool { return level >= slog.LevelInfo }

// Handle writes a line.
func (l *plainLog) Handle(_ context.Context, r slog.Record) error {
	var parts []string
	part := func(a slog.Attr) bool {
		parts = append(parts, fmt.Sprintf("%s: %v", a.Key, a.Value.Resolve()))
		return true
	}
	for _, a := range l.attrs {
		part(a)
	}
	r.Attrs(part)
	text := r.Message
	if len(parts) > 0 {
		text += " (" + strings.Join(parts, ", ") + ")"
	}
	l.mutex.Lock()
	defer l.mutex.Unlock()
	_, err := fmt.Fprintf(l.out, "%s: %s\n", l.name, printable.Text(text))
	return err
}

// WithAttrs puts more behind every message.
func (l *plainLog) WithAttrs(attrs []slog.Attr) slog.Handler {
	more := *l
	more.attrs = append(append([]slog.Attr(nil), l.attrs...), attrs...)
	return &more
}

// WithGroup leaves groups out: nobody who waits needs them.
func (l *plainLog) WithGroup(string) slog.Handler { return l }
