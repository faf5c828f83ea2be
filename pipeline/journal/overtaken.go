package journal

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"glueline/pipeline/frame"
)

const (
	// rivals is how often another publisher may come in between, within
	// rivalTime, before it counts as one that goes on: each time makes a boot. From
	// then on a try waits, as behind any other failure, until nothing came meanwhile.
	rivals    = 8
	rivalTime = time.Minute

	// blindAfter is how many looks at the journal may fail before a publisher
	// goes on without: it may have no right to look.
	blindAfter = 3
)

// headerPublisher tells the publishers of one boot apart. A boot has one: of two that
// send under its name at the same time, a reader takes the frames of the one for
// repeats of the other's.
const headerPublisher = "Glueline-Publisher"

// place is where the frames of a publisher stand in the journal.
type place struct {
	known  bool   // newest is
	newest uint64 // sequence of the source's newest frame; 0 is none
	failed int    // looks in a row
	shared int    // times that frames of another under the own boot came in between
	times  []time.Time
	fresh  bool // no frame was sent under the boot that is the newest
}

// publish tries to have a frame taken behind the one before it.
func (p *Publisher) publish(ctx context.Context, w waiting) (seq uint64, err error) {
	at := &p.place
	if !at.known && at.failed < blindAfter {
		if at.newest, _, _, err = p.journal.NewestFrame(ctx, p.source); p.looked(err) != nil {
			return 0, err
		}
		at.known = err == nil
	}
	for {
		w.header.Boot = p.Status().Boot
		if !at.known {
			return p.journal.publishFrame(ctx, p.headers(w.header), w.header, w.payload)
		}
		seq, err = p.journal.publishFrame(ctx, p.headers(w.header), w.header, w.payload, jetstream.WithExpectLastSequencePerSubject(at.newest))
		if errors.Is(err, ErrOvertaken) {
			seq, err = p.overtaken(ctx, w.header)
		} else {
			at.fresh = false
		}
		if err != nil {
			return 0, err
		}
		if seq > 0 {
			at.newest = seq
			return seq, nil
		}
	}
}

// headers are those of a frame, with the publisher's own.
func (p *Publisher) headers(h frame.Header) nats.Header {
	header := headersOf(h)
	header[headerPublisher] = []string{p.id}
	pad(header)
	return header
}

// looked notes how a look at the journal went. Its error is nil too when the
// publisher goes on without looks.
func (p *Publisher) looked(err error) error {
	at := &p.place
	if err == nil {
		at.failed = 0
		return nil
	}
	if at.failed++; at.failed < blindAfter {
		return err
	}
	at.known = false
	return nil
}

// overtaken finds out what stands behind the newest frame that is known. It
// returns the sequence of this very frame when its acknowledgement was lost, or
// 0: it is to be sent again, if need be under another boot, which it is also when
// another publisher goes on under this one.
func (p *Publisher) overtaken(ctx context.Context, h frame.Header) (seq uint64, err error) {
	at := &p.place
	for shared := false; ; {
		seq, found, by, err := p.journal.frameBehind(ctx, p.source, at.newest)
		switch {
		case err != nil:
			return 0, p.looked(err)
		case seq == 0:
			// What was known was trimmed meanwhile.
			at.newest, _, _, err = p.journal.NewestFrame(ctx, p.source)
			return 0, p.looked(err)
		case found.Boot == h.Boot && by == p.id && found.Number == h.Number:
			return seq, p.looked(nil)
		case found.Boot == h.Boot && (by == p.id || shared):
			at.newest = seq
			continue
		case found.Boot == h.Boot && at.shared == 0:
			// Once, it may be the last of an earlier run of the same rows, which a
			// look at a machine of a cluster that lags had not shown. They are known
			// as repeats.
			shared, at.newest = true, seq
			at.shared++
			continue
		}
		if found.Boot == h.Boot {
			at.shared++
		}
		if at.newest, _, _, err = p.journal.NewestFrame(ctx, p.source); err != nil {
			at.newest = seq
		}
		return 0, errors.Join(p.looked(err), p.begin(h.Boot, found.Boot, time.Now()))
	}
}

// begin begins another boot, of the same frame numbers, behind a rival's. ErrRival
// when the rival goes on: the next try is for later.
func (p *Publisher) begin(boot, rival string, now time.Time) error {
	at := &p.place
	if at.times = append(at.times, now); len(at.times) > rivals {
		at.times = at.times[1:]
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.status.Rival = rival
	p.status.Shared = p.status.Shared || at.shared > 0
	if !at.fresh {
		at.fresh = true
		p.status.Boot = p.boot[:min(len(p.boot), longestBoot)] + "-" + rand.Text()[:bootMark]
		p.status.Overtaken++
	}
	if len(at.times) == rivals && now.Sub(at.times[0]) < rivalTime {
		return fmt.Errorf("%w: of %q, under the boots %q and %q; stop one of the two", ErrRival, p.source, boot, rival)
	}
	return nil
}

// A boot of at most 256 bytes fits a frame's header; bootMark letters, of five
// bits each, tell the boots of a publisher apart.
const (
	bootMark    = 8
	longestBoot = 200
)
