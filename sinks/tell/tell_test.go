package tell

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

var quiet = slog.New(slog.DiscardHandler)

func message(id, who string) Message {
	return Message{ID: id, Who: who, Subject: "DANGER: über 80 kN", Text: "first line\nSecond: äöü\n.\n", Body: []byte(`{"id":"` + id + `"}`)}
}

func writeFile(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// running opens an outbox by a file of ways and runs it until stop, or the test, ends.
func running(t *testing.T, dir, ways string) (o *Outbox, stop func()) {
	t.Helper()
	w, err := LoadWays(writeFile(t, dir, "ways.yaml", ways))
	if err != nil {
		t.Fatal(err)
	}
	if o, err = Open(filepath.Join(dir, "ledger.jsonl"), w, quiet); err != nil {
		t.Fatal(err)
	}
	o.first = time.Millisecond
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { defer close(ended); o.Run(ctx) }()
	stopped := false
	stop = func() {
		if !stopped {
			stopped = true
			cancel()
			<-ended // no goroutine outlives Run
			if err := o.Close(); err != nil {
				t.Error(err)
			}
		}
	}
	t.Cleanup(stop)
	return o, stop
}

func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !holds(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("it never came that %s", what)
		}
	}
}

func sent(o *Outbox, id string) func() bool {
	return func() bool {
		all := o.Of(id)
		for _, d := range all {
			if d.Sent.IsZero() {
				return false
			}
		}
		return len(all) > 0
	}
}

// A command has the JSON on its standard input and the rest in its environment, and
// nothing of the service's own.
func TestCommand(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("GLUELINE_SECRET_OF_ANOTHER_WAY", "hush")
	script := writeFile(t, dir, "tell.sh", `cat > "$1/body"; env > "$1/env"`)
	o, _ := running(t, dir, fmt.Sprintf("people: {desk: {command: [sh, %q, %q]}}", script, dir))
	o.Decide(message("m1", "desk"))
	until(t, "it is sent", sent(o, "m1"))
	body, err := os.ReadFile(filepath.Join(dir, "body"))
	if err != nil || string(body) != "{\"id\":\"m1\"}\n" {
		t.Errorf("%q, %v", body, err)
	}
	env, err := os.ReadFile(filepath.Join(dir, "env"))
	if err != nil || !strings.Contains(string(env), "GLUELINE_ID=m1\n") || !strings.Contains(string(env), "GLUELINE_WHO=desk\n") || strings.Contains(string(env), "hush") {
		t.Errorf("%s, %v", env, err)
	}
}

// What fails is tried again and said, and goes behind what can be sent.
func TestFailingCommandIsTriedAgain(t *testing.T) {
	dir := t.TempDir()
	script := writeFile(t, dir, "tell.sh", `[ "$GLUELINE_ID" != bad ] || [ -e "$1/mended" ] || { echo no carrier; exit 3; }`)
	o, _ := running(t, dir, fmt.Sprintf("people: {desk: {command: [sh, %q, %q]}}", script, dir))
	o.Decide(message("bad", "desk"))
	o.Decide(message("good", "desk"))
	until(t, "the other is sent", sent(o, "good"))
	until(t, "it has failed twice", func() bool { return o.Of("bad")[0].Tries >= 2 })
	if d := o.Of("bad")[0]; !d.Sent.IsZero() || !strings.Contains(d.Error, "no carrier") || !strings.Contains(d.Error, "exit status 3") {
		t.Errorf("%+v", d)
	}
	if s := o.Look(); s.Decided != 2 || s.Sent != 1 || len(s.Waiting) != 1 || s.Waiting[0].ID != "bad" {
		t.Errorf("%+v", s)
	}
	writeFile(t, dir, "mended", "")
	until(t, "it is sent", sent(o, "bad"))
}

