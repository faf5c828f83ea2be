package journal

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Conn is a connection to a server. Journals share it.
type Conn struct {
	nc       *nats.Conn
	js       jetstream.JetStream
	log      *slog.Logger
	embedded bool
	breaks   atomic.Uint64 // times that the connection was lost
	closed   chan struct{}

	mu         sync.Mutex
	waiting    map[*waiter]struct{}
	disallowed map[string]struct{} // subjects that the server refused
}

// waiter waits for an answer on the connection as it is.
type waiter struct{ giveUp func() }

// onBreak has giveUp called once the connection breaks: what was asked on it
// gets no answer any more. It must not block.
func (c *Conn) onBreak(giveUp func()) (stop func()) {
	w := &waiter{giveUp}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.waiting == nil {
		c.waiting = map[*waiter]struct{}{}
	}
	c.waiting[w] = struct{}{}
	return func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		delete(c.waiting, w)
	}
}

func (c *Conn) broke() {
	c.breaks.Add(1)
	c.mu.Lock()
	defer c.mu.Unlock()
	for w := range c.waiting {
		w.giveUp()
	}
}

// ConnectOptions says how to reach a server of others.
type ConnectOptions struct {
	Credentials string // file with a user's token and key; "" is none
	User        string
	Password    string
	TLS         *tls.Config
	Name        string // shown in the server's list of connections
	Log         *slog.Logger
}

// withoutSecrets is a URL as it may be shown.
func withoutSecrets(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return "the address given"
	}
	return u.Redacted()
}

// Connect connects to a server that is there already. The first connection
// must succeed; a later loss is logged and mended without end, while what is
// called meanwhile fails or waits as its context says. Nothing is buffered
// behind the caller's back.
func Connect(address string, o ConnectOptions) (*Conn, error) {
	if o.Name == "" {
		o.Name = "glueline"
	}
	options := []nats.Option{
		nats.Name(o.Name),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(250 * time.Millisecond),
		nats.ReconnectJitter(100*time.Millisecond, time.Second),
		nats.ReconnectBufSize(-1),
		nats.PingInterval(10 * time.Second),
	}
	if o.Credentials != "" {
		options = append(options, nats.UserCredentials(o.Credentials))
	}
	if o.User != "" {
		options = append(options, nats.UserInfo(o.User, o.Password))
	}
	if o.TLS != nil {
		options = append(options, nats.Secure(o.TLS))
	}
	return dial(address, false, o.Log, options...)
}

func dial(address string, embedded bool, log *slog.Logger, options ...nats.Option) (*Conn, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	c := &Conn{log: log, embedded: embedded, closed: make(chan struct{})}
	options = append(options,
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			c.broke()
			if err != nil {
				log.Warn("connection to the journal's server is lost", "error", err)
			}
		}),
		nats.ReconnectHandler(func(nc *nats.Conn) {
			log.Info("connected to the journal's server again", "server", nc.ConnectedServerName())
		}),
		nats.ClosedHandler(func(*nats.Conn) { close(c.closed) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			c.disallow(err)
			log.Warn("journal's server", "error", err)
		}),
	)
	var err error
	if c.nc, err = nats.Connect(address, options...); err != nil {
		return nil, fmt.Errorf("connect to the journal's server at %s: %w; is the service running there, with --listen?", withoutSecrets(address), err)
	}
	if c.js, err = jetstream.New(c.nc); err != nil {
		c.Close()
		return nil, fmt.Errorf("connect to the journal's server: %w", err)
	}
	return c, nil
}

// Connected says whether the connection stands now.
func (c *Conn) Connected() bool { return c.nc.IsConnected() }

// Close ends the connection and waits for it. It may be called twice.
func (c *Conn) Close() {
	c.nc.Close()
	<-c.closed
}

// lookUp asks for a stream. A cluster that has no leader just then does not
// answer at all, so that waiting longer for one question is of no use. Or any
// machine answers with what it has itself, which may be less than what was
// acknowledged: that is no answer either.
func (c *Conn) lookUp(ctx context.Context, name string) (jetstream.Stream, error) {
	ctx, cancel := context.WithTimeout(ctx, attempt)
	defer cancel()
	stream, err := c.js.Stream(ctx, name)
	if err != nil {
		return nil, unconnected(err)
	}
	if cluster := stream.CachedInfo().Cluster; cluster != nil && cluster.Leader == "" {
		return nil, errNoLeader
	}
	return stream, nil
}

// unconnected has an error of the client that means "not connected just now" say
// so.
func unconnected(err error) error {
	for _, is := range []error{nats.ErrReconnectBufExceeded, nats.ErrDisconnected, nats.ErrConnectionReconnecting} {
		if errors.Is(err, is) {
			return notConnected{err}
		}
	}
	return err
}

// notConnected passes when the server is back.
type notConnected struct{ error }

func (notConnected) Error() string   { return "there is no connection to the journal's server" }
func (n notConnected) Unwrap() error { return n.error }

// errNoLeader passes: ask again.
var errNoLeader = errors.New("no machine of the cluster leads the journal just now")

// over says whether an error stays for good because the connection is gone.
func (c *Conn) over(err error) bool {
	return errors.Is(err, nats.ErrConnectionClosed) || c.nc.IsClosed()
}
