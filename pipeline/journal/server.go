package journal

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// ServerOptions says how an embedded server is to run.
type ServerOptions struct {
	StoreDir string       // where the journal's files are; required
	Name     string       // of the server; "" is "glueline"
	Lazy     bool         // acknowledge before the disk has it; up to two minutes are lost with the power
	Listen   string       // host:port for publishers; "" is none; port 0 is any free one
	MQTT     string       // host:port for MQTT publishers; "" is none
	TLS      *tls.Config  // of the listeners; nil is none
	Users    []User       // who may connect to the listeners; none: everybody on this machine
	Log      *slog.Logger // of the server's own messages; nil drops them
}

// User is one who may connect.
type User struct {
	Name     string
	Password string
	Publish  []string // subjects; none: all
}

// Server is a broker in this process, with no more listeners than asked for,
// and no monitoring port. It does not come back by itself when it fails: see
// Watch.
type Server struct {
	srv      *server.Server
	log      *brokerLog
	user     User // of the connections from inside
	every    time.Duration
	patience time.Duration
	once     sync.Once
}

// Embedded starts a server and waits until it has read its store, which takes
// the longer the more the journals hold, or ctx ends.
func Embedded(ctx context.Context, o ServerOptions) (*Server, error) {
	options, err := o.server()
	if err != nil {
		return nil, fmt.Errorf("start embedded server: %w", err)
	}
	s := &Server{log: newBrokerLog(o.Log), every: time.Second, patience: 15 * time.Second}
	if len(o.Users) > 0 {
		s.user = User{Name: "inside-" + rand.Text(), Password: rand.Text()}
		options.Users = append(options.Users, &server.User{Username: s.user.Name, Password: s.user.Password})
	}
	if s.srv, err = server.NewServer(options); err != nil {
		return nil, fmt.Errorf("start embedded server: %w", err)
	}
	s.srv.SetLoggerV2(s.log, false, false, false)
	started := make(chan struct{})
	go func() {
		defer close(started)
		s.srv.Start()
	}()
	for !s.srv.ReadyForConnections(100 * time.Millisecond) {
		if err = s.log.failure(); err == nil {
			err = ctx.Err()
		}
		if err != nil {
			s.Close()
			<-started
			return nil, fmt.Errorf("start embedded server: %w", err)
		}
	}
	<-started
	if !s.srv.JetStreamEnabled() {
		err := errors.Join(ErrServerFailed, s.log.failure())
		s.Close()
		return nil, fmt.Errorf("start embedded server: its store is not usable: %w", err)
	}
	return s, nil
}

func (o ServerOptions) server() (*server.Options, error) {
	if o.StoreDir == "" {
		return nil, errors.New("no folder for the journal is given")
	}
	options := &server.Options{
		ServerName: o.Name,
		NoSigs:     true,
		JetStream:  true,
		StoreDir:   o.StoreDir,
		SyncAlways: !o.Lazy,
		// The journals' own limits are what holds; the server would otherwise
		// promise three quarters of the free disk and refuse a larger limit.
		JetStreamMaxStore:  1 << 60,
		JetStreamMaxMemory: 64 << 20,
		DontListen:         o.Listen == "",
		MaxPayload:         1 << 20,
	}
	if options.ServerName == "" {
		options.ServerName = "glueline"
	}
	var err error
	if o.Listen != "" {
		if options.Host, options.Port, err = o.listener(o.Listen); err != nil {
			return nil, err
		}
		if options.Port == 0 {
			options.Port = server.RANDOM_PORT
		}
	}
	if o.MQTT != "" {
		if options.MQTT.Host, options.MQTT.Port, err = o.listener(o.MQTT); err != nil {
			return nil, err
		}
		if options.MQTT.Port == 0 {
			options.MQTT.Port = server.RANDOM_PORT
		}
	}
	if o.TLS != nil {
		options.TLS, options.TLSConfig, options.TLSTimeout = true, o.TLS, 5
		options.MQTT.TLSConfig, options.MQTT.TLSTimeout = o.TLS, 5
	}
	for _, u := range o.Users {
		if u.Name == "" || u.Password == "" {
			return nil, errors.New("a user without name or password")
		}
		user := &server.User{Username: u.Name, Password: u.Password}
		if len(u.Publish) > 0 {
			user.Permissions = &server.Permissions{Publish: &server.SubjectPermission{Allow: u.Publish}}
		}
		options.Users = append(options.Users, user)
	}
	return options, nil
}