// A webhook gets the JSON with a key to know repeats by; its secrets stay out of what
// is said when it fails.
func TestWebhook(t *testing.T) {
	dir := t.TempDir()
	var asked atomic.Int32
	var last atomic.Pointer[http.Request]
	var redirected atomic.Bool
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		switch {
		case r.URL.Path == "/elsewhere":
			redirected.Store(true)
		case asked.Add(1) == 1:
			http.Error(w, "busy", http.StatusServiceUnavailable)
		case asked.Load() == 2:
			http.Redirect(w, r, "/elsewhere", http.StatusTemporaryRedirect)
		case string(body) == `{"id":"m1"}`:
			last.Store(r)
		}
	}))
	defer server.Close()
	writeFile(t, dir, "url", server.URL+"/hook/hush-hush\n")
	writeFile(t, dir, "token", "hush-token\n")
	o, stop := running(t, dir, "people: {desk: {webhook: {url: {file: url}, token: {file: token}}}}")
	o.Decide(message("m1", "desk"))
	until(t, "it is sent", sent(o, "m1"))
	r := last.Load()
	if r == nil || r.Header.Get("Idempotency-Key") != "m1" || r.Header.Get("Authorization") != "Bearer hush-token" || r.Header.Get("Content-Type") != "application/json" {
		t.Errorf("%+v", r)
	}
	if redirected.Load() {
		t.Error("a redirection was followed")
	}
	stop()
	ledger, err := os.ReadFile(filepath.Join(dir, "ledger.jsonl"))
	if err != nil || !strings.Contains(string(ledger), "503 Service Unavailable") || strings.Contains(string(ledger), "hush") {
		t.Errorf("%s, %v", ledger, err)
	}
	// Nor does a server that is not there make it say its address.
	server.Close()
	w, err := LoadWays(filepath.Join(dir, "ways.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Of("desk")[0].Send(t.Context(), message("m2", "desk")); err == nil || strings.Contains(err.Error(), "hush") {
		t.Errorf("without a server: %v", err)
	}
}

// certificate makes one for 127.0.0.1, and its PEM.
func certificate(t *testing.T) (tls.Certificate, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "mail"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

// mailServer speaks as much of SMTP (RFC 5321) as a client needs; what it was given
// comes out as one text, its session and the message.
func mailServer(t *testing.T, cert tls.Certificate, implicit bool) (address string, mails <-chan string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	config := &tls.Config{Certificates: []tls.Certificate{cert}}
	out := make(chan string, 10)
	serve := func(conn net.Conn) {
		defer conn.Close()
		secure := implicit
		if implicit {
			conn = tls.Server(conn, config)
		}
		r := bufio.NewReader(conn)
		say := func(text string) { fmt.Fprintf(conn, "%s\r\n", text) }
		say("220 mail ready")
		var all strings.Builder
		for {
			line, err := r.ReadString('\n')
			if err != nil {
				return
			}
			word := strings.ToUpper(strings.Fields(line + " x")[0])
			if word != "EHLO" {
				fmt.Fprintf(&all, "%t %s", secure, line)
			}
			switch word {
			case "EHLO":
				if secure {
					say("250-mail\r\n250 AUTH PLAIN")
				} else {
					say("250-mail\r\n250 STARTTLS")
				}
			case "STARTTLS":
				say("220 go on")
				conn, secure = tls.Server(conn, config), true
				r = bufio.NewReader(conn)
			case "AUTH":
				say("235 welcome")
			case "DATA":
				say("354 go on")
				for line != ".\r\n" {
					if line, err = r.ReadString('\n'); err != nil {
						return
					}
					all.WriteString(line)
				}
				out <- all.String()
				say("250 taken over")
			case "QUIT":
				say("221 bye")
				return
			default:
				say("250 ok")
			}
		}
	}
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go serve(conn)
		}
	}()
	return l.Addr().String(), out
}

