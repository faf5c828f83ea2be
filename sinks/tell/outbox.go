package tell

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"
)

// Outbox sends what was decided, beside whoever decides.
type Outbox struct {
	ledger *ledger
	ways   *Ways
	log    *slog.Logger
	first  time.Duration // pause after a failure; it doubles
	most   int           // deliveries that may wait for one way

	mutex   sync.Mutex
	known   map[string][]*delivery // by id
	lines   map[lineKey]*line
	nobody  []*delivery // whose person has no way
	givenUp int
	wake    chan struct{} // a line was made
}

type lineKey struct{ who, way string }

// line is what waits for one way of one person.
type line struct {
	lineKey
	by      Way
	waiting []*delivery
	wake    chan struct{}
	begun   bool
}

// delivery is a message by one way.
type delivery struct {
	message Message
	way     string
	since   time.Time // decided
	sent    time.Time // zero: it waits
	tries   int
	failure string
	over    bool // sent or given up
}

// Pauses after a way failed, and how much may wait for it.
const (
	firstPause   = time.Second
	longestPause = 5 * time.Minute
	mostWaiting  = 1000
)

// Open opens the ledger at path and takes up what was decided there and not sent.
// ways may be nil: then nobody can be told, and everything waits.
func Open(path string, ways *Ways, log *slog.Logger) (*Outbox, error) {
	l, lines, damaged, err := openLedger(path)
	if err != nil {
		return nil, err
	}
	if damaged > 0 {
		log.Warn("the ledger of alarms has lines that cannot be read; who was told by them may be told again", "ledger", path, "lines", damaged)
	}
	o := &Outbox{ledger: l, ways: ways, log: log, first: firstPause, most: mostWaiting,
		known: map[string][]*delivery{}, lines: map[lineKey]*line{}, wake: make(chan struct{}, 1)}
	o.takeUp(lines)
	return o, nil
}

func (o *Outbox) takeUp(lines []Line) {
	var order []string
	messages := map[string]Line{}
	ended := map[string]map[string]Line{}
	for _, l := range lines {
		switch {
		case l.Decided != nil:
			if _, again := messages[l.Decided.ID]; !again {
				order = append(order, l.Decided.ID)
			}
			messages[l.Decided.ID] = l
		case l.Sent+l.GivenUp != "":
			id := l.Sent + l.GivenUp
			if ended[id] == nil {
				ended[id] = map[string]Line{}
			}
			ended[id][l.Way] = l
		}
	}
	for _, id := range order {
		l := messages[id]
		m, at := *l.Decided, l.At
		o.known[id] = []*delivery{}
		for way, e := range ended[id] {
			d := &delivery{message: m, way: way, since: at, failure: e.Error, over: true}
			if e.Sent != "" {
				d.sent = e.At
			} else {
				o.givenUp++
			}
			o.known[id] = append(o.known[id], d)
		}
		if m.Who == "" {
			continue
		}
		left, there := 0, o.ways.Of(m.Who)
		for _, w := range there {
			_, done := ended[id][w.Name()]
			if slices.Contains(l.Ways, w.Name()) && !done {
				o.queue(m, at, w)
				left++
			}
		}
		// None of the ways that it was to go by is there any more, or there was none.
		if left == 0 && len(ended[id]) == 0 {
			o.queueAll(m, at)
		}
	}
}

// queueAll has a message go by every way of its person.
func (o *Outbox) queueAll(m Message, at time.Time) (ways []string) {
	for _, w := range o.ways.Of(m.Who) {
		o.queue(m, at, w)
		ways = append(ways, w.Name())
	}
	if len(ways) == 0 && m.Who != "" {
		d := &delivery{message: m, since: at, failure: noWay}
		o.known[m.ID] = append(o.known[m.ID], d)
		o.nobody = append(o.nobody, d)
	}
	return ways
}

func (o *Outbox) queue(m Message, at time.Time, w Way) {
	key := lineKey{m.Who, w.Name()}
	l := o.lines[key]
	if l == nil {
		l = &line{lineKey: key, by: w, wake: make(chan struct{}, 1)}
		o.lines[key] = l
		poke(o.wake)
	}
	d := &delivery{message: m, way: key.way, since: at}
	o.known[m.ID] = append(o.known[m.ID], d)
	l.waiting = append(l.waiting, d)
	poke(l.wake)
}

func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Knows reports whether a message was decided before.
func (o *Outbox) Knows(id string) bool {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	_, ok := o.known[id]
	return ok
}

// Decide takes a message to be sent, unless it was decided before. It goes out
// also where the disk has no room for its line.
func (o *Outbox) Decide(m Message) {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	if _, again := o.known[m.ID]; again {
		return
	}
	at := time.Now().UTC()
	o.known[m.ID] = []*delivery{}
	ways := o.queueAll(m, at)
	o.note(Line{At: at, Decided: &m, Ways: ways})
	for _, way := range ways {
		l := o.lines[lineKey{m.Who, way}]
		for len(l.waiting) > o.most {
			o.giveUp(l, l.waiting[0], fmt.Sprintf("more than %d messages wait for this way", o.most))
		}
	}
	o.log.Warn("alarm", "id", m.ID, "who", m.Who, "subject", m.Subject, "ways", ways)
}

func (o *Outbox) note(l Line) {
	if err := o.ledger.write(l); err != nil {
		o.log.Error("the ledger of alarms is not written; it will be with its next line", "err", err)
	}
}

