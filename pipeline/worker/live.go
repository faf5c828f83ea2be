package worker

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"sync"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
)

// Messages gives the messages of a group's journal in order; it waits for the
// next one.
type Messages interface {
	Next(ctx context.Context) (journal.Message, error)
}

// Live carries a group's journal through the pure function to the archive and
// the sinks, from behind the archive's newest cut on.
type Live struct {
	Plan       *group.Plan
	Identity   string          // of the journal
	State      json.RawMessage // behind the newest cut; nil at the beginning
	Archive    Archive
	Sinks      []Sink
	Quarantine func(ctx context.Context, m journal.Message, reason frame.Reason, detail string) error
	Committed  func(End) // after a cut is durable; may be nil
	CutBytes   int64     // of raw readings; 0 is CutBytes. Another size, other files

	// Uncut is told behind each message how many bytes of the journal no cut holds
	// yet, so that its owner can ask for one, by an event; may be nil.
	Uncut func(bytes int64)

	// Plans gives the plan of a calibration that the journal names, by its
	// digest; nil where there is but one. Plan is that of State, or holds until
	// the journal names one.
	Plans    func(digest string) (*group.Plan, error)
	Progress *Progress // may be nil
	Log      *slog.Logger

	looking  sync.Mutex // held while the reducer works, or is looked at
	state    state
	plan     *group.Plan // in force
	reducer  *group.Reducer
	hands    *hands
	decoder  *frame.WireDecoder
	rawBytes int64
	uncut    int64 // bytes of the journal since the newest cut
	end      End
	ready    chan item
	free     chan *group.Batch
	spare    []*group.Batch // that were free, the newest last
	batches  int            // that were made
	refused  map[refusal]uint64
}

// item is a frame with its batch, an event, or a cut, on its way to the files.
type item struct {
	frame *frame.Frame
	batch *group.Batch
	place uint64
	event *PlacedEvent
	cut   *End
	zeros []group.ZeroInForce
	plan  *group.Plan // what follows is of this one
}

// liveBatches bounds what waits between reduction and files: frames of at most
// a quarter of a megabyte and what is made of them.
const liveBatches = 64

// catchingUp is how old a message is, at least, of a journal that is caught up with.
const catchingUp = 5 * time.Second

// Run works until ctx ends, which is no error, something fails, or what follows
// goes into another revision, which is ErrRevision. What no cut has made durable
// is dropped then and comes again from the journal.
func (l *Live) Run(ctx context.Context, messages Messages) error {
	reducer, err := l.state.reducer(l.Plan, l.State)
	if err != nil {
		return fmt.Errorf("group %s: %w", l.Plan.Name, err)
	}
	l.hands = newHands()
	defer l.hands.Close()
	l.reduceWith(reducer)
	l.plan = l.Plan
	l.decoder = frame.NewWireDecoder(l.plan.Sources())
	l.rawBytes, l.uncut = 0, 0
	l.end = End{First: l.state.Place + 1, Calibration: l.state.Calibration, Revision: l.state.Revision}
	l.Progress.ends() // what no cut holds comes again
	l.ready = make(chan item, liveBatches)
	l.free, l.spare, l.batches = make(chan *group.Batch, liveBatches), nil, 0
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	written := make(chan error, 1)
	go func() {
		err := l.write()
		cancel()
		for i := range l.ready {
			l.done(i)
		}
		written <- err
	}()
	for err == nil {
		var m journal.Message
		if m, err = messages.Next(ctx); err == nil {
			err = l.message(ctx, &m)
		}
	}
	close(l.ready)
	writeErr := <-written
	abortErr := l.Archive.Abort()
	for _, s := range l.Sinks {
		abortErr = errors.Join(abortErr, s.Abort())
	}
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		err = nil // asked to end, by the caller or because writing failed
	}
	if err = errors.Join(err, writeErr, abortErr); err != nil {
		return fmt.Errorf("group %s: %w", l.Plan.Name, err)
	}
	return nil
}

// reduceWith has a reducer take what follows.
func (l *Live) reduceWith(r *group.Reducer) {
	l.looking.Lock()
	l.reducer = r
	l.looking.Unlock()
}

// Look shows what the group's reducer knows, between two messages: look must
// be quick and keep nothing of it. Before Run began there is nothing to see.
func (l *Live) Look(look func(*group.Reducer)) {
	l.looking.Lock()
	defer l.looking.Unlock()
	if l.reducer != nil {
		look(l.reducer)
	}
}

