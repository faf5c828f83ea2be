package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// A journal has one service that archives and trims it. Two, each with a data
// folder of its own, would trim what the other has not archived yet. On a server
// of others nothing keeps the second away, so each says that the journal is its
// own: one message in a stream beside the journal, replaced every claimRenewed
// behind the one that it knows. Whoever replaces it first has it.
const (
	claimRenewed = 5 * time.Second
	claimLasts   = 30 * time.Second // after the newest message, by the server's clock
	claimBytes   = 64 << 10
)

// Owner is a service with its data folder.
type Owner struct {
	Folder string    `json:"folder"` // text that no other data folder has, but its copies
	Data   string    `json:"data"`   // where the folder is
	Host   string    `json:"host"`
	PID    int       `json:"pid"`
	Since  time.Time `json:"since"`
}

// sameFolder reports whether two services are of one data folder in one place,
// where only one runs at a time.
func (o *Owner) sameFolder(p *Owner) bool {
	return o.Folder == p.Folder && o.Data == p.Data && o.Host == p.Host
}

func (o *Owner) same(p *Owner) bool {
	return o.sameFolder(p) && o.PID == p.PID && o.Since.Equal(p.Since)
}

func (o *Owner) String() string {
	return fmt.Sprintf("process %d on %s, data folder %s, since %s", o.PID, o.Host, o.Data, o.Since.UTC().Format(time.RFC3339))
}

// ClaimedError means: the journal is that of another service.
type ClaimedError struct {
	Owner Owner
	Lasts time.Duration // until the claim ends if it is not renewed; 0: it has just become theirs
}

// Error names the other.
func (e *ClaimedError) Error() string {
	return "the journal is worked by another glueline serve: " + e.Owner.String()
}

// Claim is a service's hold on a journal.
type Claim struct {
	conn  *Conn
	names names
	owner Owner

	mu   sync.Mutex
	seq  uint64 // of its newest message
	lost bool
}

// claimed is the message of a claim.
type claimed struct {
	Owner
	Ended bool `json:"ended,omitempty"` // the owner has stopped
}

// ClaimJournal makes a group's journal, which need not be there yet, that of one
// service. A *ClaimedError when it is that of another data folder whose service
// has not ended it and has renewed it in the last half minute; takeOver has it all
// the same, and the other loses it.
func ClaimJournal(ctx context.Context, conn *Conn, g Group, owner Owner, takeOver bool) (*Claim, error) {
	c := &Claim{conn: conn, names: namesOf(g.Test, g.Name), owner: owner}
	if err := c.take(ctx, g, takeOver); err != nil {
		return nil, fmt.Errorf("claim the journal of test %q, group %q: %w", g.Test, g.Name, err)
	}
	return c, nil
}

func (c *Claim) take(ctx context.Context, g Group, takeOver bool) error {
	copies, err := g.copies(c.conn)
	if err != nil {
		return err
	}
	stream, err := c.conn.lookUp(ctx, c.names.ownerStream())
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		stream, err = c.conn.js.CreateStream(ctx, jetstream.StreamConfig{
			Name:              c.names.ownerStream(),
			Description:       fmt.Sprintf("which service works the journal of test %q, group %q", g.Test, g.Name),
			Subjects:          []string{c.names.owner()},
			Storage:           jetstream.FileStorage,
			MaxMsgsPerSubject: 1,
			MaxBytes:          claimBytes,
			Replicas:          copies,
		})
		if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) { // made meanwhile by another
			stream, err = c.conn.lookUp(ctx, c.names.ownerStream())
		}
	}
	if err != nil {
		return alone(err)
	}
	now := stream.CachedInfo().TimeStamp
	last, at, err := c.newest(ctx, stream)
	if err != nil {
		return err
	}
	if last != nil && !takeOver && !last.Ended && !last.sameFolder(&c.owner) {
		if left := claimLasts - now.Sub(at); left > 0 {
			return &ClaimedError{last.Owner, left}
		}
	}
	err = c.say(ctx, claimed{Owner: c.owner})
	if wrongLast(err) {
		// Of two that start together, one is first.
		if last, _, err := c.newest(ctx, stream); err == nil && last != nil && !last.same(&c.owner) {
			return &ClaimedError{last.Owner, claimLasts}
		}
	}
	return err
}

// newest is the newest message of the stream and when the server got it; nil when
// there is none. Its sequence is known from here on.
func (c *Claim) newest(ctx context.Context, stream jetstream.Stream) (*claimed, time.Time, error) {
	raw, err := stream.GetLastMsgForSubject(ctx, c.names.owner())
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		c.seq = 0
		return nil, time.Time{}, nil
	}
	if err != nil {
		return nil, time.Time{}, fmt.Errorf("ask whose it is: %w", err)
	}
	c.seq = raw.Sequence
	last := new(claimed)
	if err := json.Unmarshal(raw.Data, last); err != nil {
		return nil, time.Time{}, fmt.Errorf("message %d of %s is no claim: %w", raw.Sequence, c.names.ownerStream(), err)
	}
	return last, raw.Time, nil
}

// say replaces the message that is known.
func (c *Claim) say(ctx context.Context, what claimed) error {
	data, err := json.Marshal(what)
	if err != nil {
		return err
	}
	ack, err := c.conn.js.PublishMsg(ctx, &nats.Msg{Subject: c.names.owner(), Data: data}, jetstream.WithExpectLastSequencePerSubject(c.seq))
	if err != nil {
		return err
	}
	c.seq = ack.Sequence
	return nil
}

// Keep renews the claim until ctx ends, which is no error. A *ClaimedError when
// another service has taken the journal: stop. While the server is away it goes on
// trying: nobody else can reach the journal there either.
func (c *Claim) Keep(ctx context.Context) error {
	ticker := time.NewTicker(claimRenewed)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
		if err := c.renew(ctx); errors.As(err, new(*ClaimedError)) {
			return err
		}
	}
}

func (c *Claim) renew(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	ctx, cancel := context.WithTimeout(ctx, attempt)
	defer cancel()
	err := c.say(ctx, claimed{Owner: c.owner})
	if !wrongLast(err) {
		return err
	}
	stream, err := c.conn.lookUp(ctx, c.names.ownerStream())
	if err != nil {
		return err
	}
	switch last, _, err := c.newest(ctx, stream); {
	case err != nil:
		return err
	case last == nil, last.same(&c.owner): // its answer was lost, or the server came back with less
		return c.say(ctx, claimed{Owner: c.owner})
	default:
		c.lost = true
		return &ClaimedError{Owner: last.Owner}
	}
}

// End gives the journal free for any service, unless another has it. To be called
// when Keep has ended and nobody works any more.
func (c *Claim) End(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.lost {
		return nil
	}
	if err := c.say(ctx, claimed{c.owner, true}); err != nil && !wrongLast(err) {
		return fmt.Errorf("give the journal free: %w", err)
	}
	return nil
}

func wrongLast(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence
}

// codeNoCluster is the server's error when it is asked for more than one copy and
// has no other machine.
const codeNoCluster = 10074

// alone marks the refusal of a server that is no cluster as ErrNoCluster.
func alone(err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == codeNoCluster {
		return ErrNoCluster
	}
	return err
}
