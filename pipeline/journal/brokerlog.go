package journal

import (
	"errors"
	"fmt"
	"log/slog"
	"sync"
)

// brokerLog hands the embedded server's messages on, and remembers what went
// wrong last.
type brokerLog struct {
	log *slog.Logger

	mu    sync.Mutex
	fatal error
	worst string
}

const said = "the embedded server says"

func newBrokerLog(log *slog.Logger) *brokerLog {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &brokerLog{log: log.With("part", "broker")}
}

func (l *brokerLog) Noticef(format string, v ...any) {
	l.log.Debug(said, "text", fmt.Sprintf(format, v...))
}
func (l *brokerLog) Debugf(format string, v ...any) {
	l.log.Debug(said, "text", fmt.Sprintf(format, v...))
}
func (l *brokerLog) Tracef(format string, v ...any) {
	l.log.Debug(said, "text", fmt.Sprintf(format, v...))
}
func (l *brokerLog) Warnf(format string, v ...any) {
	l.log.Warn(said, "text", fmt.Sprintf(format, v...))
}

func (l *brokerLog) Errorf(format string, v ...any) {
	text := fmt.Sprintf(format, v...)
	l.log.Error(said, "text", text)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.worst = text
}

// Fatalf does not end the process: whoever started the server decides.
func (l *brokerLog) Fatalf(format string, v ...any) {
	l.Errorf(format, v...)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.fatal = errors.New(l.worst)
}

func (l *brokerLog) failure() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.fatal
}

func (l *brokerLog) last() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.worst
}
