package journal

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"glueline/pipeline/frame"
)

const (
	defaultBuffer = 64 << 20        // bytes of frames that wait
	attempt       = 5 * time.Second // after which an answer of the server is taken as lost
)

// PublisherOptions says how a publisher is to behave.
type PublisherOptions struct {
	MaxBytes int // of frames that wait for their acknowledgement; 0 is 64 MiB
}

// Publisher sends the frames of one boot of one source, one at a time and in
// order, and keeps each until the journal has acknowledged it. It tries again
// without end; a frame whose acknowledgement was lost is looked for, or sent
// twice, under the same number.
//
// When another publisher has sent a frame of the source in between, what would
// follow is of a former boot for every reader. So each frame is taken only
// behind the one before it, and a publisher that was overtaken goes on under
// another boot of its own, with the frame that was not taken: nothing is lost.
// It does so too where the other sends under the same boot. One that is overtaken
// again and again waits, with ErrRival in its status, until the other is silent for
// a moment: of two that both go on, one waits, and each change makes a boot.
//
// Its methods may be called from several goroutines, Send from one.
type Publisher struct {
	journal  *Journal
	source   string
	boot     string
	id       string // that no other publisher has
	maxBytes int

	mu      sync.Mutex
	changed *sync.Cond
	encoder frame.WireEncoder
	queue   []waiting
	spare   [][]byte
	status  PublisherStatus
	next    uint64 // number of the frame to come, once one was sent
	started bool
	ending  bool
	dead    error // after which nothing can be sent

	place place // of the goroutine that sends

	cancel context.CancelFunc
	done   chan struct{}
}

// waiting is a frame that is not acknowledged.
type waiting struct {
	header  frame.Header
	payload []byte
}

// PublisherStatus tells how a publisher stands.
type PublisherStatus struct {
	Waiting      int    // frames that are not acknowledged
	WaitingBytes int    // their payloads
	Acknowledged uint64 // frames, since it began
	Sequence     uint64 // of the newest of them in the journal
	Err          error  // of the newest try, nil when it succeeded; ErrFull: the journal refuses; ErrRival: another goes on
	Boot         string // of the frames that are sent now
	Overtaken    int    // how often another publisher came in between
	Rival        string // its boot, the newest time
	Shared       bool   // one came under the very boot: a reader may have taken frames for its repeats
}

// NewPublisher begins to publish a boot of a source. It runs until Close.
func (j *Journal) NewPublisher(source, boot string, o PublisherOptions) (*Publisher, error) {
	if _, declared := j.sources[token(source)]; !declared {
		return nil, fmt.Errorf("publish for source %q: %w", source, ErrUnknownSource)
	}
	if boot == "" || boot != bound(boot) {
		return nil, fmt.Errorf("publish for source %q: the boot %q is not a name that a header can carry", source, boot)
	}
	if o.MaxBytes <= 0 {
		o.MaxBytes = defaultBuffer
	}
	ctx, cancel := context.WithCancel(context.Background())
	p := &Publisher{journal: j, source: source, boot: boot, id: rand.Text()[:bootMark], maxBytes: o.MaxBytes, cancel: cancel, done: make(chan struct{}), status: PublisherStatus{Boot: boot}}
	p.changed = sync.NewCond(&p.mu)
	go p.run(ctx)
	return p, nil
}

