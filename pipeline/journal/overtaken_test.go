package journal

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
)

// frameList is "boot number" of every frame in the journal, in order; boots are
// written as what they begin with and a letter by the order of appearance.
func frameList(t testing.TB, j *Journal, n int) []string {
	t.Helper()
	r, err := j.Read(testContext(t), 1)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var all, boots []string
	for _, m := range nextMessages(t, r, 1, n) {
		if m.Kind != FrameMessage {
			continue
		}
		h, err := m.FrameHeader()
		if err != nil {
			t.Fatal(err)
		}
		of := -1
		for i, b := range boots {
			if b == h.Boot {
				of = i
			}
		}
		if of < 0 {
			of, boots = len(boots), append(boots, h.Boot)
		}
		all = append(all, fmt.Sprintf("%d:%d", of, h.Number))
	}
	return all
}

// stray sends one frame of the source as another publisher would.
func stray(t testing.TB, j *Journal, boot string, number uint64) {
	t.Helper()
	sendAs(t, j, "another", boot, number)
}

func sendAs(t testing.TB, j *Journal, publisher, boot string, number uint64) {
	t.Helper()
	f := rows(number)
	f.Boot = boot
	payload, err := frame.EncodeWire(nil, f)
	if err != nil {
		t.Fatal(err)
	}
	header := (&Publisher{id: publisher}).headers(frame.HeaderOf(f))
	if _, err := j.publishFrame(testContext(t), header, frame.HeaderOf(f), payload); err != nil {
		t.Fatal(err)
	}
}

// Two publishers that send other rows under one boot at the same time: each goes on
// under a boot of its own, and says so.
func TestTwoPublishersUnderOneBoot(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	send := func(p *Publisher, n uint64) {
		t.Helper()
		if err := errors.Join(p.Send(ctx, rows(n)), p.Flush(ctx)); err != nil {
			t.Fatal(err)
		}
	}
	first := newPublisher(t, j, PublisherOptions{})
	for n := range uint64(5) {
		send(first, n)
	}
	second := newPublisher(t, j, PublisherOptions{}) // the same rows again, as far as anybody knows
	send(second, 0)
	send(second, 1)
	if s := second.Status(); s.Overtaken != 0 || s.Shared || s.Boot != "b" {
		t.Errorf("rows fed again: %+v", s)
	}
	send(first, 5)
	send(second, 2)
	send(first, 6)
	send(second, 3)
	for name, p := range map[string]*Publisher{"first": first, "second": second} {
		if s := p.Status(); s.Overtaken == 0 || !s.Shared || !strings.HasPrefix(s.Boot, "b-") {
			t.Errorf("%s: %+v", name, s)
		}
	}
	if got, want := fmt.Sprint(frameList(t, j, 12)), "[0:0 0:1 0:2 0:3 0:4 0:0 0:1 0:5 0:2 1:6 2:3]"; got != want {
		t.Errorf("boot:frame %s, want %s", got, want)
	}
}

// One message of another boot used to make every later frame of a running
// publisher one of a former boot.
func TestPublisherThatWasOvertakenBeginsANewBoot(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	p := newPublisher(t, j, PublisherOptions{})
	send := func(n uint64) {
		t.Helper()
		if err := errors.Join(p.Send(ctx, rows(n)), p.Flush(ctx)); err != nil {
			t.Fatal(err)
		}
	}
	send(0)
	send(1)
	stray(t, j, "somebody", 7)
	stray(t, j, "somebody", 8)
	send(2)
	send(3)
	if s := p.Status(); s.Overtaken != 1 || s.Rival != "somebody" || s.Acknowledged != 4 || !strings.HasPrefix(s.Boot, "b-") || s.Err != nil {
		t.Errorf("%+v", s)
	}
	if got, want := fmt.Sprint(frameList(t, j, 7)), "[0:0 0:1 1:7 1:8 2:2 2:3]"; got != want {
		t.Errorf("boot:frame %s, want %s", got, want)
	}
}

// The newest frame of a source that pauses is trimmed as all are; that is no
// other publisher.
func TestPublisherGoesOnBehindATrim(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	p := newPublisher(t, j, PublisherOptions{})
	if err := errors.Join(p.Send(ctx, rows(0)), p.Flush(ctx)); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := j.PublishEvent(ctx, NewEventID(), []byte("{}")); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Trim(ctx, 4); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(p.Send(ctx, rows(1)), p.Flush(ctx)); err != nil {
		t.Fatal(err)
	}
	if s := p.Status(); s.Overtaken != 0 || s.Acknowledged != 2 || s.Boot != "b" {
		t.Errorf("%+v", s)
	}
}

