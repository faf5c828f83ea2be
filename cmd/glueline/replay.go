package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"strconv"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/printable"
	"glueline/pipeline/testfile"
)

type replayCommand struct {
	Test      string   `arg:"" name:"testfile" help:"The test file (YAML)."`
	Raw       []string `arg:"" name:"raw" help:"Raw files, as for reduce."`
	Events    string   `short:"e" help:"Events, as for reduce."`
	Nats      string   `required:"" help:"URL of the running service's journal, for example nats://127.0.0.1:4222."`
	NatsCreds string   `type:"existingfile" help:"Credentials file for --nats."`
	Speed     float64  `default:"0" help:"Times real time; 0 is as fast as the journal takes it."`
	Quiet     bool     `short:"q" help:"No progress bar."`
}

// Run publishes raw files and events in their canonical order, each kept until
// the journal has it.
func (c *replayCommand) Run(ctx context.Context, s streams) error {
	if c.Speed < 0 {
		return fmt.Errorf("--speed %v; write 0 for as fast as possible, 1 for real time", c.Speed)
	}
	test, err := testfile.Load(c.Test)
	if err != nil {
		return err
	}
	plans, err := group.Plans(test)
	if err != nil {
		return err
	}
	events, err := readEvents(c.Events, test)
	if err != nil {
		return err
	}
	bar := newProgress(s.err, "replaying", c.Quiet)
	defer bar.Close()
	frames, err := frame.Open(test, c.Raw, bar.Set)
	if err != nil {
		return err
	}
	defer frames.Close()
	conn, err := journal.Connect(c.Nats, journal.ConnectOptions{
		Credentials: c.NatsCreds, Name: "glueline replay", Log: newPlainLog(s.err, "replay"),
	})
	if err != nil {
		return err
	}
	defer conn.Close()
	r, err := newReplay(ctx, conn, test, plans, frames, c.Speed)
	if err != nil {
		return err
	}
	bar.Begin(frames.TotalBytes())
	if err := errors.Join(r.run(ctx, frames, events), r.close()); err != nil {
		if ctx.Err() != nil {
			return fmt.Errorf("%w after %s; give the same files again: it goes on behind what is in the journal", errInterrupted, count(r.frames, "frame"))
		}
		return err
	}
	bar.Close()
	if r.had > 0 {
		fmt.Fprintf(s.out, "%s and what came before the last of them were in the journal already and are left out.\n", count(r.had, "frame"))
	}
	fmt.Fprintf(s.out, "%s and %s are in the journal.\n", count(r.frames, "frame"), count(r.events, "event"))
	return r.overtaken(s.out)
}

// errOvertaken occurs when what was replayed is in the journal, but not all of it
// in the results.
var errOvertaken = errors.New("another publisher of the same source sent frames meanwhile")

// overtaken says of which sources another publisher sent frames meanwhile, and
// what to do.
func (r *replay) overtaken(to io.Writer) error {
	rivals := map[string]string{}
	for _, g := range r.groups {
		maps.Copy(rivals, g.line.Rivals())
	}
	if len(rivals) == 0 {
		return nil
	}
	for _, source := range sortedKeys(rivals) {
		var b strings.Builder
		paragraph(&b, "", "  ", printable.Text(fmt.Sprintf("Another publisher sent frames of source %s meanwhile, under the boot %q; the replay's is %q. "+
			"The service takes the frames of one boot at a time: what came of the other one behind it is in quarantine, as former-boot, and not in the results. "+
			"Stop the other publisher; glueline quarantine lists the frames, and this takes them back:", source, rivals[source], r.sources[source].boot)))
		fmt.Fprintf(to, "%s  glueline quarantine take-back %s --who NAME --why REASON\n", b.String(), shellWord(source))
	}
	return errOvertaken
}

// replay carries raw files into the journals of their groups.
type replay struct {
	speed   float64
	groups  []*replayedGroup
	sources map[string]*replayed
	payload []byte
	began   time.Time
	first   int64 // ns, time of the first row
	frames  int
	events  int
	had     int // frames that the journal had
}

// replayedGroup is a group's journal on its way. A replay that is given again goes on
// behind the newest frame that the journal has of it; what is older came before it.
type replayedGroup struct {
	journal *journal.Journal
	line    *journal.Pipeline
	newest  uint64          // sequence of the journal's newest frame
	had     bool            // it had frames of this replay
	waiting []replayedEvent // that come before the next frame
}

// replayedEvent is an event on its way: under one id in all groups.
type replayedEvent struct {
	id   string
	text []byte
}

// replayed is a source on its way: with an encoder of its own, which keeps what
// repeats from frame to frame.
type replayed struct {
	group   *replayedGroup
	newest  frame.Header // of the journal's newest frame of it
	boot    string
	encoder frame.WireEncoder
}

