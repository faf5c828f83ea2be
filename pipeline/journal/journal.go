package journal

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Group describes the journal of one group.
type Group struct {
	Test, Name string
	Sources    []string // that may publish frames
	MaxBytes   int64    // of the journal; above 0

	// Replicas is on how many machines of a cluster the journal is kept: 0 is
	// 1 in an embedded server and 3 in one of others. There, 1 needs the word
	// AllowOneReplica.
	Replicas        int
	AllowOneReplica bool

	// Calibration is the digest of what a new journal begins with: its first
	// message names it. A journal that is there keeps what it says.
	Calibration string
}

// identityKey is where a stream's metadata keep the identity, which stays when
// the first message is trimmed.
const identityKey = "glueline-identity"

// Journal is the journal of one group. It may be used by several goroutines.
type Journal struct {
	conn     *Conn
	names    names
	identity string
	sources  map[string]string // by the token in their subject

	quarantineBytes int64
}

// Open opens the journal of a group, makes it where there is none, and makes
// the declared sources, limit and replicas those of the description. Messages
// of sources that are not declared any more stay. A stream that is set up in a
// way that could lose or reorder messages is ErrConfig and stays as it is.
func Open(ctx context.Context, conn *Conn, g Group) (*Journal, error) {
	j, err := open(ctx, conn, g)
	if err != nil {
		return nil, fmt.Errorf("open journal of test %q, group %q: %w", g.Test, g.Name, err)
	}
	return j, nil
}

func open(ctx context.Context, conn *Conn, g Group) (*Journal, error) {
	if g.Test == "" || g.Name == "" || len(g.Sources) == 0 || slices.Contains(g.Sources, "") || g.MaxBytes <= 0 || g.Replicas < 0 {
		return nil, errors.New("test, group, sources and a limit in bytes must be given")
	}
	copies, err := g.copies(conn)
	if err != nil {
		return nil, err
	}
	g.Replicas = copies
	n := namesOf(g.Test, g.Name)
	want := g.config(n)
	stream, err := conn.lookUp(ctx, n.stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		want.Metadata = map[string]string{identityKey: rand.Text()}
		stream, err = conn.js.CreateStream(ctx, want)
		if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) { // made meanwhile by another
			stream, err = conn.lookUp(ctx, n.stream)
		}
	}
	if err != nil {
		return nil, alone(err)
	}
	have := stream.CachedInfo().Config
	if faults := unfit(have); len(faults) > 0 {
		return nil, fmt.Errorf("%w: %s: %s", ErrConfig, n.stream, strings.Join(faults, ", "))
	}
	identity := have.Metadata[identityKey]
	if identity == "" {
		return nil, fmt.Errorf("%w: %s has no identity; it was not made by this program", ErrConfig, n.stream)
	}
	if !slices.Equal(slices.Sorted(slices.Values(have.Subjects)), want.Subjects) || have.MaxBytes != want.MaxBytes ||
		have.Replicas != want.Replicas || have.Duplicates != want.Duplicates {
		changed := have
		changed.Subjects, changed.MaxBytes, changed.Replicas, changed.Duplicates = want.Subjects, want.MaxBytes, want.Replicas, want.Duplicates
		if _, err := conn.js.UpdateStream(ctx, changed); err != nil {
			return nil, fmt.Errorf("change %s: %w", n.stream, alone(err))
		}
	}
	j := &Journal{conn: conn, names: n, identity: identity, sources: map[string]string{}, quarantineBytes: min(g.MaxBytes, 64<<20)}
	for _, s := range g.Sources {
		j.sources[token(s)] = s
	}
	return j, j.begin(ctx, g)
}

// copies is on how many machines the streams of a group are kept.
func (g *Group) copies(conn *Conn) (int, error) {
	allowed := conn.embedded || g.AllowOneReplica
	switch {
	case g.Replicas == 1 && !allowed:
		return 0, ErrOneReplica
	case g.Replicas != 0:
		return g.Replicas, nil
	case allowed:
		return 1, nil
	}
	return 3, nil
}