// giveUp drops a delivery, and says so everywhere.
func (o *Outbox) giveUp(l *line, d *delivery, why string) {
	l.waiting = slices.DeleteFunc(l.waiting, func(other *delivery) bool { return other == d })
	d.over, d.failure = true, why
	o.givenUp++
	o.note(Line{At: time.Now().UTC(), GivenUp: d.message.ID, Way: l.way, Error: why})
	o.log.Error("nobody was told of an alarm by this way", "id", d.message.ID, "who", l.who, "way", l.way, "why", why, "subject", d.message.Subject)
}

// Sync returns when everything that was decided is on the disk.
func (o *Outbox) Sync() error { return o.ledger.sync() }

// Close closes the ledger, behind Run. What waits is taken up by the next Open.
func (o *Outbox) Close() error { return o.ledger.close() }

// Run sends until ctx ends; what is being sent then has a moment to end.
func (o *Outbox) Run(ctx context.Context) {
	var lines sync.WaitGroup
	defer lines.Wait()
	for {
		o.mutex.Lock()
		for _, l := range o.lines {
			if !l.begun {
				l.begun = true
				lines.Go(func() { o.send(ctx, l) })
			}
		}
		o.mutex.Unlock()
		select {
		case <-ctx.Done():
			return
		case <-o.wake:
		}
	}
}

// send sends what waits in a line. What fails goes behind the others, so that
// one message that a way does not take holds nothing up.
func (o *Outbox) send(ctx context.Context, l *line) {
	pause := o.first
	for {
		o.mutex.Lock()
		var d *delivery
		if len(l.waiting) > 0 {
			d = l.waiting[0]
		}
		o.mutex.Unlock()
		if d == nil {
			select {
			case <-ctx.Done():
				return
			case <-l.wake:
			}
			continue
		}
		if ctx.Err() != nil {
			return
		}
		if err := sendOne(ctx, l.by, d.message); err != nil {
			o.failed(l, d, err, pause)
			select {
			case <-ctx.Done():
				return
			case <-time.After(pause):
			}
			pause = min(2*pause, longestPause)
			continue
		}
		pause = o.first
		o.sent(l, d)
	}
}

// lastMoment is how long a message that is being sent may take when all ends.
const lastMoment = 3 * time.Second

func sendOne(ctx context.Context, by Way, m Message) error {
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	stop := context.AfterFunc(ctx, func() {
		select {
		case <-time.After(lastMoment):
			cancel()
		case <-inner.Done():
		}
	})
	defer stop()
	return by.Send(inner, m)
}

func (o *Outbox) sent(l *line, d *delivery) {
	now := time.Now().UTC()
	o.mutex.Lock()
	d.sent, d.over, d.failure = now, true, ""
	d.tries++
	l.waiting = slices.DeleteFunc(l.waiting, func(other *delivery) bool { return other == d })
	o.note(Line{At: now, Sent: d.message.ID, Way: l.way})
	o.mutex.Unlock()
	if err := o.ledger.sync(); err != nil {
		o.log.Error("that somebody was told is not on the disk; he may be told again", "id", d.message.ID, "err", err)
	}
	o.log.Info("told of an alarm", "id", d.message.ID, "who", l.who, "way", l.way, "tries", d.tries)
}

func (o *Outbox) failed(l *line, d *delivery, err error, pause time.Duration) {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	d.tries++
	before := d.failure
	d.failure = err.Error()
	if i := slices.Index(l.waiting, d); i >= 0 {
		l.waiting = append(slices.Delete(l.waiting, i, i+1), d)
	}
	// The first time, and then ever more rarely: it may fail for days.
	if d.failure != before || d.tries&(d.tries-1) == 0 {
		o.note(Line{At: time.Now().UTC(), Failed: d.message.ID, Way: l.way, Error: d.failure})
		o.log.Error("nobody could be told of an alarm by this way; it is tried again", "id", d.message.ID, "who", l.who, "way", l.way, "tries", d.tries, "again in", pause, "err", err)
	}
}

// Delivery is what is known of a message by one way.
type Delivery struct {
	ID      string    `json:"id"`
	Who     string    `json:"who"`
	Way     string    `json:"way,omitempty"` // none: no way is known
	Subject string    `json:"subject"`
	Decided time.Time `json:"decided"`
	Sent    time.Time `json:"sent,omitzero"`
	Tries   int       `json:"tries"`
	Error   string    `json:"error,omitempty"`
	GivenUp bool      `json:"given_up,omitempty"`
}

func (d *delivery) look() Delivery {
	return Delivery{d.message.ID, d.message.Who, d.way, d.message.Subject, d.since, d.sent, d.tries, d.failure, d.over && d.sent.IsZero()}
}

// Snapshot is one look at an outbox.
type Snapshot struct {
	Decided int        `json:"decided"` // messages
	Sent    int        `json:"sent"`    // deliveries
	GivenUp int        `json:"given_up"`
	Waiting []Delivery `json:"waiting"` // the oldest first
}

// Look returns how it stands.
func (o *Outbox) Look() Snapshot {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	s := Snapshot{Decided: len(o.known), GivenUp: o.givenUp, Waiting: []Delivery{}}
	for _, all := range o.known {
		for _, d := range all {
			switch {
			case !d.sent.IsZero():
				s.Sent++
			case !d.over:
				s.Waiting = append(s.Waiting, d.look())
			}
		}
	}
	slices.SortFunc(s.Waiting, func(a, b Delivery) int {
		return cmp.Or(a.Decided.Compare(b.Decided), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Way, b.Way))
	})
	return s
}

// Of returns what became of a message, a way each.
func (o *Outbox) Of(id string) (all []Delivery) {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	for _, d := range o.known[id] {
		all = append(all, d.look())
	}
	slices.SortFunc(all, func(a, b Delivery) int { return cmp.Compare(a.Way, b.Way) })
	return all
}