// has says whether the journal had a frame of the replay when this began.
func (of *replayed) has(f *frame.Frame) bool {
	return of.newest.Boot == of.boot && f.Number <= of.newest.Number
}

// newReplay attaches to the journals of the groups that frames has files of.
func newReplay(ctx context.Context, conn *journal.Conn, test *testfile.Test, plans []*group.Plan, frames *frame.Reader, speed float64) (*replay, error) {
	r := &replay{speed: speed, sources: map[string]*replayed{}}
	for _, p := range plans {
		if !given(p, frames) {
			continue
		}
		j, err := journal.Attach(ctx, conn, test.About.Name.Text, p.Name)
		if err != nil {
			return nil, errors.Join(err, r.close())
		}
		line, err := j.NewPipeline(ctx)
		if err != nil {
			return nil, errors.Join(err, r.close())
		}
		g := &replayedGroup{journal: j, line: line}
		r.groups = append(r.groups, g)
		for _, source := range p.Sources() {
			seq, newest, _, err := j.NewestFrame(ctx, source)
			if err != nil {
				return nil, errors.Join(err, r.close())
			}
			if _, refused, err := j.RefusalOf(ctx, seq); err == nil && refused {
				newest = frame.Header{}
			}
			r.sources[source] = &replayed{group: g, newest: newest}
			g.newest = max(g.newest, seq)
		}
	}
	return r, nil
}

func (r *replay) close() error {
	var problems []error
	for _, g := range r.groups {
		problems = append(problems, g.line.Close())
	}
	return errors.Join(problems...)
}

func (r *replay) run(ctx context.Context, frames *frame.Reader, events []event.Event) error {
	for {
		f, err := frames.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		// An event comes before the first frame that holds a row of its time or later.
		for len(events) > 0 && events[0].Time.UnixNano() <= f.Time[f.Rows()-1] {
			if err := r.event(events[0]); err != nil {
				return err
			}
			events = events[1:]
		}
		if err := r.frame(ctx, f); err != nil {
			return err
		}
		f.Release()
	}
	if err := r.event(event.Event{Event: event.Cut, Time: time.Now().UTC(), Who: "glueline replay", Why: "end of the input"}); err != nil {
		return err
	}
	for _, g := range r.groups {
		if err := g.publishWaiting(ctx); err != nil {
			return err
		}
	}
	return r.flush(ctx)
}

// event has an event wait for the next frame of each group.
func (r *replay) event(e event.Event) error {
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	r.events++
	waiting := replayedEvent{journal.NewEventID(), text}
	for _, g := range r.groups {
		g.waiting = append(g.waiting, waiting)
	}
	return nil
}

// flush waits until the journals have everything.
func (r *replay) flush(ctx context.Context) error {
	for _, g := range r.groups {
		if _, err := g.line.Flush(ctx); err != nil {
			return err
		}
	}
	return nil
}

// publishWaiting publishes the events before a frame that the journal has not got, but
// those that it has.
func (g *replayedGroup) publishWaiting(ctx context.Context) error {
	if len(g.waiting) == 0 {
		return nil
	}
	there := map[string]bool{}
	if g.had {
		var err error
		if there, err = g.journal.EventsBehind(ctx, g.newest); err != nil {
			return err
		}
		g.had = false // this is looked at once
	}
	for _, e := range g.waiting {
		if there[string(e.text)] {
			continue
		}
		if err := g.line.Event(ctx, e.id, e.text); err != nil {
			return err
		}
	}
	g.waiting = g.waiting[:0]
	return nil
}

func (r *replay) frame(ctx context.Context, f *frame.Frame) error {
	of := r.sources[f.Source]
	if of.boot == "" {
		// Another stretch of the same source is another boot, the same stretch
		// given again is the same one: its frames are known and dropped.
		of.boot = "file-" + strconv.FormatInt(f.Time[0], 10)
	}
	f.Boot = of.boot
	if of.has(f) {
		of.group.had, of.group.waiting = true, of.group.waiting[:0]
		r.had++
		return nil
	}
	if err := r.wait(ctx, f.Time[0]); err != nil {
		return err
	}
	if err := of.group.publishWaiting(ctx); err != nil {
		return err
	}
	var err error
	if r.payload, err = of.encoder.Append(r.payload[:0], f); err != nil {
		return err
	}
	r.frames++
	return of.group.line.Frame(ctx, frame.HeaderOf(f), r.payload)
}

// wait holds a frame back until its time has come.
func (r *replay) wait(ctx context.Context, at int64) error {
	if r.speed == 0 {
		return ctx.Err()
	}
	if r.began.IsZero() {
		r.began, r.first = time.Now(), at
	}
	due := r.began.Add(time.Duration(float64(at-r.first) / r.speed))
	if time.Until(due) > 0 {
		if err := r.flush(ctx); err != nil {
			return err
		}
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(time.Until(due)):
		return nil
	}
}
