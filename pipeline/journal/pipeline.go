package journal

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"glueline/pipeline/frame"
)

// Bounds of what a pipeline has in flight.
const (
	pipelineMessages = 1024
	pipelineBytes    = 8 << 20
)

// Pipeline appends messages to a journal without waiting for each, for whoever
// has all of them at hand. They come to stand in the order in which they were
// given, each once.
//
// Every message has an id and names that of the message before, which must be
// the journal's last when it arrives; the first names a sequence. So the journal
// refuses all that follow one that it did not take, or that somebody else's
// message came between. (Sequences alone would not do: of two messages that
// expect the sequences 7 and 8, the second is taken where a third has become
// 8.) Then the journal is asked what it holds, and sending goes on from the
// first that is not there. What is still under way on a connection that broke
// meets the same rule: it comes to stand in its place, or not at all.
//
// A pipeline is for one goroutine.
type Pipeline struct {
	journal *Journal
	inbox   string // with the last point; what follows counts the messages sent
	sub     *nats.Subscription
	answers chan *nats.Msg
	run     string     // begins the ids of its messages
	count   uint64     // of the messages sent
	last    uint64     // sequence of the newest message sent, if it was taken
	chained bool       // the newest message sent was ours: the next names its id
	flying  []inFlight // oldest first
	bytes   int        // of their data
	spare   [][]byte
	done    uint64 // sequence of the newest message that is acknowledged
	closed  bool
	sent    map[string]string // boots, by the source whose frames were sent
	rivals  map[string]string // boots of others, by source
}

// inFlight is a message that is not acknowledged.
type inFlight struct {
	msg   *nats.Msg
	count uint64 // as which it was sent
	seq   uint64 // that it has, if it was taken

	breaks uint64 // of the connection, when it was sent
}

// NewPipeline begins to publish behind the journal's last message.
func (j *Journal) NewPipeline(ctx context.Context) (*Pipeline, error) {
	p := &Pipeline{journal: j, sent: map[string]string{}, rivals: map[string]string{}, run: rand.Text() + ".", inbox: nats.NewInbox() + ".", answers: make(chan *nats.Msg, 4*pipelineMessages)}
	state, err := j.State(ctx)
	if err != nil {
		return nil, fmt.Errorf("begin to publish: %w", err)
	}
	p.last, p.done = state.Last, state.Last
	if p.sub, err = j.conn.nc.ChanSubscribe(p.inbox+"*", p.answers); err != nil {
		return nil, fmt.Errorf("begin to publish: %w", err)
	}
	return p, nil
}

// Frame sends a frame in its wire form, which may be changed afterwards. It
// waits while as much is in flight as may be, or until ctx ends; the error then
// also says what the newest try met, for example ErrFull. A frame for which it
// returned nil is in the journal when Flush returns nil.
func (p *Pipeline) Frame(ctx context.Context, h frame.Header, payload []byte) error {
	if _, declared := p.journal.sources[token(h.Source)]; !declared {
		return fmt.Errorf("publish frame %d: %w: %q", h.Number, ErrUnknownSource, h.Source)
	}
	p.sent[h.Source] = h.Boot
	if err := p.append(ctx, p.journal.names.frame(h.Source), headersOf(h), payload); err != nil {
		return fmt.Errorf("publish frame %d of source %q: %w", h.Number, h.Source, err)
	}
	return nil
}

// Event sends an event, as Frame does a frame.
func (p *Pipeline) Event(ctx context.Context, id string, event []byte) error {
	if id == "" {
		return errors.New("publish event: it has no id")
	}
	if err := p.append(ctx, p.journal.names.event(), nats.Header{HeaderEventID: {id}}, event); err != nil {
		return fmt.Errorf("publish event %s: %w", id, err)
	}
	return nil
}

// Flush waits until everything is acknowledged, or ctx ends, and returns the
// sequence of the newest message.
func (p *Pipeline) Flush(ctx context.Context) (seq uint64, err error) {
	if err := p.drain(ctx, 0, 0); err != nil {
		return 0, fmt.Errorf("flush the pipeline: %d messages %w: %w", len(p.flying), ErrUnsent, err)
	}
	return p.done, nil
}

