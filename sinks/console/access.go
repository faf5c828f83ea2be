package console

import (
	"bufio"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"sync"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// Role is what somebody may do.
type Role string

// The roles. An operator may do what a viewer may.
const (
	Nobody   Role = ""
	Viewer   Role = "viewer"
	Operator Role = "operator"
)

// ErrUsers occurs when a file of users is not what it should be.
var ErrUsers = errors.New("file of users")

// Users are those who may sign in.
type Users struct {
	known map[string]user
	dummy []byte // compared with where nobody has the name, so that it takes as long
}

type user struct {
	role Role
	hash []byte
}

// ReadUsers reads a file of users, one a line: name, role and bcrypt hash, parted
// by spaces. Empty lines and those that begin with # are passed over.
func ReadUsers(r io.Reader) (*Users, error) {
	u := &Users{known: map[string]user{}}
	lines := bufio.NewScanner(io.LimitReader(r, 1<<20))
	cost := bcrypt.MinCost
	for n := 1; lines.Scan(); n++ {
		words := strings.Fields(lines.Text())
		if len(words) == 0 || strings.HasPrefix(words[0], "#") {
			continue
		}
		if len(words) != 3 {
			return nil, fmt.Errorf("%w: line %d: write name, role and hash, as glueline console-user prints them", ErrUsers, n)
		}
		role := Role(words[1])
		if role != Viewer && role != Operator {
			return nil, fmt.Errorf("%w: line %d: the role is viewer or operator", ErrUsers, n)
		}
		c, err := bcrypt.Cost([]byte(words[2]))
		if err != nil {
			return nil, fmt.Errorf("%w: line %d: the hash is no bcrypt hash", ErrUsers, n)
		}
		if _, twice := u.known[words[0]]; twice {
			return nil, fmt.Errorf("%w: line %d: that name is there twice", ErrUsers, n)
		}
		cost = max(cost, c)
		u.known[words[0]] = user{role, []byte(words[2])}
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrUsers, err)
	}
	if len(u.known) == 0 {
		return nil, fmt.Errorf("%w: nobody is in it", ErrUsers)
	}
	var err error
	u.dummy, err = bcrypt.GenerateFromPassword([]byte(rand.Text()), cost)
	return u, err
}

// UserLine is the line of a file of users for somebody.
func UserLine(name string, role Role, password string) (string, error) {
	if name == "" || strings.ContainsAny(name, " \t\r\n#") {
		return "", errors.New("a name has no blanks and no #")
	}
	if role != Viewer && role != Operator {
		return "", errors.New("the role is viewer or operator")
	}
	if n := len(password); n < 10 || n > 72 {
		return "", errors.New("a password has 10 to 72 bytes")
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), 12)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%s %s %s", name, role, hash), nil
}

// check returns the role of somebody who gives a name and a password. It takes as
// long for a name that nobody has.
func (u *Users) check(name, password string) Role {
	k, ok := u.known[name]
	if !ok {
		k.hash = u.dummy
	}
	if err := bcrypt.CompareHashAndPassword(k.hash, []byte(password)); err != nil || !ok {
		return Nobody
	}
	return k.role
}

// session is somebody who signed in.
type session struct {
	who   string
	role  Role
	token string // that a request which changes something brings along
	ends  time.Time
}

// sessionLasts is a long shift.
const sessionLasts = 12 * time.Hour

// sessions are those that last, by the hash of their cookie.
type sessions struct {
	now func() time.Time

	mutex    sync.Mutex
	known    map[[32]byte]*session
	failures []time.Time // of the last minute
}

func newSessions(now func() time.Time) *sessions {
	return &sessions{now: now, known: map[[32]byte]*session{}}
}

const (
	mostSessions = 1000
	mostFailures = 10 // a minute; whoever guesses passwords waits
)

// open begins a session and returns its cookie's value.
func (s *sessions) open(who string, role Role) string {
	secret := rand.Text() + rand.Text()
	s.mutex.Lock()
	defer s.mutex.Unlock()
	now := s.now()
	for key, k := range s.known {
		if now.After(k.ends) || len(s.known) >= mostSessions {
			delete(s.known, key)
		}
	}
	s.known[sha256.Sum256([]byte(secret))] = &session{who: who, role: role, token: rand.Text(), ends: now.Add(sessionLasts)}
	return secret
}

func (s *sessions) find(secret string) *session {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	k := s.known[sha256.Sum256([]byte(secret))]
	if k == nil || s.now().After(k.ends) {
		return nil
	}
	return k
}

func (s *sessions) close(secret string) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	delete(s.known, sha256.Sum256([]byte(secret)))
}

// mayTry reports whether somebody may try to sign in; failed counts against it.
func (s *sessions) mayTry() bool {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	recent := s.failures[:0]
	for _, at := range s.failures {
		if s.now().Sub(at) < time.Minute {
			recent = append(recent, at)
		}
	}
	s.failures = recent
	return len(recent) < mostFailures
}

func (s *sessions) failed() {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.failures = append(s.failures, s.now())
}

// same compares in a time that does not tell where two words differ.
func same(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}

// isLoopback reports whether a host, with or without a port, is this machine by
// its number or by the name localhost: a name of somebody else's that leads here
// is not.
func isLoopback(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// sameOrigin reports whether a request comes from this page. Browsers send the
// origin with all that may change something, and with every WebSocket.
func sameOrigin(r *http.Request) bool {
	text := r.Header.Get("Origin")
	if text == "" {
		return false
	}
	origin, err := url.Parse(text)
	return err == nil && strings.EqualFold(origin.Host, r.Host)
}

// policy is what the page may load: what comes from here, nothing inline.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; " +
	"font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"

func setHeaders(h http.Header, secure bool) {
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), payment=()")
	h.Set("Cache-Control", "no-store")
	if secure {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}

// NewKey is a word that nobody guesses, fit for an address.
func NewKey() string {
	var b [18]byte
	_, _ = rand.Read(b[:]) // never fails
	return base64.RawURLEncoding.EncodeToString(b[:])
}