// An acknowledgement may get lost, and another publisher come before the frame
// is tried again: it is in the journal, and must not be sent as a new one.
func TestPublisherFindsAFrameWhoseAcknowledgementWasLost(t *testing.T) {
	for _, c := range []struct {
		name     string
		before   []string // in the journal when the publisher looks for the first time
		first    uint64
		behind   []string // what comes until it tries again
		want     string
		overtook int
	}{
		{"the first frame", nil, 0, []string{"own 0", "x 5"}, "[0:0 1:5]", 0},
		{"behind another's", []string{"x 1"}, 3, []string{"own 3", "x 2", "x 3"}, "[0:1 1:3 0:2 0:3]", 0},
		{"the same rows fed again", []string{"b 0"}, 0, []string{"b 1", "b 2"}, "[0:0 0:1 0:2 0:0]", 0},
		{"not there", nil, 0, []string{"x 5"}, "[0:5 1:0]", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx := testContext(t)
			j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
			p := newPublisher(t, j, PublisherOptions{})
			others := func(all []string) {
				for _, one := range all {
					var boot string
					var n uint64
					if _, err := fmt.Sscan(one, &boot, &n); err != nil {
						t.Fatal(err)
					}
					if boot == "own" {
						sendAs(t, j, p.id, "b", n)
					} else {
						stray(t, j, boot, n)
					}
				}
			}
			others(c.before)
			newest, _, _, err := j.NewestFrame(ctx, "node")
			if err != nil {
				t.Fatal(err)
			}
			p.place = place{known: true, newest: newest} // as after its first look
			others(c.behind)
			if err := errors.Join(p.Send(ctx, rows(c.first)), p.Flush(ctx)); err != nil {
				t.Fatal(err)
			}
			state, err := j.State(ctx)
			if err != nil {
				t.Fatal(err)
			}
			if got := fmt.Sprint(frameList(t, j, int(state.Last))); got != c.want {
				t.Errorf("boot:frame %s, want %s", got, c.want)
			}
			if s := p.Status(); s.Overtaken != c.overtook || s.Acknowledged != 1 {
				t.Errorf("%+v", s)
			}
		})
	}
}

// A publisher that is overtaken again and again waits while the other goes on, and
// goes on itself when that is silent: it used to end for good.
func TestPublisherWaitsWhereAnotherGoesOn(t *testing.T) {
	ctx := testContext(t)
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{})))
	p := newPublisher(t, j, PublisherOptions{})
	n := uint64(0)
	for ; n < 3*rivals; n++ { // a slow one comes in between each time
		stray(t, j, "somebody", n)
		if err := errors.Join(p.Send(ctx, rows(n)), p.Flush(ctx)); err != nil {
			t.Fatalf("frame %d: %v", n, err)
		}
	}
	if s := p.Status(); s.Acknowledged != n || s.Overtaken < rivals || s.Rival != "somebody" {
		t.Errorf("%+v", s)
	}
	const more = 20
	for range more {
		if err := p.Send(ctx, rows(n)); err != nil {
			t.Fatal(err)
		}
		n++
	}
	waits := false
	for other := n; !waits; other++ {
		if other > 20_000 {
			t.Fatalf("it never waits: %+v", p.Status())
		}
		stray(t, j, "somebody", other)
		s := p.Status()
		if s.Waiting == 0 {
			if err := p.Send(ctx, rows(n)); err != nil {
				t.Fatal(err)
			}
			n++
		}
		waits = errors.Is(s.Err, ErrRival)
	}
	if err := p.Flush(ctx); err != nil {
		t.Errorf("the other is silent: %v", err)
	}
	if s := p.Status(); s.Acknowledged != n || s.Err != nil {
		t.Errorf("%d frames: %+v", n, s)
	}
	// Once an hour is no reason to wait.
	slow := newPublisher(t, j, PublisherOptions{})
	at := time.Now()
	for range 3 * rivals {
		at = at.Add(rivalTime)
		if err := slow.begin("b", "somebody", at); err != nil {
			t.Fatal(err)
		}
	}
}