// Close ends the pipeline. What is in flight may or may not come to stand in
// the journal; Flush goes before. It may be called twice.
func (p *Pipeline) Close() error {
	if p.closed {
		return nil
	}
	p.closed = true
	if err := p.sub.Unsubscribe(); err != nil && !p.journal.conn.over(err) {
		return fmt.Errorf("end the pipeline: %w", err)
	}
	return nil
}

func (p *Pipeline) append(ctx context.Context, subject string, header nats.Header, data []byte) error {
	if p.closed {
		return ErrClosed
	}
	if err := p.drain(ctx, pipelineMessages-1, max(0, pipelineBytes-len(data))); err != nil {
		return err
	}
	var kept []byte
	if n := len(p.spare); n > 0 {
		kept, p.spare = p.spare[n-1], p.spare[:n-1]
	}
	p.flying = append(p.flying, inFlight{msg: &nats.Msg{Subject: subject, Header: header, Data: append(kept[:0], data...)}})
	p.bytes += len(data)
	if err := p.send(&p.flying[len(p.flying)-1]); err != nil {
		return p.recover(ctx, err)
	}
	return nil
}

// send sends a message that is to be the journal's next.
func (p *Pipeline) send(m *inFlight) error {
	p.count++
	m.count, m.seq, m.breaks = p.count, p.last+1, p.journal.conn.breaks.Load()
	p.last = m.seq
	m.msg.Reply = p.inbox + strconv.FormatUint(m.count, 36)
	h := m.msg.Header
	if p.chained {
		delete(h, jetstream.ExpectedLastSeqHeader)
		h[jetstream.ExpectedLastMsgIDHeader] = []string{p.id(m.count - 1)}
	} else {
		delete(h, jetstream.ExpectedLastMsgIDHeader)
		h[jetstream.ExpectedLastSeqHeader] = []string{strconv.FormatUint(m.seq-1, 10)}
	}
	h[jetstream.MsgIDHeader] = []string{p.id(m.count)}
	p.chained = true
	pad(h)
	return p.journal.conn.nc.PublishMsg(m.msg)
}

func (p *Pipeline) id(count uint64) string { return p.run + strconv.FormatUint(count, 36) }

// drain takes answers until no more than so many messages, and bytes, are in
// flight.
func (p *Pipeline) drain(ctx context.Context, messages, bytes int) error {
	var patience *time.Timer
	for len(p.flying) > messages || p.bytes > bytes && len(p.flying) > 0 {
		select {
		case m := <-p.answers:
			if err := p.answered(m); err != nil {
				if err := p.recover(ctx, err); err != nil {
					return err
				}
			}
			continue
		default:
		}
		if patience == nil {
			patience = time.NewTimer(attempt)
			defer patience.Stop()
		} else {
			patience.Reset(attempt)
		}
		select {
		case m := <-p.answers:
			if err := p.answered(m); err != nil {
				if err := p.recover(ctx, err); err != nil {
					return err
				}
			}
		case <-ctx.Done():
			return ctx.Err()
		case <-patience.C:
			if err := p.recover(ctx, errNoAnswer); err != nil {
				return err
			}
		}
	}
	return nil
}

var (
	errNoAnswer = fmt.Errorf("no acknowledgement in %v", attempt)
	errBetween  = errors.New("somebody else's message came between")
)

// answered takes an answer. An acknowledged message vouches for those before
// it: it would have been refused without them.
func (p *Pipeline) answered(m *nats.Msg) error {
	count, err := strconv.ParseUint(strings.TrimPrefix(m.Subject, p.inbox), 36, 64)
	if err != nil || len(p.flying) == 0 || count < p.flying[0].count || count > p.flying[len(p.flying)-1].count {
		return nil // of a message that was sent again since
	}
	if err := p.refused(m); err != nil {
		return err
	}
	p.take(int(count-p.flying[0].count) + 1)
	return nil
}