// Attach opens the journal of a group for publishing and reading, as it was
// set up by whoever owns it: ErrNoJournal when there is none.
func Attach(ctx context.Context, conn *Conn, test, group string) (*Journal, error) {
	n := namesOf(test, group)
	stream, err := conn.lookUp(ctx, n.stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		err = fmt.Errorf("%w: %w", ErrNoJournal, err)
	}
	if err != nil {
		return nil, fmt.Errorf("attach to journal of test %q, group %q: %w", test, group, err)
	}
	have := stream.CachedInfo().Config
	j := &Journal{conn: conn, names: n, identity: have.Metadata[identityKey], sources: map[string]string{}, quarantineBytes: min(max(have.MaxBytes, 1<<20), 64<<20)}
	for _, subject := range have.Subjects {
		if t, ok := strings.CutPrefix(subject, n.prefix+"frame."); ok {
			if j.sources[t], ok = untoken(t); !ok {
				j.sources[t] = t // a long name, of which only this is known
			}
		}
	}
	if j.identity == "" {
		return nil, fmt.Errorf("attach to journal of test %q, group %q: %w: it has no identity", test, group, ErrConfig)
	}
	return j, nil
}

// config is how a journal's stream is set up. Bytes are the only limit: mixed
// limits have lost data without a word. The window in which the server looks
// for repeated ids, whose memory grows with their number, is the shortest that
// there is: a Pipeline's ids are for order alone.
func (g Group) config(n names) jetstream.StreamConfig {
	subjects := []string{n.control(), n.event()}
	for _, s := range g.Sources {
		subjects = append(subjects, n.frame(s))
	}
	slices.Sort(subjects)
	return jetstream.StreamConfig{
		Name:        n.stream,
		Description: fmt.Sprintf("journal of test %q, group %q", g.Test, g.Name),
		Subjects:    slices.Compact(subjects),
		Storage:     jetstream.FileStorage,
		Retention:   jetstream.LimitsPolicy,
		Discard:     jetstream.DiscardNew,
		MaxBytes:    g.MaxBytes,
		Duplicates:  100 * time.Millisecond,
		Replicas:    g.Replicas,
		AllowDirect: true,
	}
}

// unfit lists what of a stream's set-up could lose, hide or reorder messages.
func unfit(c jetstream.StreamConfig) []string {
	var faults []string
	check := func(ok bool, format string, v ...any) {
		if !ok {
			faults = append(faults, fmt.Sprintf(format, v...))
		}
	}
	check(c.Storage == jetstream.FileStorage, "storage is %s, not file", c.Storage)
	check(c.Retention == jetstream.LimitsPolicy, "retention is %s, not limits", c.Retention)
	check(c.Discard == jetstream.DiscardNew, "discard is %s, not new", c.Discard)
	check(c.MaxMsgs <= 0, "at most %d messages", c.MaxMsgs)
	check(c.MaxMsgsPerSubject <= 0, "at most %d messages a subject", c.MaxMsgsPerSubject)
	check(c.MaxAge <= 0, "messages end after %v", c.MaxAge)
	check(c.MaxMsgSize <= 0, "messages have at most %d bytes", c.MaxMsgSize)
	check(!c.Sealed, "it is sealed")
	check(!c.NoAck, "it does not acknowledge")
	check(!c.DenyPurge, "it cannot be trimmed")
	check(!c.AllowRollup, "messages may replace others")
	check(c.AllowDirect, "messages cannot be read directly")
	check(c.Mirror == nil && len(c.Sources) == 0, "it is fed by other streams")
	check(c.SubjectTransform == nil, "it renames subjects")
	return faults
}

// beginning is the first message of a journal.
type beginning struct {
	Identity    string `json:"identity"`
	Test        string `json:"test"`
	Group       string `json:"group"`
	Calibration string `json:"calibration,omitempty"`
}

// Calibration is the digest that the first message of a journal names, "" for
// any other message.
func (m *Message) Calibration() string {
	var b beginning
	if m.Kind != ControlMessage || json.Unmarshal(m.Data, &b) != nil {
		return ""
	}
	return b.Calibration
}

// begin writes the first message of a new journal. Of several that try, one
// does; one that was killed before is made up for.
func (j *Journal) begin(ctx context.Context, g Group) error {
	state, err := j.State(ctx)
	if err != nil || state.Last > 0 {
		return err
	}
	data, err := json.Marshal(beginning{j.identity, g.Test, g.Name, g.Calibration})
	if err != nil {
		return err
	}
	_, err = j.conn.js.PublishMsg(ctx, &nats.Msg{Subject: j.names.control(), Data: data}, jetstream.WithExpectLastSequence(0))
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence {
		return nil
	}
	return refusal(err)
}