// Send takes a frame over, which may be changed or released afterwards. It
// waits for room while as many bytes wait as may, or until ctx ends; the error
// then also says what the newest try met, for example ErrFull. Numbers go up
// by one from whichever comes first, else ErrNumber: a frame that is missing
// was lost before it came here, and begins a new boot.
func (p *Publisher) Send(ctx context.Context, f *frame.Frame) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	fail := func(err error) error {
		return fmt.Errorf("send frame %d of source %q: %w", f.Number, f.Source, err)
	}
	switch {
	case p.ending:
		return fail(ErrClosed)
	case f.Source != p.source || f.Boot != p.boot:
		return fail(fmt.Errorf("the publisher is that of source %q, boot %q", p.source, p.boot))
	case p.started && f.Number != p.next:
		return fail(fmt.Errorf("%w: %d is to come", ErrNumber, p.next))
	}
	var buffer []byte
	if n := len(p.spare); n > 0 {
		buffer, p.spare = p.spare[n-1], p.spare[:n-1]
	}
	payload, err := p.encoder.Append(buffer[:0], f)
	if err != nil {
		return err
	}
	hasRoom := func() bool {
		return len(p.queue) == 0 || p.status.WaitingBytes+len(payload) <= p.maxBytes
	}
	if err := p.wait(ctx, func() bool { return hasRoom() || p.ending }); err != nil {
		p.spare = append(p.spare, payload)
		return fail(err)
	}
	if p.ending {
		return fail(ErrClosed)
	}
	p.queue = append(p.queue, waiting{frame.HeaderOf(f), payload})
	p.next, p.started = f.Number+1, true
	p.status.Waiting, p.status.WaitingBytes = len(p.queue), p.status.WaitingBytes+len(payload)
	p.changed.Broadcast()
	return nil
}

// wait waits, with the lock held, until something holds, ctx ends or nothing
// can be sent any more.
func (p *Publisher) wait(ctx context.Context, holds func() bool) error {
	stop := context.AfterFunc(ctx, func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.changed.Broadcast()
	})
	defer stop()
	for !holds() {
		if p.dead != nil {
			return p.dead
		}
		if err := ctx.Err(); err != nil {
			return errors.Join(err, p.status.Err)
		}
		p.changed.Wait()
	}
	return nil
}

// Flush waits until all frames are acknowledged, or ctx ends.
func (p *Publisher) Flush(ctx context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.wait(ctx, func() bool { return len(p.queue) == 0 }); err != nil {
		return fmt.Errorf("flush source %q: %d %w: %w", p.source, len(p.queue), ErrUnsent, err)
	}
	return nil
}

// Status tells how it stands.
func (p *Publisher) Status() PublisherStatus {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.status
}

// Close takes no more frames, waits until those that wait are acknowledged or
// ctx ends, and ends the publisher. ErrUnsent when frames are left.
func (p *Publisher) Close(ctx context.Context) error {
	p.mu.Lock()
	p.ending = true
	p.changed.Broadcast()
	p.mu.Unlock()
	err := p.Flush(ctx)
	p.cancel()
	<-p.done
	return err
}

// run sends the oldest frame until it is acknowledged, then the next.
func (p *Publisher) run(ctx context.Context) {
	defer close(p.done)
	stop := context.AfterFunc(ctx, func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.changed.Broadcast()
	})
	defer stop()
	pause := firstPause
	for {
		p.mu.Lock()
		for len(p.queue) == 0 && ctx.Err() == nil {
			p.changed.Wait()
		}
		if ctx.Err() != nil {
			p.mu.Unlock()
			return
		}
		oldest := p.queue[0]
		p.mu.Unlock()

		trying, cancel := context.WithTimeout(ctx, attempt)
		stop := p.journal.conn.onBreak(cancel)
		seq, err := p.publish(trying, oldest)
		stop()
		cancel()
		if p.answered(seq, err) {
			return
		}
		if err == nil {
			pause = firstPause
			continue
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
		pause = min(2*pause, longestPause)
	}
}

// answered takes note of what became of the oldest frame, and says whether
// that was the end.
func (p *Publisher) answered(seq uint64, err error) (over bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	defer p.changed.Broadcast()
	p.status.Err = err
	if err != nil {
		if errors.Is(err, ErrUnknownSource) || errors.Is(err, nats.ErrMaxPayload) || p.journal.conn.over(err) {
			p.dead = err
		}
		return p.dead != nil
	}
	sent := p.queue[0]
	p.queue[0] = waiting{}
	p.queue = p.queue[1:]
	if len(p.spare) < 4 {
		p.spare = append(p.spare, sent.payload)
	}
	p.status.Waiting, p.status.WaitingBytes = len(p.queue), p.status.WaitingBytes-len(sent.payload)
	p.status.Acknowledged++
	p.status.Sequence = seq
	return false
}