// message takes one message of the journal.
func (l *Live) message(ctx context.Context, m *journal.Message) error {
	if l.end.Journal.First == 0 {
		l.end.Journal.First = m.Seq
	}
	cut := false
	var next *calibration
	var err error
	switch m.Kind {
	case journal.FrameMessage:
		cut, err = l.frame(ctx, m)
	case journal.EventMessage:
		cut, next, err = l.event(ctx, m)
	case journal.ControlMessage:
		// Nothing came before it that would have to end.
		if next, err = l.named(m.Calibration()); err == nil && next != nil {
			err = l.use(ctx, next)
		}
		next = nil
	default:
		err = l.refuse(ctx, m, "unknown-subject", m.Subject)
	}
	if err != nil {
		return err
	}
	l.Progress.message(m)
	l.uncut += m.Size()
	if cut {
		l.uncut = 0
	}
	if l.Uncut != nil {
		l.Uncut(l.uncut)
	}
	if cut {
		err = l.cut(ctx, m, next)
	}
	return err
}

func (l *Live) refuse(ctx context.Context, m *journal.Message, reason, detail string) error {
	if n := l.count(m.Source, reason); isRound(n) {
		l.Log.Warn("messages are refused; glueline quarantine lists them and says what to do",
			"group", l.Plan.Name, "sequence", m.Seq, "source", m.Source, "reason", reason, "detail", detail, "so far", n)
	}
	if err := l.Quarantine(ctx, *m, frame.Reason(reason), detail); err != nil {
		return fmt.Errorf("quarantine of message %d: %w", m.Seq, err)
	}
	l.end.Refused = append(l.end.Refused, Refused{m.Seq, reason})
	l.Progress.refused(m.Source, reason)
	return nil
}

// count counts what is refused, of a source and for a reason.
func (l *Live) count(source, reason string) uint64 {
	if l.refused == nil {
		l.refused = map[refusal]uint64{}
	}
	of := refusal{source, reason}
	l.refused[of]++
	return l.refused[of]
}

// isRound says whether a count is one that is told: 1, 10, 100 and so on. A
// publisher that is set up wrongly has every frame refused.
func isRound(n uint64) bool {
	for n >= 10 && n%10 == 0 {
		n /= 10
	}
	return n == 1
}

// frame decodes, orders and reduces a frame. It reports whether its raw bytes
// make the cut full.
func (l *Live) frame(ctx context.Context, m *journal.Message) (full bool, err error) {
	if why := m.Get(journal.HeaderNoFrame); why != "" {
		return false, l.refuse(ctx, m, "no-frame", why)
	}
	header, err := m.FrameHeader()
	if err != nil {
		return false, l.refuseWire(ctx, m, err)
	}
	f, err := l.decoder.Decode(m.Data, header)
	if err != nil {
		return false, l.refuseWire(ctx, m, err)
	}
	if f.Counted = header.HasCounter; !f.Counted {
		f.Counter = 0 // what the decoder counted itself begins anew with it, at a restart
	}
	order := l.state.order(f.Source)
	before := order.Boot
	switch v := order.take(f.Boot, f.Number); v {
	case repeated:
		// What was sent again is no newer than what came: other rows under a number
		// that is used are not dropped for a repeat.
		if newest, ok := l.reducer.Newest(f.Source); ok && f.Time[0] > newest {
			return false, l.refuse(ctx, m, "number-used", fmt.Sprintf("frame %d of boot %q came before, with other rows: these begin at %s, behind all that had come",
				f.Number, f.Boot, time.Unix(0, f.Time[0]).UTC().Format(time.RFC3339Nano)))
		}
		l.end.Repeated++
		l.Progress.repeated()
		return false, nil
	case tooOld:
		return false, l.refuse(ctx, m, "too-old", fmt.Sprintf("frame %d comes more than %d frames late", f.Number, seenBack))
	case oldBoot:
		return false, l.refuse(ctx, m, "former-boot", fmt.Sprintf("boot %q was followed by another", f.Boot))
	default:
		f.Late = v == takenLate
		if before != "" && before != f.Boot {
			l.Progress.boot(f.Source, m.Stored)
		}
	}
	b, err := l.batch(ctx)
	if err != nil {
		return false, err
	}
	l.looking.Lock()
	// Beside readings that have just come, the other processors are the broker's and
	// the other groups'; what lies in the journal for long is made up for by all.
	if l.reducer.Spread(nil); time.Since(m.Stored) > catchingUp {
		l.reducer.Spread(l.hands)
	}
	err = l.reducer.Reduce(f, b)
	l.looking.Unlock()
	if err != nil {
		l.free <- b
		if !errors.Is(err, group.ErrFrame) {
			return false, err
		}
		return false, l.refuse(ctx, m, "unfit", err.Error())
	}
	l.state.Place++
	source, rows, newest := f.Source, f.Rows(), f.Time[f.Rows()-1]
	l.rawBytes += int64(rows * rowBytes(f))
	if err := l.send(ctx, item{frame: f, batch: b, place: l.state.Place}); err != nil {
		return false, err
	}
	l.Progress.frame(source, rows, newest, m.Stored)
	return l.rawBytes >= l.cutBytes(), nil
}