// listener takes an address apart and refuses one that the network can reach
// when nothing asks who connects.
func (o ServerOptions) listener(address string) (host string, port int, err error) {
	host, text, err := net.SplitHostPort(address)
	if err != nil {
		return "", 0, fmt.Errorf("listen address: %w", err)
	}
	if port, err = strconv.Atoi(text); err != nil || port < 0 || port > 65535 {
		return "", 0, fmt.Errorf("listen address %q: the port is a number up to 65535", address)
	}
	asked := len(o.Users) > 0 || o.TLS != nil && o.TLS.ClientAuth == tls.RequireAndVerifyClientCert
	if !asked && !loopback(host) {
		return "", 0, fmt.Errorf("%w: %q; listen on 127.0.0.1; other machines publish through a server with users and TLS, given by --nats", ErrOpenListener, address)
	}
	return host, port, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// URL is where the server listens; "" when it does not.
func (s *Server) URL() string {
	if s.srv.Addr() == nil {
		return ""
	}
	return s.srv.ClientURL()
}

// Connect connects from inside the process.
func (s *Server) Connect(log *slog.Logger) (*Conn, error) {
	// A connection that broke while the server lives comes back; when the
	// server has ended, trying ends soon, and with it all that waits.
	options := []nats.Option{
		nats.InProcessServer(s.srv), nats.Name("glueline inside"),
		nats.MaxReconnects(4), nats.ReconnectWait(250 * time.Millisecond), nats.ReconnectBufSize(-1),
	}
	if s.user.Name != "" {
		options = append(options, nats.UserInfo(s.user.Name, s.user.Password))
	}
	return dial("", true, log, options...)
}

// Watch blocks until the server has failed, and returns ErrServerFailed, or
// until ctx ends, and returns nil. It asks once a second: is the server
// running, did every stream take what it was to write, does each probe (such as
// Journal.Probe) answer. A server that met a full disk acknowledges nothing
// any more, also when there is room again, until it is started anew.
func (s *Server) Watch(ctx context.Context, probes ...func(context.Context) error) error {
	probes = append([]func(context.Context) error{s.health}, probes...)
	tick := time.NewTicker(s.every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		for _, probe := range probes {
			asking, cancel := context.WithTimeout(ctx, s.patience)
			err := probe(asking)
			hung := asking.Err() != nil
			cancel()
			switch {
			case err == nil || ctx.Err() != nil:
			case errors.Is(err, ErrServerFailed):
				return err
			case hung:
				return fmt.Errorf("%w: no answer in %v: %w", ErrServerFailed, s.patience, err)
			}
		}
	}
}

// A stream that is being made is called lost for some milliseconds: what the
// server says against itself counts when it says it so often, so far apart.
const (
	healthAsked = 4
	healthPause = 250 * time.Millisecond
)

// health asks the server itself.
func (s *Server) health(ctx context.Context) error { return s.believed(ctx, s.healthz) }

// believed asks until the answer is a good one, or was bad often enough.
func (s *Server) believed(ctx context.Context, ask func(context.Context) (*server.HealthStatus, error)) error {
	var status *server.HealthStatus
	for asked := range healthAsked {
		if asked > 0 {
			select {
			case <-time.After(healthPause):
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		var err error
		if status, err = ask(ctx); err != nil {
			return err
		}
		running := s.srv.Running() && s.srv.JetStreamEnabled()
		if running && status.StatusCode == http.StatusOK {
			return nil
		}
		if !running {
			break
		}
	}
	return fmt.Errorf("%w: %s (last said: %s)", ErrServerFailed, status.Error, s.log.last())
}

// healthz may hang where the server does: then its goroutine is left to the end
// of the process, which is due.
func (s *Server) healthz(ctx context.Context) (*server.HealthStatus, error) {
	answer := make(chan *server.HealthStatus, 1)
	go func() { answer <- s.srv.Healthz(nil) }()
	select {
	case status := <-answer:
		return status, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Close ends the server and waits for it. It may be called twice.
func (s *Server) Close() {
	s.once.Do(func() {
		s.srv.Shutdown()
		s.srv.WaitForShutdown()
	})
}
