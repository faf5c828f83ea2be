package journal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

const (
	// readAhead bounds the bytes that are asked for at a time. Without a bound
	// the client asks for five hundred messages, and a server that has larger
	// ones closes the connection again and again.
	readAhead         = 16 << 20
	readAheadMessages = 4096 // small ones; the client keeps a place for each

	heartbeat = 2 * time.Second // silence of twice this is a break
	forgotten = time.Minute     // after which a server drops a reader that is gone

	firstPause, longestPause = 50 * time.Millisecond, 2 * time.Second
)

// Reader reads a journal in order. It is for one goroutine. At most 16 MiB of
// messages wait in memory.
type Reader struct {
	journal *Journal
	next    uint64
	last    *Message // the newest one given out, for comparing after a break

	stream   jetstream.Stream
	consumer string
	messages jetstream.MessagesContext
	breaks   uint64 // of the connection, when messages were asked for
	skipped  bool   // the server skipped to a later message once already
	closed   bool
}

// Read begins at a sequence; 0 is 1. ErrGap when the journal begins later,
// ErrLostTail when it ends before the one that goes before it.
func (j *Journal) Read(ctx context.Context, from uint64) (*Reader, error) {
	r := &Reader{journal: j, next: max(from, 1)}
	if err := r.start(ctx); err != nil {
		return nil, fmt.Errorf("read the journal from %d: %w", from, err)
	}
	return r, nil
}

// Next is the next message, whose sequence is one more than that of the
// message before; it waits for one. After a loss of the connection it goes on
// at the right place, once the journal was found to be the same and to end in
// no other messages than were seen: else ErrIdentity, ErrNoJournal, ErrGap or
// ErrLostTail, which stay. Other errors than these mean that ctx has ended or
// the connection was closed.
func (r *Reader) Next(ctx context.Context) (Message, error) {
	pause := firstPause
	for {
		if r.closed {
			return Message{}, fmt.Errorf("read the journal: %w", ErrClosed)
		}
		m, err := r.try(ctx)
		if err == nil {
			r.next, r.last = m.Seq+1, &m
			return m, nil
		}
		switch {
		case ctx.Err() != nil:
			return Message{}, fmt.Errorf("read message %d of the journal: %w", r.next, ctx.Err())
		case final(err), r.journal.conn.over(err):
			r.stop()
			return Message{}, fmt.Errorf("read message %d of the journal: %w", r.next, err)
		}
		r.journal.conn.log.Warn("reading the journal was interrupted; it goes on", "at", r.next, "error", err)
		r.stop()
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
		pause = min(2*pause, longestPause)
	}
}

// final says whether an error is about the journal, not the way to it.
func final(err error) bool {
	for _, stays := range []error{ErrGap, ErrLostTail, ErrIdentity, ErrNoJournal} {
		if errors.Is(err, stays) {
			return true
		}
	}
	return false
}

// try gives the next message, or why there is none for now.
func (r *Reader) try(ctx context.Context) (Message, error) {
	if r.messages != nil && r.breaks != r.journal.conn.breaks.Load() {
		r.stop()
	}
	if r.messages == nil {
		if err := r.start(ctx); err != nil {
			return Message{}, err
		}
	}
	for {
		raw, err := r.messages.Next(jetstream.NextContext(ctx))
		if err != nil {
			return Message{}, err
		}
		about, err := raw.Metadata()
		if err != nil {
			return Message{}, err
		}
		switch seq := about.Sequence.Stream; {
		case seq < r.next:
			continue // sent again
		case seq > r.next && r.skipped:
			return Message{}, fmt.Errorf("%w: %d follows %d", ErrGap, seq, r.next-1)
		case seq > r.next:
			// A message lost on the way comes when asked for again; one that
			// the journal has not does not.
			r.skipped = true
			return Message{}, fmt.Errorf("message %d came before %d", seq, r.next)
		}
		r.skipped = false
		m := Message{
			Seq: about.Sequence.Stream, Subject: raw.Subject(), Header: raw.Headers(), Data: raw.Data(),
			Stored: about.Timestamp, Pending: about.NumPending,
		}
		r.journal.place(&m)
		return m, nil
	}
}

// start makes sure that the journal is the one that was read so far, and asks
// for its messages from next on.
func (r *Reader) start(ctx context.Context) error {
	r.breaks = r.journal.conn.breaks.Load()
	var err error
	if r.stream, err = r.journal.stream(ctx); err != nil {
		return err
	}
	state := r.stream.CachedInfo().State
	switch {
	case state.FirstSeq > r.next:
		return fmt.Errorf("%w: %d is asked for, %d is the first", ErrGap, r.next, state.FirstSeq)
	case state.LastSeq+1 < r.next:
		return fmt.Errorf("%w: %d is asked for, %d is the last", ErrLostTail, r.next, state.LastSeq)
	}
	if r.last != nil && state.FirstSeq <= r.last.Seq {
		there, err := r.journal.At(ctx, r.last.Seq)
		if err != nil {
			return err
		}
		if there != r.last.Hash() {
			return fmt.Errorf("%w: %d is another message than before", ErrLostTail, r.last.Seq)
		}
	}
	// Nothing is acknowledged: what was read is known from the files made of
	// it, and a second account of it could only disagree.
	asking, cancel := context.WithTimeout(ctx, attempt)
	defer cancel()
	consumer, err := r.stream.CreateConsumer(asking, jetstream.ConsumerConfig{
		DeliverPolicy:     jetstream.DeliverByStartSequencePolicy,
		OptStartSeq:       r.next,
		AckPolicy:         jetstream.AckNonePolicy,
		MemoryStorage:     true,
		Replicas:          1,
		InactiveThreshold: forgotten,
	})
	if err != nil {
		return err
	}
	r.consumer = consumer.CachedInfo().Name
	r.messages, err = consumer.Messages(jetstream.PullMaxMessagesWithBytesLimit(readAheadMessages, readAhead), jetstream.PullExpiry(5*heartbeat), jetstream.PullHeartbeat(heartbeat))
	return err
}

// stop lets go of the server's side. A server that cannot be reached drops it
// by itself.
func (r *Reader) stop() {
	if r.messages != nil {
		r.messages.Stop()
		r.messages = nil
	}
	if r.consumer != "" && r.journal.conn.Connected() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if err := r.stream.DeleteConsumer(ctx, r.consumer); err != nil {
			r.journal.conn.log.Debug("the reader's consumer is left to the server", "error", err)
		}
	}
	r.consumer = ""
}

// Close ends reading. It may be called twice.
func (r *Reader) Close() {
	r.closed = true
	r.stop()
}