// batch returns a batch that is free: the newest to become so, which is still in
// the processor's cache. One is made only when none is, and the files have had
// the chance to be done with one.
func (l *Live) batch(ctx context.Context) (*group.Batch, error) {
	l.takeFree()
	if len(l.spare) == 0 && l.batches > 0 {
		runtime.Gosched()
		l.takeFree()
	}
	if n := len(l.spare); n > 0 {
		b := l.spare[n-1]
		l.spare = l.spare[:n-1]
		return b, nil
	}
	if l.batches < liveBatches {
		l.batches++
		return new(group.Batch), nil
	}
	select {
	case b := <-l.free:
		return b, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// takeFree takes what has become free.
func (l *Live) takeFree() {
	for {
		select {
		case b := <-l.free:
			l.spare = append(l.spare, b)
		default:
			return
		}
	}
}

func (l *Live) cutBytes() int64 {
	if l.CutBytes > 0 {
		return l.CutBytes
	}
	return CutBytes
}

func (l *Live) refuseWire(ctx context.Context, m *journal.Message, err error) error {
	reason := "malformed"
	if wire := (*frame.WireError)(nil); errors.As(err, &wire) {
		reason = string(wire.Reason)
	}
	return l.refuse(ctx, m, reason, err.Error())
}

// event takes an event; it reports whether it asks for a cut, and which
// calibration holds behind that.
func (l *Live) event(ctx context.Context, m *journal.Message) (cut bool, next *calibration, err error) {
	e, err := event.Parse(m.Data)
	if err != nil {
		return false, nil, l.refuse(ctx, m, "event", err.Error())
	}
	id := m.Get(journal.HeaderEventID)
	if l.state.repeats(id) {
		l.end.Repeated++
		l.Progress.repeated()
		return false, nil, nil
	}
	if e.Event == event.Calibration {
		if !isDigest(e.Digest) {
			return false, nil, l.refuse(ctx, m, "event", fmt.Sprintf("calibration of the digest %q, which is none", e.Digest))
		}
		next, err = l.revised(e.Digest, e.Revision)
		if errors.Is(err, ErrPassOver) {
			return false, nil, l.refuse(ctx, m, "event", fmt.Sprintf("calibration %s, by %q: passed over", e.Digest, e.Who))
		}
		if err != nil {
			return false, nil, fmt.Errorf("message %d, an event of %s by %q: %w", m.Seq, m.Stored.UTC().Format(time.RFC3339), e.Who, err)
		}
	}
	l.state.Place++
	l.looking.Lock()
	takeEvent(l.reducer, e)
	l.looking.Unlock()
	return e.Event == event.Cut || next != nil, next, l.send(ctx, item{event: &PlacedEvent{l.state.Place, id, e}})
}

// cut ends the files of the group behind a message; what follows is of another
// calibration when next is not nil.
func (l *Live) cut(ctx context.Context, m *journal.Message, next *calibration) error {
	end := l.end
	end.Last = l.state.Place
	end.CutBytes = l.cutBytes()
	another := next != nil && next.revision != l.state.Revision
	if next != nil {
		l.state.Calibration, l.state.Revision = next.digest, next.revision
	}
	hash := m.Hash()
	end.Journal = Range{Identity: l.Identity, First: l.end.Journal.First, Last: m.Seq, LastHash: hex.EncodeToString(hash[:])}
	var err error
	if end.State, err = l.state.with(l.reducer.State()); err != nil {
		return fmt.Errorf("state of group %s: %w", l.Plan.Name, err)
	}
	l.end = End{First: end.Last + 1, Calibration: l.state.Calibration, Revision: l.state.Revision}
	l.rawBytes = 0
	l.Progress.ends()
	if err := l.send(ctx, item{cut: &end, zeros: l.reducer.Zeros()}); err != nil || next == nil {
		return err
	}
	if another {
		return ErrRevision
	}
	return l.use(ctx, next)
}

func (l *Live) send(ctx context.Context, i item) error {
	select {
	case l.ready <- i:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// write takes what is ready to the files.
func (l *Live) write() error {
	for i := range l.ready {
		if err := l.writeItem(&i); err != nil {
			return err
		}
	}
	return nil
}

func (l *Live) writeItem(i *item) error {
	defer l.done(*i)
	switch {
	case i.event != nil:
		l.Archive.Event(*i.event)
		tell(l.Sinks, i.event.Event)
	case i.plan != nil:
		use(l.Sinks, i.plan)
	case i.cut != nil:
		// The raw archive's record is the position that a restart goes on
		// from, so the reduced files are complete before it is.
		for _, s := range l.Sinks {
			if err := s.Cut(i.zeros); err != nil {
				return err
			}
		}
		if err := l.Archive.Cut(*i.cut); err != nil {
			return err
		}
		l.Progress.cut(i.cut)
		if l.Committed != nil {
			l.Committed(*i.cut)
		}
	default:
		if err := l.Archive.Append(i.frame, i.place); err != nil {
			return err
		}
		for _, s := range l.Sinks {
			if err := s.Append(i.batch); err != nil {
				return err
			}
		}
	}
	return nil
}

func (l *Live) done(i item) {
	if i.frame != nil {
		i.frame.Release()
		l.free <- i.batch
	}
}
