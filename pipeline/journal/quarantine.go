package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"glueline/pipeline/frame"
)

// Headers of a message in quarantine, beside those that it had.
const (
	headerJournal = "Glueline-Refused-Journal" // identity of the journal
	headerSeq     = "Glueline-Refused-Seq"
	headerSubject = "Glueline-Refused-Subject"
	headerReason  = "Glueline-Refused-Reason"
	headerDetail  = "Glueline-Refused-Detail"
	headerCut     = "Glueline-Refused-Cut" // bytes of the data that did not fit
)

// Room that a message's data leave for its headers, within the server's bound.
const (
	maxMessage  = 1 << 20
	maxHeaders  = 16 << 10
	headerBound = 1 << 10 // of a header's value
)

// Refused is a message that was refused, as the quarantine keeps it.
type Refused struct {
	Number  uint64 // in the quarantine, for Show
	Journal string // identity of the journal that it was in
	Seq     uint64 // there
	Subject string
	Reason  frame.Reason
	Detail  string
	Header  map[string][]string // of the message
	Data    []byte              // only by Show
	Cut     int                 // bytes missing at the end of Data
	Stored  time.Time           // when it was refused, by the server's clock
}

// Quarantine keeps a refused message beside the journal. It may be called
// again for the same message, which is kept once. The quarantine is bounded in
// bytes, by the lesser of the journal's limit and 64 MiB: it drops the oldest,
// which holds nobody up; the message itself stays in the journal until that is
// trimmed.
func (j *Journal) Quarantine(ctx context.Context, m Message, reason frame.Reason, detail string) error {
	if err := j.quarantine(ctx, m, reason, detail); err != nil {
		return fmt.Errorf("keep message %d in quarantine: %w", m.Seq, err)
	}
	return nil
}

func (j *Journal) quarantine(ctx context.Context, m Message, reason frame.Reason, detail string) error {
	info, err := j.info(ctx)
	if err != nil {
		return err
	}
	_, err = j.conn.lookUp(ctx, j.names.quarantineStream())
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		_, err = j.conn.js.CreateStream(ctx, jetstream.StreamConfig{
			Name:        j.names.quarantineStream(),
			Description: "messages that were refused; " + info.Config.Description,
			Subjects:    []string{j.names.quarantineSubjects()},
			Storage:     jetstream.FileStorage,
			Discard:     jetstream.DiscardOld,
			MaxBytes:    j.quarantineBytes,
			Replicas:    info.Config.Replicas,
			AllowDirect: true,
		})
	}
	if err != nil {
		return err
	}
	header := nats.Header{
		headerJournal: {j.identity},
		headerSeq:     {strconv.FormatUint(m.Seq, 10)},
		headerSubject: {bound(m.Subject)},
		headerReason:  {string(reason)},
		headerDetail:  {bound(detail)},
	}
	for _, key := range []string{frame.HeaderSource, frame.HeaderBoot, frame.HeaderFrame, frame.HeaderCounter, HeaderEventID} {
		if v := m.Get(key); v != "" {
			header[key] = []string{bound(v)}
		}
	}
	data := m.Data
	if over := len(data) - (maxMessage - maxHeaders); over > 0 {
		data = data[:len(data)-over]
		header[headerCut] = []string{strconv.Itoa(over)}
	}
	_, err = j.conn.js.PublishMsg(ctx,
		&nats.Msg{Subject: j.names.quarantined(j.identity, m.Seq), Header: header, Data: data},
		jetstream.WithExpectLastSequencePerSubject(0)) // it is kept once
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence {
		return nil
	}
	return refusal(err)
}

// bound makes text fit for a header: of one line, and not too long.
func bound(text string) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
	for len(text) > headerBound {
		text = strings.ToValidUTF8(text[:headerBound], "")
	}
	return strings.TrimSpace(text)
}

// RefusalOf returns why the message of a sequence was refused, and whether it
// was, so far: whoever reads the journal may not have come to it.
func (j *Journal) RefusalOf(ctx context.Context, seq uint64) (r Refused, refusedIt bool, err error) {
	stream, err := j.conn.lookUp(ctx, j.names.quarantineStream())
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return r, false, nil
	}
	if err != nil {
		return r, false, fmt.Errorf("look for message %d in quarantine: %w", seq, err)
	}
	raw, err := stream.GetLastMsgForSubject(ctx, j.names.quarantined(j.identity, seq))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return r, false, nil
	}
	if err != nil {
		return r, false, fmt.Errorf("look for message %d in quarantine: %w", seq, err)
	}
	return refused(raw.Sequence, raw.Header, raw.Data, raw.Time), true, nil
}