// An e-mail goes out under TLS only, signed in, whole, with the id that shows a
// repeat as one.
func TestEMail(t *testing.T) {
	cert, authority := certificate(t)
	for _, way := range []string{"starttls", "implicit"} {
		dir := t.TempDir()
		writeFile(t, dir, "ca.pem", authority)
		t.Setenv("MAIL_PASSWORD_OF_A_TEST", "hush")
		address, mails := mailServer(t, cert, way == "implicit")
		o, _ := running(t, dir, fmt.Sprintf("people: {desk: {e-mail: {to: desk@example.org, from: Glueline <rig@example.org>, server: %q, tls: %s, user: rig, password: {env: MAIL_PASSWORD_OF_A_TEST}, ca: ca.pem}}}", address, way))
		o.Decide(message("m1", "desk"))
		until(t, "it is sent", sent(o, "m1"))
		mail := <-mails
		for _, want := range []string{
			"true AUTH PLAIN " + base64.StdEncoding.EncodeToString([]byte("\x00rig\x00hush")),
			"true MAIL FROM:<rig@example.org>", "true RCPT TO:<desk@example.org>", "Message-ID: <m1@example.org>\r\n",
			"Subject: =?utf-8?q?DANGER:_=C3=BCber_80_kN?=\r\n", "Auto-Submitted: auto-generated\r\n", "first line\r\nSecond: =C3=A4=C3=B6=C3=BC\r\n",
		} {
			if !strings.Contains(mail, want) {
				t.Errorf("%s: no %q in\n%s", way, want, mail)
			}
		}
	}
	// A server that nobody vouches for gets neither the password nor the message.
	dir := t.TempDir()
	address, mails := mailServer(t, cert, false)
	w, err := LoadWays(writeFile(t, dir, "ways.yaml", fmt.Sprintf("people: {desk: {e-mail: {to: desk@example.org, from: rig@example.org, server: %q}}}", address)))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Of("desk")[0].Send(t.Context(), message("m1", "desk")); err == nil || !strings.Contains(err.Error(), "certificate") || len(mails) != 0 {
		t.Errorf("unknown authority: %v, %d mails", err, len(mails))
	}
}

// What was decided and not sent is sent at the next start, what was sent is not;
// also when the last line was cut off by the end of the process.
func TestLedgerIsTakenUp(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "ledger.jsonl")
	o, err := Open(path, &Ways{of: map[string][]Way{"desk": {deaf{}}}}, quiet)
	if err != nil {
		t.Fatal(err)
	}
	o.Decide(message("m1", "desk")) // nobody runs: the process dies here
	o.Decide(message("m1", "desk"))
	o.Decide(message("held", ""))
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString(`{"at":"2026-05-04T06:00:00Z","sent":"m`); err != nil {
		t.Fatal(err)
	}
	f.Close()
	lines, damaged, err := ReadLedger(path)
	if of := Deliveries(lines); err != nil || damaged != 1 || len(of["m1"]) != 1 || !of["m1"][0].Sent.IsZero() || of["held"] == nil || len(of["held"]) != 0 {
		t.Errorf("%+v, %d damaged, %v", of, damaged, err)
	}
	ways := fmt.Sprintf("people: {desk: {command: [sh, -c, \"cat >> '%s/told'\"]}}", dir)
	told := func() string {
		text, err := os.ReadFile(filepath.Join(dir, "told"))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
		return string(text)
	}
	for range 2 { // the second time there is nothing to do
		o, stop := running(t, dir, ways)
		if !o.Knows("m1") || !o.Knows("held") || o.Knows("m2") {
			t.Error("it does not know what it decided")
		}
		o.Decide(message("m1", "desk"))
		until(t, "it is sent", sent(o, "m1"))
		stop()
		if got := told(); got != "{\"id\":\"m1\"}\n" {
			t.Errorf("told %q", got)
		}
	}
	lines, damaged, err = ReadLedger(path)
	if of := Deliveries(lines)["m1"]; err != nil || damaged != 0 || len(of) != 1 || of[0].Sent.IsZero() || of[0].Way != "command" {
		t.Errorf("%+v, %d damaged, %v", of, damaged, err)
	}
}

// deaf never takes a message over, nor says no.
type deaf struct{}

func (deaf) Name() string { return "deaf" }
func (deaf) Send(ctx context.Context, _ Message) error {
	<-ctx.Done()
	return ctx.Err()
}

// A way that hangs holds up neither who decides nor other people, and Run ends.
func TestHangingWayHoldsNothingUp(t *testing.T) {
	heard := make(chan string, 10)
	o, err := Open(filepath.Join(t.TempDir(), "ledger.jsonl"), &Ways{of: map[string][]Way{"desk": {deaf{}}, "shift": {tells(heard)}}}, quiet)
	if err != nil {
		t.Fatal(err)
	}
	o.most = 2
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { defer close(ended); o.Run(ctx) }()
	for i := range 4 {
		o.Decide(message(fmt.Sprint("m", i), "desk"))
	}
	o.Decide(message("other", "shift"))
	if id := <-heard; id != "other" {
		t.Error(id)
	}
	o.Decide(message("none", "nobody"))
	s := o.Look()
	if s.GivenUp != 2 || len(s.Waiting) != 3 || s.Waiting[2].Error != noWay {
		t.Errorf("%+v", s)
	}
	cancel()
	<-ended
	if err := o.Close(); err != nil {
		t.Error(err)
	}
}