// codeWrongLastID is the server's error when the journal's last message is not
// the one that was named.
const codeWrongLastID = 10070

// refused reads an answer: nil when it is an acknowledgement.
func (p *Pipeline) refused(m *nats.Msg) error {
	if m.Header.Get("Status") == "503" {
		return nats.ErrNoResponders
	}
	var ack struct {
		Error *jetstream.APIError `json:"error"`
		Seq   uint64              `json:"seq"`
	}
	switch err := json.Unmarshal(m.Data, &ack); {
	case err != nil:
		return fmt.Errorf("the journal's answer: %w", err)
	case ack.Error != nil && (ack.Error.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || ack.Error.ErrorCode == codeWrongLastID):
		return errBetween
	case ack.Error != nil:
		return refusal(ack.Error)
	case ack.Seq == 0:
		return fmt.Errorf("the journal's answer has no sequence: %q", m.Data)
	}
	return nil
}

// take lets go of the oldest messages, which are in the journal.
func (p *Pipeline) take(n int) {
	for i := range p.flying[:n] {
		data := p.flying[i].msg.Data
		p.bytes -= len(data)
		if len(p.spare) < pipelineMessages {
			p.spare = append(p.spare, data)
		}
	}
	p.done = p.flying[n-1].seq
	left := copy(p.flying, p.flying[n:])
	clear(p.flying[left:])
	p.flying = p.flying[:left]
}

// recover finds out which messages in flight the journal has and sends the
// others again, until that has succeeded, or ctx ends, or the journal is gone, or
// the server does not allow it.
func (p *Pipeline) recover(ctx context.Context, why error) (err error) {
	pause, said := firstPause, ""
	defer func() {
		if said != "" && err == nil {
			p.journal.conn.log.Info("publishing goes on")
		}
	}()
	for {
		// The server does not answer what it does not allow.
		if err := p.allowed(); err != nil {
			return err
		}
		if final(why) || p.journal.conn.over(why) || errors.Is(why, nats.ErrMaxPayload) {
			return why
		}
		if !errors.Is(why, errBetween) {
			if text := plainly(why); text != said {
				said = text
				p.journal.conn.log.Warn("waiting for the server; what it has not acknowledged is kept and sent again", "messages", len(p.flying), "because", text)
			}
			select {
			case <-ctx.Done():
			case <-time.After(pause):
			}
			pause = min(2*pause, longestPause)
		}
		if ctx.Err() != nil {
			return errors.Join(ctx.Err(), why)
		}
		held := len(p.flying)
		err = p.again(ctx)
		if err == nil {
			// A refusal that has not passed meets the first message again.
			err = p.first(ctx)
		}
		if err == nil {
			return nil
		}
		if len(p.flying) < held {
			pause = firstPause
		}
		if ctx.Err() == nil {
			why = err
		}
	}
}

// allowed is ErrNotAllowed when the server refused a subject of what is in flight.
func (p *Pipeline) allowed() error {
	for i := range p.flying {
		if err := p.journal.conn.allowed(p.flying[i].msg.Subject); err != nil {
			return err
		}
	}
	return nil
}

// plainly says why nothing is taken, without the client's words for it.
func plainly(why error) string {
	switch {
	case errors.Is(why, nats.ErrReconnectBufExceeded), errors.Is(why, nats.ErrDisconnected), errors.Is(why, nats.ErrConnectionReconnecting):
		return "there is no connection"
	case errors.Is(why, nats.ErrNoResponders):
		return "it does not know the journal yet"
	}
	return why.Error()
}

