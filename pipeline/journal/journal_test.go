package journal

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"glueline/pipeline/frame"
)

func gate() Group {
	return Group{Test: "Hollin Lock", Name: "gate", Sources: []string{"node", "logger 2"}, MaxBytes: 256 << 20, AllowOneReplica: true}
}

func openJournal(t testing.TB, c *Conn) *Journal {
	t.Helper()
	j, err := Open(testContext(t), c, gate())
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func header(number uint64) frame.Header {
	return frame.Header{Source: "node", Boot: "b", Number: number, Counter: 2 * number, HasCounter: true}
}

// rows is a frame of two rows.
func rows(number uint64) *frame.Frame {
	return &frame.Frame{
		Source: "node", Boot: "b", Number: number, Counter: 2 * number,
		Time:    []int64{int64(number) * 100, int64(number)*100 + 50},
		Columns: []frame.Column{{Name: "A1", Unit: "mV/V", Float: []float64{float64(number), 0.5}}},
	}
}

// publish appends frames whose payload is their number.
func publish(t testing.TB, j *Journal, from, to uint64) (last uint64) {
	t.Helper()
	for n := from; n < to; n++ {
		seq, err := j.Publish(testContext(t), header(n), fmt.Appendf(nil, "frame %d", n))
		if err != nil {
			t.Fatal(err)
		}
		last = seq
	}
	return last
}

func nextMessages(t testing.TB, r *Reader, from uint64, n int) []Message {
	t.Helper()
	var all []Message
	for i := range n {
		m, err := r.Next(testContext(t))
		if err != nil {
			t.Fatal(err)
		}
		if m.Seq != from+uint64(i) {
			t.Fatalf("sequence %d, want %d", m.Seq, from+uint64(i))
		}
		all = append(all, m)
	}
	return all
}

func TestPublishAndRead(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	publish(t, j, 0, 3)
	id := NewEventID()
	if seq, err := j.PublishEvent(ctx, id, []byte(`{"event":"note"}`)); err != nil || seq != 5 {
		t.Fatal(seq, err)
	}
	if seq, err := j.Publish(ctx, frame.Header{Source: "logger 2", Boot: "x", Number: 9}, []byte("f")); err != nil || seq != 6 {
		t.Fatal(seq, err)
	}
	r, err := j.Read(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all := nextMessages(t, r, 1, 6)
	if all[0].Kind != ControlMessage || !strings.Contains(string(all[0].Data), j.Identity()) || len(j.Identity()) < 26 {
		t.Errorf("first message %s %q, identity %q", all[0].Kind, all[0].Data, j.Identity())
	}
	for n := range uint64(3) {
		m := all[1+n]
		h, err := m.FrameHeader()
		if err != nil || m.Kind != FrameMessage || h != header(n) || string(m.Data) != fmt.Sprintf("frame %d", n) {
			t.Errorf("%+v, %v", m, err)
		}
	}
	if m := all[4]; m.Kind != EventMessage || m.Get(HeaderEventID) != id || string(m.Data) != `{"event":"note"}` {
		t.Errorf("%+v", m)
	}
	if h, err := all[5].FrameHeader(); err != nil || h.HasCounter || h.Source != "logger 2" {
		t.Errorf("%+v, %v", h, err)
	}
	if all[5].Pending != 0 {
		t.Errorf("%d messages behind the last", all[5].Pending)
	}
	// The reader waits, and sees what comes.
	publish(t, j, 3, 4)
	nextMessages(t, r, 7, 1)
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := r.Next(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("Next with an ended context: %v", err)
	}
	publish(t, j, 4, 5)
	nextMessages(t, r, 8, 1) // and goes on
	// The hash is that of the message wherever it was read.
	for _, m := range all {
		if there, err := j.At(ctx, m.Seq); err != nil || there != m.Hash() {
			t.Errorf("hash of %d: %v", m.Seq, err)
		}
	}
	if all[1].Hash() == all[2].Hash() {
		t.Error("two frames with one hash")
	}
	r.Close()
	if _, err := r.Next(ctx); !errors.Is(err, ErrClosed) {
		t.Errorf("Next after Close: %v", err)
	}
}

// What the hash covers, each changed alone.
func TestHashCoversTheMessage(t *testing.T) {
	m := func() Message {
		return Message{Subject: "s", Data: []byte("data"), Header: map[string][]string{
			frame.HeaderSource: {"node"}, frame.HeaderFrame: {"1"}, headerPad: {"00"}, "Nats-Expected-Stream": {"x"},
		}}
	}
	base := m()
	for name, change := range map[string]func(*Message){
		"subject": func(m *Message) { m.Subject = "t" },
		"data":    func(m *Message) { m.Data = []byte("dat") },
		"header":  func(m *Message) { m.Header[frame.HeaderFrame] = []string{"2"} },
		"moved": func(m *Message) {
			m.Header[frame.HeaderSource] = []string{"node1"}
			m.Header[frame.HeaderFrame] = []string{""}
		},
		"more": func(m *Message) { m.Header[frame.HeaderCounter] = []string{"2"} },
	} {
		changed := m()
		change(&changed)
		if changed.Hash() == base.Hash() {
			t.Errorf("%s: the same hash", name)
		}
	}
	same := m()
	same.Header[headerPad] = []string{"0000"}
	delete(same.Header, "Nats-Expected-Stream")
	same.Seq, same.Pending = 9, 9
	if same.Hash() != base.Hash() {
		t.Error("what is not part of the message changes the hash")
	}
}

func TestColumnsArriveAligned(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	r, err := j.Read(ctx, 2)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	payload, err := frame.EncodeWire(nil, rows(0))
	if err != nil {
		t.Fatal(err)
	}
	for n := range uint64(12) { // numbers and boots of several lengths
		h := header(n * n * n * n * n)
		h.Boot = strings.Repeat("b", int(n+1))
		if _, err := j.Publish(ctx, h, payload); err != nil {
			t.Fatal(err)
		}
		m := nextMessages(t, r, 2+n, 1)[0]
		if alignment := addressOf(m.Data) % 8; alignment != 0 {
			t.Errorf("frame %d: payload at an address of remainder %d", n, alignment)
		}
	}
}

func TestUnknownSourcesAreRefused(t *testing.T) {
	ctx := testContext(t)
	c := connectInside(t, startServer(t, ServerOptions{}))
	j := openJournal(t, c)
	h := header(0)
	h.Source = "stranger"
	if _, err := j.Publish(ctx, h, []byte("x")); !errors.Is(err, ErrUnknownSource) {
		t.Errorf("%v", err)
	}
	// Also when somebody does not ask this package.
	_, err := c.js.PublishMsg(ctx, &nats.Msg{Subject: FrameSubject("Hollin Lock", "gate", "stranger"), Data: []byte("x")})
	if err == nil {
		t.Error("the server took a frame of an unknown source")
	}
}

func TestJournalStaysOverRestart(t *testing.T) {
	ctx := testContext(t)
	store := t.TempDir()
	s := startServer(t, ServerOptions{StoreDir: store})
	c := connectInside(t, s)
	j := openJournal(t, c)
	last := publish(t, j, 0, 20)
	hash, err := j.At(ctx, last)
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
	s.Close()
	again := openJournal(t, connectInside(t, startServer(t, ServerOptions{StoreDir: store})))
	if again.Identity() != j.Identity() {
		t.Errorf("identity %q, was %q", again.Identity(), j.Identity())
	}
	if there, err := again.At(ctx, last); err != nil || there != hash {
		t.Errorf("hash of %d: %v", last, err)
	}
	if seq := publish(t, again, 20, 21); seq != last+1 {
		t.Errorf("sequence %d after %d", seq, last)
	}
	r, err := again.Read(ctx, 10)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	nextMessages(t, r, 10, int(last+1-10)+1)
}

func TestTrimAndWhatIsMissing(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	last := publish(t, j, 0, 20)
	reading, err := j.Read(ctx, 3)
	if err != nil {
		t.Fatal(err)
	}
	defer reading.Close()
	if err := j.Trim(ctx, 10); err != nil {
		t.Fatal(err)
	}
	state, err := j.State(ctx)
	if err != nil || state.First != 10 || state.Last != last {
		t.Errorf("%+v, %v", state, err)
	}
	for from, want := range map[uint64]error{0: ErrGap, 1: ErrGap, 9: ErrGap, last + 2: ErrLostTail} {
		if _, err := j.Read(ctx, from); !errors.Is(err, want) {
			t.Errorf("read from %d: %v, want %v", from, err, want)
		}
	}
	for _, from := range []uint64{10, last, last + 1} {
		r, err := j.Read(ctx, from)
		if err != nil {
			t.Errorf("read from %d: %v", from, err)
			continue
		}
		nextMessages(t, r, from, int(last+1-from))
		r.Close()
	}
	if _, err := j.At(ctx, 9); !errors.Is(err, ErrGap) {
		t.Errorf("hash of a trimmed message: %v", err)
	}
	if _, err := j.At(ctx, last+1); !errors.Is(err, ErrLostTail) {
		t.Errorf("hash of a message to come: %v", err)
	}
	// The last message stays, whatever is asked for.
	if err := j.Trim(ctx, last+100); err != nil {
		t.Fatal(err)
	}
	if state, err := j.State(ctx); err != nil || state.First != last || state.Last != last {
		t.Errorf("%+v, %v", state, err)
	}
	// Trimmed of its first message, it still knows who it is.
	if again := openJournal(t, j.conn); again.Identity() != j.Identity() {
		t.Error("another identity after trimming")
	}
}

// A message taken out of the middle is not skipped in silence.
func TestGapInTheMiddle(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	publish(t, j, 0, 10)
	stream, err := j.stream(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.DeleteMsg(ctx, 6); err != nil {
		t.Fatal(err)
	}
	r, err := j.Read(ctx, 4)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	nextMessages(t, r, 4, 2)
	if _, err := r.Next(ctx); !errors.Is(err, ErrGap) {
		t.Errorf("over the gap: %v", err)
	}
	if _, err := j.At(ctx, 6); !errors.Is(err, ErrGap) {
		t.Errorf("in the gap: %v", err)
	}
}

func TestJournalMadeAnewIsAnother(t *testing.T) {
	ctx := testContext(t)
	c := connectInside(t, startServer(t, ServerOptions{}))
	j := openJournal(t, c)
	publish(t, j, 0, 5)
	r, err := j.Read(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	nextMessages(t, r, 1, 6)
	if err := c.js.DeleteStream(ctx, j.names.stream); err != nil {
		t.Fatal(err)
	}
	if _, err := j.State(ctx); !errors.Is(err, ErrNoJournal) {
		t.Errorf("state of a deleted journal: %v", err)
	}
	if _, err := Attach(ctx, c, "Hollin Lock", "gate"); !errors.Is(err, ErrNoJournal) {
		t.Errorf("attach to a deleted journal: %v", err)
	}
	anew := openJournal(t, c)
	if anew.Identity() == j.Identity() {
		t.Error("the same identity")
	}
	publish(t, anew, 0, 8)
	if _, err := r.Next(ctx); !errors.Is(err, ErrIdentity) {
		t.Errorf("reading on: %v", err)
	}
	if _, err := j.State(ctx); !errors.Is(err, ErrIdentity) {
		t.Errorf("state: %v", err)
	}
	if err := j.Trim(ctx, 3); !errors.Is(err, ErrIdentity) {
		t.Errorf("trim: %v", err)
	}
}

func TestFullJournalRefuses(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	last := publish(t, j, 0, 10)
	before, err := j.State(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, limit := range []int64{before.Bytes, 1} { // 1 is far below what it holds
		if err := j.SetLimit(ctx, limit); err != nil {
			t.Fatal(err)
		}
		if _, err := j.Publish(ctx, header(10), []byte("more")); !errors.Is(err, ErrFull) {
			t.Errorf("limit %d: %v", limit, err)
		}
		if _, err := j.PublishEvent(ctx, "id", []byte("{}")); !errors.Is(err, ErrFull) {
			t.Errorf("limit %d, event: %v", limit, err)
		}
		after, err := j.State(ctx)
		if err != nil || after.First != 1 || after.Last != last || after.Bytes != before.Bytes || after.MaxBytes != limit {
			t.Errorf("limit %d: %+v, %v", limit, after, err)
		}
	}
	if err := j.SetLimit(ctx, before.Bytes); err != nil {
		t.Fatal(err)
	}
	if err := j.Trim(ctx, 6); err != nil {
		t.Fatal(err)
	}
	if seq, err := j.Publish(ctx, header(10), []byte("more")); err != nil || seq != last+1 {
		t.Errorf("after trimming: %d, %v", seq, err)
	}
	if err := j.SetLimit(ctx, 0); err == nil {
		t.Error("no limit is taken")
	}
}

func TestOpenAdaptsSourcesAndLimit(t *testing.T) {
	ctx := testContext(t)
	c := connectInside(t, startServer(t, ServerOptions{}))
	j := openJournal(t, c)
	publish(t, j, 0, 3)
	g := gate()
	g.Sources = []string{"logger 2", "a third"}
	g.MaxBytes *= 2
	changed, err := Open(ctx, c, g)
	if err != nil {
		t.Fatal(err)
	}
	state, err := changed.State(ctx)
	if err != nil || state.MaxBytes != g.MaxBytes || state.Last != 4 || changed.Identity() != j.Identity() {
		t.Errorf("%+v, %v", state, err)
	}
	if !strings.Contains(state.String(), "glueline.Hollin=20Lock.gate.frame.a=20third") || !strings.Contains(state.String(), "1 replica(s), file storage") {
		t.Errorf("effective configuration: %s", state)
	}
	if _, err := changed.Publish(ctx, frame.Header{Source: "a third", Boot: "b"}, []byte("x")); err != nil {
		t.Error(err)
	}
	if _, err := changed.Publish(ctx, header(3), []byte("x")); !errors.Is(err, ErrUnknownSource) {
		t.Errorf("a source that is not declared any more: %v", err)
	}
	attached, err := Attach(ctx, c, "Hollin Lock", "gate")
	if err != nil || !slices.Equal(attached.Sources(), []string{"a third", "logger 2"}) {
		t.Errorf("%v, %v", attached, err)
	}
	// What it sent before is still its own.
	if m, err := changed.Get(ctx, 2); err != nil || m.Source != "node" {
		t.Errorf("%+v, %v", m, err)
	}
}

func TestStreamsOfAnotherKindAreNotTouched(t *testing.T) {
	ctx := testContext(t)
	c := connectInside(t, startServer(t, ServerOptions{}))
	tests := []struct {
		name  string
		spoil func(*jetstream.StreamConfig)
		want  string
	}{
		{"memory", func(c *jetstream.StreamConfig) { c.Storage, c.MaxBytes = jetstream.MemoryStorage, 1<<20 }, "storage is Memory"},
		{"drops old", func(c *jetstream.StreamConfig) { c.Discard = jetstream.DiscardOld }, "discard is DiscardOld"},
		{"count", func(c *jetstream.StreamConfig) { c.MaxMsgs = 1000 }, "at most 1000 messages"},
		{"age", func(c *jetstream.StreamConfig) { c.MaxAge = 1e12 }, "messages end after"},
		{"work queue", func(c *jetstream.StreamConfig) { c.Retention = jetstream.WorkQueuePolicy }, "retention is WorkQueue"},
		{"no direct reading", func(c *jetstream.StreamConfig) { c.AllowDirect = false }, "cannot be read directly"},
		{"a subject's count", func(c *jetstream.StreamConfig) { c.MaxMsgsPerSubject = 1 }, "at most 1 messages a subject"},
		{"made by hand", func(c *jetstream.StreamConfig) { c.Metadata = nil }, "no identity"},
	}
	for i, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			g := gate()
			g.Test = fmt.Sprint("test ", i)
			g.Replicas = 1
			config := g.config(namesOf(g.Test, g.Name))
			config.Metadata = map[string]string{identityKey: "known"}
			test.spoil(&config)
			if _, err := c.js.CreateStream(ctx, config); err != nil {
				t.Fatal(err)
			}
			_, err := Open(ctx, c, g)
			if !errors.Is(err, ErrConfig) || !strings.Contains(err.Error(), test.want) {
				t.Errorf("%v, want %q", err, test.want)
			}
		})
	}
}

func TestOpenNeedsADescription(t *testing.T) {
	c := connectInside(t, startServer(t, ServerOptions{}))
	for name, spoil := range map[string]func(*Group){
		"test": func(g *Group) { g.Test = "" }, "name": func(g *Group) { g.Name = "" }, "sources": func(g *Group) { g.Sources = nil },
		"source": func(g *Group) { g.Sources[1] = "" }, "limit": func(g *Group) { g.MaxBytes = 0 }, "replicas": func(g *Group) { g.Replicas = -1 },
	} {
		g := gate()
		spoil(&g)
		if _, err := Open(testContext(t), c, g); err == nil {
			t.Errorf("%s: opened %+v", name, g)
		}
	}
}

// Of several that open a new journal at once, all see the same one.
func TestOpenedTogether(t *testing.T) {
	c := connectInside(t, startServer(t, ServerOptions{}))
	opened := make(chan *Journal, 8)
	for range cap(opened) {
		go func() {
			j, err := Open(testContext(t), c, gate())
			if err != nil {
				t.Error(err)
			}
			opened <- j
		}()
	}
	identities := map[string]bool{}
	var one *Journal
	for range cap(opened) {
		if j := <-opened; j != nil {
			identities[j.Identity()] = true
			one = j
		}
	}
	if len(identities) != 1 {
		t.Fatalf("identities %v", identities)
	}
	if state, err := one.State(testContext(t)); err != nil || state.Last != 1 {
		t.Errorf("%+v, %v", state, err)
	}
}

func TestEventsToAllGroups(t *testing.T) {
	ctx := testContext(t)
	c := connectInside(t, startServer(t, ServerOptions{}))
	first := openJournal(t, c)
	g := gate()
	g.Name = "heel post"
	second, err := Open(ctx, c, g)
	if err != nil {
		t.Fatal(err)
	}
	id := NewEventID()
	if err := PublishToAll(ctx, []*Journal{first, second}, id, []byte(`{"event":"phase"}`)); err != nil {
		t.Fatal(err)
	}
	for _, j := range []*Journal{first, second} {
		if m, err := j.Get(ctx, 2); err != nil || m.Kind != EventMessage || m.Get(HeaderEventID) != id {
			t.Errorf("%+v, %v", m, err)
		}
	}
	if err := second.SetLimit(ctx, 1); err != nil {
		t.Fatal(err)
	}
	err = PublishToAll(ctx, []*Journal{second, first}, NewEventID(), []byte(`{}`))
	if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "heel=20post") {
		t.Errorf("one group full: %v", err)
	}
	if _, err := first.Get(ctx, 3); err != nil {
		t.Errorf("the other group: %v", err)
	}
	if _, err := first.PublishEvent(ctx, "", nil); err == nil {
		t.Error("an event without id is taken")
	}
}

func TestTokensAreInjectiveAndFit(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	alphabet := []string{"a", "B", "0", ".", "*", ">", " ", "=", "~", "/", "é", "=2E", "_", "-", "\x00"}
	seen := map[string]string{}
	for range 20_000 {
		var name string
		for range 1 + random.IntN(40) {
			name += alphabet[random.IntN(len(alphabet))]
		}
		short := token(name)
		if other, ok := seen[short]; ok && other != name {
			t.Fatalf("%q and %q are both %q", name, other, short)
		}
		seen[short] = name
		if len(short) > maxToken || strings.ContainsAny(short, ".*>~ /\\\x00\r\n\t") {
			t.Fatalf("%q is no token: %q", name, short)
		}
		if len(name) > 80 && short[46:48] != "==" {
			t.Fatalf("%q is cut as %q", name, short)
		}
		if back, ok := untoken(short); !strings.Contains(short, "==") && (!ok || back != name) {
			t.Fatalf("%q comes back as %q", name, back)
		}
	}
}