// Refusals lists what the quarantine holds, oldest first, without the data.
func (j *Journal) Refusals(ctx context.Context) ([]Refused, error) {
	all, err := j.refusals(ctx)
	if err != nil {
		return nil, fmt.Errorf("list the quarantine: %w", err)
	}
	return all, nil
}

func (j *Journal) refusals(ctx context.Context) ([]Refused, error) {
	stream, err := j.conn.lookUp(ctx, j.names.quarantineStream())
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	state := stream.CachedInfo().State
	if state.Msgs == 0 {
		return nil, nil
	}
	consumer, err := stream.CreateConsumer(ctx, jetstream.ConsumerConfig{
		AckPolicy: jetstream.AckNonePolicy, MemoryStorage: true, Replicas: 1, HeadersOnly: true, InactiveThreshold: forgotten,
	})
	if err != nil {
		return nil, err
	}
	messages, err := consumer.Messages(jetstream.PullExpiry(5*heartbeat), jetstream.PullHeartbeat(heartbeat))
	if err != nil {
		return nil, err
	}
	defer messages.Stop()
	var all []Refused
	for {
		raw, err := messages.Next(jetstream.NextContext(ctx))
		if err != nil {
			return nil, err
		}
		about, err := raw.Metadata()
		if err != nil {
			return nil, err
		}
		all = append(all, refused(about.Sequence.Stream, raw.Headers(), nil, about.Timestamp))
		if about.NumPending == 0 || about.Sequence.Stream >= state.LastSeq {
			return all, stream.DeleteConsumer(ctx, consumer.CachedInfo().Name)
		}
	}
}

// Show is one message of the quarantine, with its data. ErrGap when the
// quarantine has no such number, or no more.
func (j *Journal) Show(ctx context.Context, number uint64) (Refused, error) {
	stream, err := j.conn.lookUp(ctx, j.names.quarantineStream())
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return Refused{}, fmt.Errorf("show %d of the quarantine: %w: it is empty", number, ErrGap)
	}
	if err != nil {
		return Refused{}, fmt.Errorf("show %d of the quarantine: %w", number, err)
	}
	raw, err := stream.GetMsg(ctx, number)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		err = ErrGap
	}
	if err != nil {
		return Refused{}, fmt.Errorf("show %d of the quarantine: %w", number, err)
	}
	return refused(raw.Sequence, raw.Header, raw.Data, raw.Time), nil
}

func refused(number uint64, header nats.Header, data []byte, stored time.Time) Refused {
	seq, _ := strconv.ParseUint(header.Get(headerSeq), 10, 64) // written by Quarantine
	cut, _ := strconv.Atoi(header.Get(headerCut))
	r := Refused{
		Number: number, Journal: header.Get(headerJournal), Seq: seq, Subject: header.Get(headerSubject),
		Reason: frame.Reason(header.Get(headerReason)), Detail: header.Get(headerDetail),
		Header: map[string][]string{}, Data: data, Cut: cut, Stored: stored,
	}
	for key, values := range header {
		if slices.Contains([]string{frame.HeaderSource, frame.HeaderBoot, frame.HeaderFrame, frame.HeaderCounter, HeaderEventID}, key) {
			r.Header[key] = values
		}
	}
	return r
}

// Again appends a frame of the quarantine to the journal again, as one of
// another boot, if the newest frame of its source there is the one of a
// sequence, 0 for none; else ErrOvertaken. It stays in the quarantine.
func (j *Journal) Again(ctx context.Context, r Refused, boot string, after uint64) (seq uint64, err error) {
	m := Message{Header: r.Header}
	h, err := frame.ParseHeader(m.Get)
	if err == nil && r.Cut > 0 {
		err = fmt.Errorf("%d bytes of it are missing", r.Cut)
	}
	if err != nil {
		return 0, fmt.Errorf("take %d back from quarantine: %w", r.Number, err)
	}
	h.Boot = boot
	return j.PublishAfter(ctx, after, h, r.Data)
}

// Discard drops a message from the quarantine. One that is not there is no
// error.
func (j *Journal) Discard(ctx context.Context, number uint64) error {
	stream, err := j.conn.lookUp(ctx, j.names.quarantineStream())
	if err == nil {
		err = stream.DeleteMsg(ctx, number)
	}
	if err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) && !errors.Is(err, jetstream.ErrMsgNotFound) {
		return fmt.Errorf("drop %d from quarantine: %w", number, err)
	}
	return nil
}
