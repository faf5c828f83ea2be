package journal

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
)

// A pipeline ends where the server does not allow its messages: there is no use
// in sending them for ever.
func TestPipelineEndsWhereItIsNotAllowed(t *testing.T) {
	n := namesOf(gate().Test, gate().Name)
	s := startServer(t, ServerOptions{Listen: "127.0.0.1:0", Users: []User{
		{Name: "node", Password: "secret", Publish: []string{n.prefix + "frame.>", "$JS.API.>"}},
	}})
	openJournal(t, connectInside(t, s))
	conn, err := Connect(s.URL(), ConnectOptions{User: "node", Password: "secret"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	theirs, err := Attach(testContext(t), conn, gate().Test, gate().Name)
	if err != nil {
		t.Fatal(err)
	}
	p := newPipeline(t, theirs)
	if err := pump(testContext(t), p, 0, 3); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Flush(testContext(t)); err != nil {
		t.Fatalf("frames, which are allowed: %v", err)
	}
	err = p.Event(testContext(t), NewEventID(), []byte(`{}`))
	if err == nil {
		_, err = p.Flush(testContext(t))
	}
	if !errors.Is(err, ErrNotAllowed) || !strings.Contains(err.Error(), n.event()) {
		t.Errorf("an event, which is not: %v", err)
	}
}

func TestRefusedSubject(t *testing.T) {
	for _, c := range []struct {
		err     error
		subject string
		is      bool
	}{
		{fmt.Errorf("%w: Permissions Violation for Publish to \"a.b.c\"", nats.ErrPermissionViolation), "a.b.c", true},
		{fmt.Errorf("%w: Permissions Violation for Subscription to \"a.b\"", nats.ErrPermissionViolation), "", false},
		{errors.New(`Publish to "a.b"`), "", false},
		{fmt.Errorf("%w: Publish to \"a.b", nats.ErrPermissionViolation), "", false},
		{nil, "", false},
	} {
		if subject, is := refusedSubject(c.err); is != c.is || is && subject != c.subject {
			t.Errorf("%v: %q %v", c.err, subject, is)
		}
	}
}
