package journal

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"glueline/pipeline/frame"
)

// Kind is what a message of the journal is.
type Kind string

// The kinds.
const (
	FrameMessage   Kind = "frame"
	EventMessage   Kind = "event"
	ControlMessage Kind = "control"
	OtherMessage   Kind = "other" // of a subject that no journal has: its configuration was changed by somebody
)

// HeaderEventID names an event: the same one in the journals of all groups.
const HeaderEventID = "Glueline-Event-Id"

// HeaderNoFrame says why a message in the place of a frame is none: it came in
// another form, and that could not be read.
const HeaderNoFrame = "Glueline-No-Frame"

// headerPad makes the headers of a message a multiple of eight bytes long, so
// that the columns behind them are aligned in memory where they arrive.
const headerPad = "Glueline-Pad"

// Message is one message of the journal.
type Message struct {
	Seq     uint64
	Kind    Kind
	Source  string // of a frame, by its subject
	Subject string
	Header  map[string][]string
	Data    []byte
	Stored  time.Time // by the server's clock: for lag, not for physics
	Pending uint64    // messages behind it when it was sent; 0: it was the last
}

// Get is the value of a header, "" where it is missing.
func (m *Message) Get(key string) string {
	if v := m.Header[key]; len(v) > 0 {
		return v[0]
	}
	return ""
}

// Size is about how many bytes the message takes in the journal, with what the
// server's file keeps of each.
func (m *Message) Size() int64 {
	const record = len("NATS/1.0\r\n\r\n") + 34 // lengths, sequence, time and checksum
	size := record + len(m.Subject) + len(m.Data)
	for key, values := range m.Header {
		for _, value := range values {
			size += len(key) + len(value) + len(": \r\n")
		}
	}
	return int64(size)
}

// FrameHeader reads the headers of a frame. Besides what frame.ParseHeader
// refuses, the source must be the one whose subject it came by. The error is a
// frame.WireError.
func (m *Message) FrameHeader() (frame.Header, error) {
	h, err := frame.ParseHeader(m.Get)
	if err == nil && h.Source != m.Source {
		err = &frame.WireError{Reason: frame.ReasonHeader, Detail: fmt.Sprintf("%s is %q on the subject of %q", frame.HeaderSource, h.Source, m.Source)}
	}
	return h, err
}

// Hash is SHA-256 over subject, headers of ours and data, each with its length
// before it. What a server adds, and its clock, are left out.
func (m *Message) Hash() [32]byte {
	h := sha256.New()
	write := func(text string) {
		var length [8]byte
		binary.LittleEndian.PutUint64(length[:], uint64(len(text)))
		h.Write(length[:])
		h.Write([]byte(text))
	}
	write(m.Subject)
	var keys []string
	for key := range m.Header {
		if strings.HasPrefix(key, "Glueline-") && key != headerPad {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	for _, key := range keys {
		for _, value := range m.Header[key] {
			write(key)
			write(value)
		}
	}
	var length [8]byte
	binary.LittleEndian.PutUint64(length[:], uint64(len(m.Data)))
	h.Write(length[:])
	h.Write(m.Data)
	var sum [32]byte
	h.Sum(sum[:0])
	return sum
}

// place fills Kind and Source by the subject.
func (j *Journal) place(m *Message) {
	m.Kind = OtherMessage
	rest, ok := strings.CutPrefix(m.Subject, j.names.prefix)
	if !ok {
		return
	}
	switch source, isFrame := strings.CutPrefix(rest, "frame."); {
	case isFrame:
		m.Kind = FrameMessage
		if m.Source, ok = j.sources[source]; !ok { // not declared any more
			m.Source, _ = untoken(source)
		}
	case rest == "event":
		m.Kind = EventMessage
	case rest == "control":
		m.Kind = ControlMessage
	}
}

// Get reads one message. ErrGap when the journal does not hold it any more,
// ErrLostTail when it ends before it.
func (j *Journal) Get(ctx context.Context, seq uint64) (Message, error) {
	stream, err := j.stream(ctx)
	if err != nil {
		return Message{}, err
	}
	state := stream.CachedInfo().State
	switch {
	case seq < state.FirstSeq:
		return Message{}, fmt.Errorf("%w: %d is asked for, %d is the first", ErrGap, seq, state.FirstSeq)
	case seq > state.LastSeq:
		return Message{}, fmt.Errorf("%w: %d is asked for, %d is the last", ErrLostTail, seq, state.LastSeq)
	}
	raw, err := stream.GetMsg(ctx, seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		// Any machine of a cluster may have answered, also one that has not got
		// the newest messages yet. What may not be read directly, the leader reads.
		stream.CachedInfo().Config.AllowDirect = false
		raw, err = stream.GetMsg(ctx, seq)
	}
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return Message{}, fmt.Errorf("%w: %d is not there", ErrGap, seq)
	}
	if err != nil {
		return Message{}, fmt.Errorf("read message %d of the journal: %w", seq, err)
	}
	m := Message{Seq: raw.Sequence, Subject: raw.Subject, Header: raw.Header, Data: raw.Data, Stored: raw.Time}
	j.place(&m)
	return m, nil
}

// At is the hash of one message, for comparing with what was recorded of it.
func (j *Journal) At(ctx context.Context, seq uint64) ([32]byte, error) {
	m, err := j.Get(ctx, seq)
	if err != nil {
		return [32]byte{}, err
	}
	return m.Hash(), nil
}