// Identity is random text that no other journal has, also not one of the same
// name made later.
func (j *Journal) Identity() string { return j.identity }

// Sources are the declared ones, in order of their names.
func (j *Journal) Sources() []string { return slices.Sorted(maps.Values(j.sources)) }

// State is what a journal holds.
type State struct {
	First, Last uint64 // sequences; First is Last+1 when nothing is left
	Bytes       int64  // held
	MaxBytes    int64  // limit
	Replicas    int
	Storage     string
	Subjects    []string
}

func (s State) String() string {
	return fmt.Sprintf("messages %d to %d, %d of %d bytes, %d replica(s), %s storage, full journals refuse, subjects %s",
		s.First, s.Last, s.Bytes, s.MaxBytes, s.Replicas, s.Storage, strings.Join(s.Subjects, " "))
}

// State asks the server. ErrNoJournal and ErrIdentity when the journal is gone
// or another has taken its place.
func (j *Journal) State(ctx context.Context) (State, error) {
	info, err := j.info(ctx)
	if err != nil {
		return State{}, err
	}
	return State{
		First: info.State.FirstSeq, Last: info.State.LastSeq, Bytes: int64(info.State.Bytes),
		MaxBytes: info.Config.MaxBytes, Replicas: info.Config.Replicas,
		Storage: strings.ToLower(info.Config.Storage.String()), Subjects: info.Config.Subjects,
	}, nil
}

// Probe is State without the answer, for Server.Watch.
func (j *Journal) Probe(ctx context.Context) error {
	_, err := j.State(ctx)
	return err
}

func (j *Journal) info(ctx context.Context) (*jetstream.StreamInfo, error) {
	stream, err := j.stream(ctx)
	if err != nil {
		return nil, err
	}
	return stream.CachedInfo(), nil
}

// stream looks the stream up anew, and makes sure that it is this journal.
func (j *Journal) stream(ctx context.Context) (jetstream.Stream, error) {
	stream, err := j.conn.lookUp(ctx, j.names.stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil, fmt.Errorf("%w: %s", ErrNoJournal, j.names.stream)
	}
	if err != nil {
		return nil, fmt.Errorf("ask for the journal %s: %w", j.names.stream, err)
	}
	if is := stream.CachedInfo().Config.Metadata[identityKey]; is != j.identity {
		return nil, fmt.Errorf("%w: %s is %q, was %q", ErrIdentity, j.names.stream, is, j.identity)
	}
	return stream, nil
}

// Trim drops the messages below a sequence, but never the last one.
func (j *Journal) Trim(ctx context.Context, below uint64) error {
	stream, err := j.stream(ctx)
	if err != nil {
		return fmt.Errorf("trim: %w", err)
	}
	state := stream.CachedInfo().State
	below = min(below, state.LastSeq)
	if below <= state.FirstSeq {
		return nil
	}
	if err := stream.Purge(ctx, jetstream.WithPurgeSequence(below)); err != nil {
		return fmt.Errorf("trim the journal below %d: %w", below, err)
	}
	return nil
}

// SetLimit sets the limit in bytes, for example to what the journal holds when
// the disk runs out: then it refuses what is new, with a reason, before the
// disk is full. Nothing is dropped, however low the limit.
func (j *Journal) SetLimit(ctx context.Context, bytes int64) error {
	if bytes <= 0 {
		return fmt.Errorf("set the journal's limit: %d bytes is none", bytes)
	}
	info, err := j.info(ctx)
	if err != nil {
		return fmt.Errorf("set the journal's limit: %w", err)
	}
	config := info.Config
	if config.MaxBytes == bytes {
		return nil
	}
	if config.Discard != jetstream.DiscardNew {
		return fmt.Errorf("set the journal's limit: %w: it would drop messages", ErrConfig)
	}
	config.MaxBytes = bytes
	if _, err := j.conn.js.UpdateStream(ctx, config); err != nil {
		return fmt.Errorf("set the journal's limit to %d bytes: %w", bytes, err)
	}
	return nil
}
