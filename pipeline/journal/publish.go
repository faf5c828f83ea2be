package journal

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"glueline/pipeline/frame"
)

// Publish appends a frame in its wire form and waits until the server has
// acknowledged it. After any other error than ErrFull and ErrUnknownSource the
// journal may hold it all the same: send it again, under the same number.
func (j *Journal) Publish(ctx context.Context, h frame.Header, payload []byte) (seq uint64, err error) {
	return j.publishFrame(ctx, headersOf(h), h, payload)
}

// PublishNoFrame appends what came in another form for a source and could not be
// made a frame, with the reason: whoever reads the journal puts it in quarantine.
func (j *Journal) PublishNoFrame(ctx context.Context, h frame.Header, data []byte, why string) (seq uint64, err error) {
	header := headersOf(h)
	header[HeaderNoFrame] = []string{bound(why)}
	pad(header)
	return j.publishFrame(ctx, header, h, data)
}

// PublishAfter is Publish, if the newest frame of the source that the journal
// holds is the one of a sequence, 0 for none; else it is ErrOvertaken and the
// journal stays as it is.
func (j *Journal) PublishAfter(ctx context.Context, after uint64, h frame.Header, payload []byte) (seq uint64, err error) {
	return j.publishFrame(ctx, headersOf(h), h, payload, jetstream.WithExpectLastSequencePerSubject(after))
}

func (j *Journal) publishFrame(ctx context.Context, header nats.Header, h frame.Header, payload []byte, expect ...jetstream.PublishOpt) (seq uint64, err error) {
	if _, declared := j.sources[token(h.Source)]; !declared {
		return 0, fmt.Errorf("publish frame %d: %w: %q", h.Number, ErrUnknownSource, h.Source)
	}
	ack, err := j.conn.js.PublishMsg(ctx, &nats.Msg{
		Subject: j.names.frame(h.Source), Header: header, Data: payload,
	}, expect...)
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence {
		err = fmt.Errorf("%w: %w", ErrOvertaken, err)
	}
	if err != nil {
		return 0, fmt.Errorf("publish frame %d of source %q: %w", h.Number, h.Source, refusal(err))
	}
	return ack.Sequence, nil
}

// NewestFrame returns the sequence of the newest frame of a source that the
// journal holds, its header, and when the server got it; 0 when there is none.
func (j *Journal) NewestFrame(ctx context.Context, source string) (seq uint64, h frame.Header, stored time.Time, err error) {
	seq, h, _, err = j.lookAtFrame(ctx, source, func(s jetstream.Stream) (*jetstream.RawStreamMsg, error) {
		raw, err := s.GetLastMsgForSubject(ctx, j.names.frame(source))
		if err == nil {
			stored = raw.Time
		}
		return raw, err
	})
	return seq, h, stored, err
}

// EventsBehind returns the texts of the journal's events behind a sequence.
func (j *Journal) EventsBehind(ctx context.Context, seq uint64) (map[string]bool, error) {
	texts := map[string]bool{}
	stream, err := j.stream(ctx)
	if err != nil {
		return nil, err
	}
	for {
		raw, err := stream.GetMsg(ctx, seq+1, jetstream.WithGetMsgSubject(j.names.event()))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return texts, nil
		}
		if err != nil {
			return nil, fmt.Errorf("look at the events behind %d: %w", seq, err)
		}
		texts[string(raw.Data)], seq = true, raw.Sequence
	}
}

// NewestTime returns the time in ns of the last row of the newest frame of a source
// that the journal holds; ok is false when it holds none, or one that was refused.
func (j *Journal) NewestTime(ctx context.Context, source string) (ns int64, ok bool, err error) {
	seq, _, _, err := j.NewestFrame(ctx, source)
	if err != nil || seq == 0 {
		return 0, false, err
	}
	m, err := j.Get(ctx, seq)
	if errors.Is(err, ErrGap) { // trimmed meanwhile
		return 0, false, nil
	}
	if err != nil {
		return 0, false, err
	}
	h, err := m.FrameHeader()
	if err != nil {
		return 0, false, nil //nolint:nilerr // such a message is the worker's to refuse
	}
	f, err := frame.NewWireDecoder([]string{source}).Decode(m.Data, h)
	if err != nil {
		return 0, false, nil //nolint:nilerr // as above
	}
	if _, refused, err := j.RefusalOf(ctx, seq); err == nil && refused {
		return 0, false, nil
	}
	return f.Time[len(f.Time)-1], true, nil
}