type tells chan string

func (tells) Name() string { return "tells" }
func (c tells) Send(_ context.Context, m Message) error {
	c <- m.ID
	return nil
}

// Each mistake in a file of ways is told, and no secret with it.
func TestWaysThatAreWrong(t *testing.T) {
	t.Setenv("EMPTY_OF_A_TEST", "")
	for _, c := range []struct{ text, want string }{
		{"", "names nobody"},
		{"people: {a: {}}", "people.a: no way"},
		{"people: {a: {pigeon: 1}}", "pigeon"},
		{"people: {a: {command: []}}", "no program"},
		{"people: {a: {command: [there-is-no-such-program]}}", "there-is-no-such-program"},
		{"people: {a: {webhook: {url: ftp://x.example/hush}}}", "no https URL"},
		{"people: {a: {webhook: {url: 'https://x.example', token: {}}}}", "one of them"},
		{"people: {a: {webhook: {url: 'http://x.example', token: {file: secret}}}}", "in the clear"},
		{"people: {a: {webhook: {url: {file: missing}}}}", "missing"},
		{"people: {a: {webhook: {url: {env: EMPTY_OF_A_TEST}}}}", "is empty"},
		{"people: {a: {webhook: {url: {file: lines}}}}", "more than one line"},
		{"people: {a: {webhook: {url: 'https://x.example', ca: secret}}}", "holds no certificate"},
		{"people: {a: {e-mail: {to: a@example.org, from: b@example.org, server: mail}}}", "host:port"},
		{"people: {a: {e-mail: {to: nobody, from: b@example.org, server: 'm.example:25'}}}", "e-mail.to"},
		{"people: {a: {e-mail: {to: a@example.org, from: x, server: 'm.example:25'}}}", "e-mail.from"},
		{"people: {a: {e-mail: {to: a@example.org, from: b@example.org, server: 'm.example:25', tls: none}}}", "this machine only"},
		{"people: {a: {e-mail: {to: a@example.org, from: b@example.org, server: 'm.example:25', tls: maybe}}}", "starttls, implicit or none"},
		{"people: {a: {e-mail: {to: a@example.org, from: b@example.org, server: 'm.example:25', user: x}}}", "go together"},
		{"people: {a: {}, b: {command: []}}", "people.b"},
	} {
		dir := t.TempDir()
		writeFile(t, dir, "secret", "hush\n")
		writeFile(t, dir, "lines", "hush\nhush\n")
		_, err := LoadWays(writeFile(t, dir, "ways.yaml", c.text))
		if !errors.Is(err, ErrWays) || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "hush") {
			t.Errorf("%s: %v", c.text, err)
		}
	}
}

// Whatever a ledger holds, it is read, and an outbox goes on from it.
func FuzzLedger(f *testing.F) {
	f.Add([]byte(`{"at":"2026-05-04T06:00:00Z","decided":{"id":"a","who":"desk"},"ways":["tells"]}` + "\n" + `{"sent":"a","way":"tells"}` + "\n"))
	f.Add([]byte(`{"decided":{"id":"a","who":"desk"}}` + "\n" + `{"failed":"a","way":"x"}` + "\n" + `{"given_up":"b"}` + "\n{"))
	f.Add([]byte(`{"decided":{"id":"a"}}` + "\n" + `{"sent":"a","failed":"a","way":"x"}` + "\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		lines, _ := parseLedger(text)
		known := Deliveries(lines)
		o := &Outbox{ways: &Ways{of: map[string][]Way{"desk": {deaf{}}}}, known: map[string][]*delivery{}, lines: map[lineKey]*line{}, wake: make(chan struct{}, 1)}
		o.takeUp(lines)
		for id := range known {
			if !o.Knows(id) {
				t.Errorf("%q is not known", id)
			}
		}
		if s := o.Look(); s.Decided != len(known) {
			t.Errorf("%d decided, %d in the ledger", s.Decided, len(known))
		}
		again, damaged := parseLedger(append(text, "\n{\"sent\":\"x\"}\n"...))
		if len(again) != len(lines)+1 && len(again) != len(lines)+2 || damaged > bytes.Count(text, []byte("\n"))+2 {
			t.Errorf("%d lines, then %d, %d damaged", len(lines), len(again), damaged)
		}
	})
}