// again makes out where the journal stands and sends what it lacks.
func (p *Pipeline) again(ctx context.Context) error {
	if len(p.flying) == 0 {
		return nil
	}
	trying, cancel := context.WithTimeout(ctx, attempt)
	defer cancel()
	if err := p.settle(trying); err != nil {
		return err
	}
	if len(p.flying) == 0 {
		return nil
	}
	state, err := p.journal.State(trying)
	if err != nil {
		return err
	}
	if state.Last < p.done {
		return fmt.Errorf("%w: %d is acknowledged, %d is the last", ErrLostTail, p.done, state.Last)
	}
	// Each stands behind the one before, so that the first which is not there
	// can be searched by halves.
	there := sort.Search(len(p.flying), func(i int) bool {
		if err != nil {
			return true
		}
		var same bool
		same, err = p.holds(trying, &p.flying[i], state.Last)
		return !same
	})
	if err != nil {
		return err
	}
	if there > 0 {
		p.take(there)
	}
	if err := p.lookForRivals(trying); err != nil {
		return err
	}
	p.last, p.chained = state.Last, false
	for i := range p.flying {
		if err := p.send(&p.flying[i]); err != nil {
			return err
		}
	}
	return nil
}

// lookForRivals looks whose frames came between those that were acknowledged and
// those that will be sent again.
func (p *Pipeline) lookForRivals(ctx context.Context) error {
	for source, own := range p.sent {
		seq, newest, _, err := p.journal.NewestFrame(ctx, source)
		if err != nil {
			return err
		}
		if seq > p.done && newest.Boot != own {
			p.rivals[source] = newest.Boot
		}
	}
	return nil
}

// Rivals are the sources of whose frames another publisher sent some in between,
// each with the newest boot of the other's. Whoever reads the journal takes the
// frames of one boot at a time, and refuses those of a former one: of the two
// publishers, frames of one are in quarantine.
func (p *Pipeline) Rivals() map[string]string { return maps.Clone(p.rivals) }

// never is a sequence that no journal reaches.
const never = 1 << 62

// settle waits until everything that was sent on this connection is decided: it
// sends a message that is refused for certain, behind all others.
func (p *Pipeline) settle(ctx context.Context) error {
	p.count++
	reply := p.inbox + strconv.FormatUint(p.count, 36)
	fence := &nats.Msg{Subject: p.flying[0].msg.Subject, Reply: reply, Header: nats.Header{
		jetstream.ExpectedLastSeqHeader: {strconv.FormatUint(never, 10)},
	}}
	if err := p.journal.conn.nc.PublishMsg(fence); err != nil {
		return err
	}
	for {
		select {
		case m := <-p.answers:
			if m.Subject != reply {
				// What is acknowledged may be trimmed before the journal is looked at
				// below; what is refused, or not answered, is found there.
				_ = p.answered(m)
				continue
			}
			// Nobody who answers is for the next question to find out.
			if err := p.refused(m); !errors.Is(err, errBetween) && !errors.Is(err, ErrFull) && !errors.Is(err, nats.ErrNoResponders) {
				return err
			}
			return nil
		case <-ctx.Done():
			return errNoAnswer
		}
	}
}

// holds says whether the journal, which reaches to last, has a message in the
// place that it was sent for.
func (p *Pipeline) holds(ctx context.Context, m *inFlight, last uint64) (bool, error) {
	if m.seq == 0 || m.seq > last {
		return false, nil
	}
	there, err := p.journal.At(ctx, m.seq)
	switch {
	case errors.Is(err, ErrGap) && m.breaks == p.journal.conn.breaks.Load():
		// Trimmed. All answers came, and none was that it is there.
		return false, nil
	case err != nil:
		return false, err // also when it was trimmed: nobody can say any more
	}
	own := Message{Subject: m.msg.Subject, Header: m.msg.Header, Data: m.msg.Data}
	return there == own.Hash(), nil
}

// first waits for the answer to the oldest message.
func (p *Pipeline) first(ctx context.Context) error {
	trying, cancel := context.WithTimeout(ctx, attempt)
	defer cancel()
	for held := len(p.flying); held > 0 && len(p.flying) == held; {
		select {
		case m := <-p.answers:
			if err := p.answered(m); err != nil {
				return err
			}
		case <-trying.Done():
			return errNoAnswer
		}
	}
	return nil
}
