package tell

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"net/smtp"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// eMail hands a message to a mail server by SMTP (RFC 5321), under STARTTLS (RFC
// 3207) or TLS from the beginning (RFC 8314), with AUTH PLAIN (RFC 4954) where a
// user is named. Without TLS it speaks only to this machine. That the server took
// the message over does not say that anybody read it.
type eMail struct {
	To       string  `yaml:"to"`
	From     string  `yaml:"from"`
	Server   string  `yaml:"server"` // host:port
	TLS      string  `yaml:"tls"`    // starttls when empty, implicit, none
	User     string  `yaml:"user"`
	Password *secret `yaml:"password"`
	CA       string  `yaml:"ca"`

	host     string
	to, from *mail.Address
	config   *tls.Config
}

func tlsConfig(folder, ca, host string) (*tls.Config, error) {
	config := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if ca == "" {
		return config, nil
	}
	if !filepath.IsAbs(ca) {
		ca = filepath.Join(folder, ca)
	}
	text, err := os.ReadFile(ca)
	if err != nil {
		return nil, err
	}
	config.RootCAs = x509.NewCertPool()
	if !config.RootCAs.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("%s holds no certificate", ca)
	}
	return config, nil
}

func (e *eMail) prepare(folder string) (err error) {
	if e.host, _, err = net.SplitHostPort(e.Server); err != nil || e.host == "" {
		return fmt.Errorf("e-mail.server %q; write host:port, for example mail.example.org:587", e.Server)
	}
	if e.to, err = mail.ParseAddress(e.To); err != nil {
		return fmt.Errorf("e-mail.to %q: %w", e.To, err)
	}
	if e.from, err = mail.ParseAddress(e.From); err != nil {
		return fmt.Errorf("e-mail.from %q: %w", e.From, err)
	}
	if err := e.Password.read(folder); err != nil {
		return fmt.Errorf("e-mail.password: %w", err)
	}
	if (e.User == "") != (e.Password == nil) {
		return errors.New("e-mail: user and password go together")
	}
	switch e.TLS {
	case "", "starttls", "implicit":
	case "none":
		if !isLoopback(e.host) {
			return errors.New("e-mail.tls none is for a server on this machine only")
		}
	default:
		return fmt.Errorf("e-mail.tls %q; write starttls, implicit or none", e.TLS)
	}
	if e.config, err = tlsConfig(folder, e.CA, e.host); err != nil {
		return fmt.Errorf("e-mail.ca: %w", err)
	}
	return nil
}

func (e *eMail) Name() string { return "e-mail" }

func (e *eMail) Send(ctx context.Context, m Message) error {
	if err := e.send(ctx, m); err != nil {
		return fmt.Errorf("e-mail by %s: %w", e.Server, err)
	}
	return nil
}

func (e *eMail) send(ctx context.Context, m Message) error {
	ctx, cancel := context.WithTimeout(ctx, sendWithin)
	defer cancel()
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", e.Server)
	if err != nil {
		return err
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { _ = conn.SetDeadline(time.Unix(1, 0)) }) // what waits for the server ends
	defer stop()
	if e.TLS == "implicit" {
		conn = tls.Client(conn, e.config)
	}
	client, err := smtp.NewClient(conn, e.host)
	if err != nil {
		return err
	}
	defer client.Close()
	if e.TLS == "" || e.TLS == "starttls" {
		if err := client.StartTLS(e.config); err != nil {
			return fmt.Errorf("STARTTLS: %w", err)
		}
	}
	if e.User != "" {
		if err := client.Auth(smtp.PlainAuth("", e.User, e.Password.value, e.host)); err != nil {
			return fmt.Errorf("AUTH: %w", err)
		}
	}
	if err := client.Mail(e.from.Address); err != nil {
		return err
	}
	if err := client.Rcpt(e.to.Address); err != nil {
		return err
	}
	w, err := client.Data()
	if err != nil {
		return err
	}
	if _, err := w.Write(e.text(m, time.Now())); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	_ = client.Quit() // the message was taken over already
	return nil
}

// text is the message as RFC 5322 has it. Its Message-ID is that of the message,
// so that a reader shows a repeat once.
func (e *eMail) text(m Message, now time.Time) []byte {
	var b bytes.Buffer
	_, domain, _ := strings.Cut(e.from.Address, "@")
	for _, h := range [][2]string{
		{"From", e.from.String()}, {"To", e.to.String()},
		{"Subject", mime.QEncoding.Encode("utf-8", oneLine(m.Subject))},
		{"Date", now.Format(time.RFC1123Z)}, {"Message-ID", "<" + m.ID + "@" + domain + ">"},
		{"Auto-Submitted", "auto-generated"}, {"MIME-Version", "1.0"},
		{"Content-Type", "text/plain; charset=utf-8"}, {"Content-Transfer-Encoding", "quoted-printable"},
	} {
		fmt.Fprintf(&b, "%s: %s\r\n", h[0], h[1])
	}
	b.WriteString("\r\n")
	q := quotedprintable.NewWriter(&b)
	_, _ = q.Write([]byte(strings.ReplaceAll(m.Text, "\n", "\r\n"))) // a buffer takes everything
	_ = q.Close()
	return b.Bytes()
}

// oneLine keeps what others named out of the headers.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, text)
}
