package journal

import (
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go"
)

// What may be published is told apart from everything else that keeps a message
// from being acknowledged: the server says so on its own, naming the subject,
// and gives no answer to the message itself.

// disallow keeps the subject that a server's refusal names.
func (c *Conn) disallow(err error) {
	subject, is := refusedSubject(err)
	if !is {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.disallowed == nil {
		c.disallowed = map[string]struct{}{}
	}
	if len(c.disallowed) < mostDisallowed {
		c.disallowed[subject] = struct{}{}
	}
}

// mostDisallowed bounds what is kept: the subjects of a connection's journals are
// far fewer.
const mostDisallowed = 4096

// refusedSubject is the subject of a refusal to publish. The server's text has it
// in quotes: Permissions Violation for Publish to "subject".
func refusedSubject(err error) (subject string, is bool) {
	if !errors.Is(err, nats.ErrPermissionViolation) {
		return "", false
	}
	_, rest, is := strings.Cut(err.Error(), `Publish to "`)
	if !is {
		return "", false
	}
	subject, _, is = strings.Cut(rest, `"`)
	return subject, is
}

// allowed is ErrNotAllowed when the server has refused a subject since the last
// time that it was asked about: who tries again may have been given the right
// meanwhile.
func (c *Conn) allowed(subject string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, is := c.disallowed[subject]; !is {
		return nil
	}
	delete(c.disallowed, subject)
	return fmt.Errorf("%w: the credentials lack the right to publish to the subject %s; whoever runs the server grants it", ErrNotAllowed, subject)
}
