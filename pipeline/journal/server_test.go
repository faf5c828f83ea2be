package journal

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"glueline/pipeline/journal/brokertest"
)

// within is how long a test waits for what must happen; it decides nothing but
// when to give up.
const within = time.Minute

func testContext(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 2*within)
	t.Cleanup(cancel)
	return ctx
}

func startServer(t testing.TB, o ServerOptions) *Server {
	t.Helper()
	if o.StoreDir == "" {
		o.StoreDir = t.TempDir()
	}
	s, err := Embedded(testContext(t), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

func connectInside(t testing.TB, s *Server) *Conn {
	t.Helper()
	c, err := s.Connect(nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

func TestListenersNeedAuthenticationBeyondThisMachine(t *testing.T) {
	users := []User{{Name: "node", Password: "secret"}}
	tests := []struct {
		name    string
		options ServerOptions
		refused bool
	}{
		{"all interfaces", ServerOptions{Listen: ":0"}, true},
		{"all interfaces, written out", ServerOptions{Listen: "0.0.0.0:0"}, true},
		{"all interfaces, version 6", ServerOptions{Listen: "[::]:0"}, true},
		{"a host name", ServerOptions{Listen: "node7:4222"}, true},
		{"an address of the network", ServerOptions{Listen: "192.0.2.1:4222"}, true},
		{"MQTT on all interfaces", ServerOptions{MQTT: "0.0.0.0:0"}, true},
		{"encrypted but open", ServerOptions{Listen: "0.0.0.0:0", TLS: &tls.Config{}}, true},
		{"loopback", ServerOptions{Listen: "127.0.0.1:0"}, false},
		{"localhost", ServerOptions{Listen: "localhost:0"}, false},
		{"version 6 loopback", ServerOptions{Listen: "[::1]:0"}, false},
		{"users", ServerOptions{Listen: "0.0.0.0:0", Users: users}, false},
		{"client certificates", ServerOptions{Listen: "0.0.0.0:0", TLS: &tls.Config{ClientAuth: tls.RequireAndVerifyClientCert}}, false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			test.options.StoreDir = t.TempDir()
			_, err := test.options.server()
			if errors.Is(err, ErrOpenListener) != test.refused || !test.refused && err != nil {
				t.Errorf("%v", err)
			}
			if test.refused {
				if _, err := Embedded(testContext(t), test.options); !errors.Is(err, ErrOpenListener) {
					t.Errorf("Embedded: %v", err)
				}
			}
		})
	}
	for _, bad := range []string{"127.0.0.1", "127.0.0.1:port", "127.0.0.1:70000"} {
		if _, err := (ServerOptions{StoreDir: "x", Listen: bad}).server(); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

func TestUsersAndEncryption(t *testing.T) {
	certificate, roots := selfSigned(t)
	s := startServer(t, ServerOptions{
		Listen: "127.0.0.1:0", TLS: &tls.Config{Certificates: []tls.Certificate{certificate}},
		Users: []User{{Name: "node", Password: "secret", Publish: []string{"glueline.>", "$JS.API.>"}}},
	})
	inside := connectInside(t, s) // without a password of its own
	j := openJournal(t, inside)
	trusted := &tls.Config{RootCAs: roots, ServerName: "127.0.0.1"}
	for name, o := range map[string]ConnectOptions{
		"no user":        {TLS: trusted},
		"wrong password": {TLS: trusted, User: "node", Password: "guess"},
		"no trust":       {User: "node", Password: "secret", TLS: &tls.Config{RootCAs: x509.NewCertPool(), ServerName: "127.0.0.1"}},
	} {
		if c, err := Connect(s.URL(), o); err == nil {
			c.Close()
			t.Errorf("%s: connected", name)
		}
	}
	outside, err := Connect(s.URL(), ConnectOptions{User: "node", Password: "secret", TLS: trusted})
	if err != nil {
		t.Fatal(err)
	}
	defer outside.Close()
	attached, err := Attach(testContext(t), outside, "Hollin Lock", "gate")
	if err != nil {
		t.Fatal(err)
	}
	if attached.Identity() != j.Identity() {
		t.Errorf("identity %q from outside, %q from inside", attached.Identity(), j.Identity())
	}
	if _, err := attached.Publish(testContext(t), header(0), []byte("x")); err != nil {
		t.Error(err)
	}
}

func selfSigned(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(parsed)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, roots
}

// The MQTT listener answers (MQTT 3.1.1, sections 3.1 and 3.2: CONNECT, CONNACK).
func TestMQTTListener(t *testing.T) {
	port := brokertest.FreePort(t)
	startServer(t, ServerOptions{MQTT: fmt.Sprintf("127.0.0.1:%d", port)})
	conn, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.SetDeadline(time.Now().Add(within)); err != nil {
		t.Fatal(err)
	}
	connect := "\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01n"
	if _, err := io.WriteString(conn, connect); err != nil {
		t.Fatal(err)
	}
	answer := make([]byte, 4)
	if _, err := io.ReadFull(conn, answer); err != nil || string(answer) != "\x20\x02\x00\x00" {
		t.Errorf("answer % x, %v", answer, err)
	}
}

func TestServerThatCannotStartSaysWhy(t *testing.T) {
	blocked := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(blocked, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Embedded(testContext(t), ServerOptions{StoreDir: blocked}); err == nil || !strings.Contains(err.Error(), "start embedded server") {
		t.Errorf("a file as folder: %v", err)
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	if _, err := Embedded(testContext(t), ServerOptions{StoreDir: t.TempDir(), Listen: taken.Addr().String()}); err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("a port in use: %v", err)
	}
	if _, err := Embedded(testContext(t), ServerOptions{}); err == nil {
		t.Error("started without a folder")
	}
}

func TestWatchNoticesAStoreThatIsOff(t *testing.T) {
	s := startServer(t, ServerOptions{})
	s.every = time.Millisecond
	j := openJournal(t, connectInside(t, s))
	ended, cancel := context.WithCancel(testContext(t))
	watched := make(chan error, 1)
	go func() { watched <- s.Watch(ended, j.Probe) }()
	cancel()
	if err := <-watched; err != nil {
		t.Errorf("a sound server: %v", err)
	}
	go func() { watched <- s.Watch(testContext(t), j.Probe) }()
	if err := s.srv.ShutdownJetStream(); err != nil { // as the server does on a full disk
		t.Fatal(err)
	}
	if err := <-watched; !errors.Is(err, ErrServerFailed) {
		t.Errorf("store off: %v", err)
	}
}

func TestWatchNoticesAServerThatHangs(t *testing.T) {
	s := startServer(t, ServerOptions{})
	s.every, s.patience = time.Millisecond, 10*time.Millisecond
	hangs := func(ctx context.Context) error {
		<-ctx.Done()
		return ctx.Err()
	}
	refuses := func(context.Context) error { return ErrFull } // an answer, if no good one
	asked := 0
	counted := func(ctx context.Context) error {
		if asked++; asked < 10 {
			return refuses(ctx)
		}
		return hangs(ctx)
	}
	if err := s.Watch(testContext(t), counted); !errors.Is(err, ErrServerFailed) || asked != 10 {
		t.Errorf("%v after %d probes", err, asked)
	}
}

// settled waits until no more goroutines are left than there were.
func settled(t *testing.T, before int) {
	t.Helper()
	deadline := time.Now().Add(within)
	for runtime.NumGoroutine() > before {
		if time.Now().After(deadline) {
			stacks := make([]byte, 1<<20)
			t.Fatalf("%d goroutines, %d before:\n%s", runtime.NumGoroutine(), before, stacks[:runtime.Stack(stacks, true)])
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func TestNothingRunsOnAfterClose(t *testing.T) {
	before := runtime.NumGoroutine()
	s, err := Embedded(testContext(t), ServerOptions{StoreDir: t.TempDir(), Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	inside, err := s.Connect(nil)
	if err != nil {
		t.Fatal(err)
	}
	outside, err := Connect(s.URL(), ConnectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	j := openJournal(t, inside)
	p, err := j.NewPublisher("node", "b", PublisherOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Send(testContext(t), rows(0)); err != nil {
		t.Fatal(err)
	}
	r, err := j.Read(testContext(t), 1)
	if err != nil {
		t.Fatal(err)
	}
	nextMessages(t, r, 1, 2)
	if err := p.Close(testContext(t)); err != nil {
		t.Error(err)
	}
	r.Close()
	inside.Close()
	outside.Close()
	s.Close()
	s.Close()
	settled(t, before)
}

func TestMain(m *testing.M) {
	for variable, run := range roles {
		if value := os.Getenv(variable); value != "" {
			os.Exit(run(value))
		}
	}
	code := m.Run()
	brokertest.Remove()
	os.Exit(code)
}

// roles are what the test program does instead of testing when an environment
// variable is set, with its value, to be killed or limited by the test proper.
var roles = map[string]func(value string) int{}

// A stream that is being made, as the quarantine is at the first refusal, is called lost
// for a moment: that is no failure. What is said again and again is.
func TestServerIsNotBelievedAtOnce(t *testing.T) {
	s := startServer(t, ServerOptions{})
	for _, c := range []struct {
		bad  int // answers, before a good one
		asks int
		want error
	}{{0, 1, nil}, {1, 2, nil}, {healthAsked - 1, healthAsked, nil}, {healthAsked, healthAsked, ErrServerFailed}} {
		asks := 0
		err := s.believed(testContext(t), func(context.Context) (*server.HealthStatus, error) {
			if asks++; asks <= c.bad {
				return &server.HealthStatus{StatusCode: http.StatusServiceUnavailable, Error: "a stream is not current"}, nil
			}
			return &server.HealthStatus{StatusCode: http.StatusOK}, nil
		})
		if asks != c.asks || !errors.Is(err, c.want) || c.want == nil && err != nil {
			t.Errorf("%d bad answers: asked %d times, %v", c.bad, asks, err)
		}
	}
}