// frameBehind returns the sequence, header and publisher of the oldest frame of a
// source behind a sequence; 0 when there is none.
func (j *Journal) frameBehind(ctx context.Context, source string, behind uint64) (seq uint64, h frame.Header, publisher string, err error) {
	return j.lookAtFrame(ctx, source, func(s jetstream.Stream) (*jetstream.RawStreamMsg, error) {
		return s.GetMsg(ctx, behind+1, jetstream.WithGetMsgSubject(j.names.frame(source)))
	})
}

func (j *Journal) lookAtFrame(ctx context.Context, source string, get func(jetstream.Stream) (*jetstream.RawStreamMsg, error)) (seq uint64, h frame.Header, publisher string, err error) {
	stream, err := j.stream(ctx)
	if err != nil {
		return 0, h, "", err
	}
	raw, err := get(stream)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return 0, h, "", nil
	}
	if err != nil {
		return 0, h, "", fmt.Errorf("look at the frames of source %q: %w", source, err)
	}
	m := Message{Header: raw.Header}
	h, _ = frame.ParseHeader(m.Get) // whatever it says, it is there
	return raw.Sequence, h, m.Get(headerPublisher), nil
}

// headersOf writes a frame's header, padded to a multiple of eight bytes.
func headersOf(h frame.Header) nats.Header {
	header := nats.Header{
		frame.HeaderSource: {h.Source},
		frame.HeaderBoot:   {h.Boot},
		frame.HeaderFrame:  {strconv.FormatUint(h.Number, 10)},
	}
	if h.HasCounter {
		header[frame.HeaderCounter] = []string{strconv.FormatUint(h.Counter, 10)}
	}
	pad(header)
	return header
}

// pad makes the length of a message's headers a multiple of eight bytes.
func pad(header nats.Header) {
	// "NATS/1.0", an empty line, and what the client adds below.
	length := len("NATS/1.0\r\n\r\n") + len(": \r\n") + len(headerPad)
	for key, values := range header {
		if key != headerPad {
			length += len(key) + len(": \r\n") + len(values[0])
		}
	}
	header[headerPad] = []string{zeros[:8-length%8]}
}

const zeros = "00000000"

// NewEventID is random text for an event.
func NewEventID() string { return rand.Text() }

// eventAttempt is how long an event waits for its acknowledgement. A disk that is
// behind takes long for what goes before it, and nobody sends an event again: it is
// longer than for a frame, and less than people wait for an answer.
const eventAttempt = 20 * time.Second

// PublishEvent appends an event, which is JSON, under its id, and waits until
// the server has acknowledged it. After an error other than ErrFull it may be
// there all the same: send it again under the same id.
func (j *Journal) PublishEvent(ctx context.Context, id string, event []byte) (seq uint64, err error) {
	if id == "" {
		return 0, errors.New("publish event: it has no id")
	}
	ctx, cancel := context.WithTimeout(ctx, eventAttempt)
	defer cancel()
	ack, err := j.conn.js.PublishMsg(ctx, &nats.Msg{
		Subject: j.names.event(), Header: nats.Header{HeaderEventID: {id}}, Data: event,
	})
	if err != nil {
		return 0, fmt.Errorf("publish event %s: %w", id, refusal(err))
	}
	return ack.Sequence, nil
}

// PublishToAll appends one event to the journals of several groups under one
// id. The error joins those of the groups that do not have it: send it again
// under the same id, and the others see a repetition.
func PublishToAll(ctx context.Context, journals []*Journal, id string, event []byte) error {
	var errs []error
	for _, j := range journals {
		if _, err := j.PublishEvent(ctx, id, event); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", j.names.stream, err))
		}
	}
	return errors.Join(errs...)
}

// Codes of the server's errors that mean that it has no room: its resources,
// those of the account, and a store that failed (which may have other reasons).
const (
	codeInsufficient = 10023
	codeStorage      = 10047
	codeStoreFailed  = 10077
)

// refusal marks the server's ways of saying that it is full as ErrFull.
func refusal(err error) error {
	var api *jetstream.APIError
	if !errors.As(err, &api) {
		return unconnected(err)
	}
	text := strings.ToLower(api.Description)
	full := strings.Contains(text, "maximum bytes") || strings.Contains(text, "no space")
	switch int(api.ErrorCode) {
	case codeInsufficient, codeStorage:
		full = true
	case codeStoreFailed:
	default:
		full = false
	}
	if full {
		return fmt.Errorf("%w: %w", ErrFull, err)
	}
	return err
}
