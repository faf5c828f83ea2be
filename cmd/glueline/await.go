package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"github.com/nats-io/nats.go"

	"glueline/pipeline/journal"
	"glueline/pipeline/printable"
)

// awaiting is a wait for a server that may come up later than whoever publishes
// to it: a node that boots first, or a service that is restarted.
type awaiting struct {
	say   func(text string) // a person should know; once for each reason
	limit *time.Duration    // nil: as long as it takes
}

// tryAgain is how long to wait before a server is asked again.
const tryAgain = 500 * time.Millisecond

// errNoServer occurs when the server has not come up in time.
var errNoServer = errors.New("the server did not come up in time")

// journal connects and attaches, until that succeeds, ctx ends, the limit is
// reached, or the server refuses.
func (a awaiting) journal(ctx context.Context, connect func() (*journal.Conn, error), test, group string) (*journal.Conn, *journal.Journal, error) {
	said := ""
	began := time.Now()
	for {
		conn, err := connect()
		if err == nil {
			var j *journal.Journal
			if j, err = journal.Attach(ctx, conn, test, group); err == nil {
				if said != "" {
					a.say("the server is there")
				}
				return conn, j, nil
			}
			conn.Close()
		}
		switch {
		case ctx.Err() != nil:
			return nil, nil, fmt.Errorf("%w before the server was there; nothing was read", errInterrupted)
		case !mayPass(err):
			return nil, nil, err
		case a.limit != nil && time.Since(began) >= *a.limit:
			return nil, nil, fmt.Errorf("%w (--wait %s): %w", errNoServer, *a.limit, err)
		}
		if text := err.Error(); text != said {
			said = text
			a.say("waiting for the server: " + printable.Text(text))
		}
		select {
		case <-ctx.Done():
		case <-time.After(tryAgain):
		}
	}
}

// mayPass reports whether an error may be one of a server that is not up yet. A
// server that answers and refuses is up.
func mayPass(err error) bool {
	for _, passing := range []error{journal.ErrNoJournal, nats.ErrNoServers, nats.ErrTimeout, nats.ErrNoResponders, nats.ErrJetStreamNotEnabled,
		nats.ErrConnectionClosed, context.DeadlineExceeded, io.EOF} {
		if errors.Is(err, passing) {
			return true
		}
	}
	var dialled *net.OpError
	var named *net.DNSError
	return errors.As(err, &dialled) || errors.As(err, &named)
}
