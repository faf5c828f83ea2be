package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/feed"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/printable"
	"glueline/pipeline/testfile"
)

type feedCommand struct {
	Test      string         `arg:"" name:"testfile" help:"The test file (YAML)."`
	Source    string         `arg:"" name:"source" help:"The source that the readings are of."`
	From      string         `default:"-" help:"Where rows come from, CSV with a header or JSON lines: - is standard input, FILE is read and followed while it grows, tcp://127.0.0.1:PORT waits for connections, one after the other."`
	Nats      string         `required:"" help:"URL of the running service's journal, for example nats://127.0.0.1:4222."`
	NatsCreds string         `type:"existingfile" help:"Credentials file for --nats."`
	Boot      string         `help:"Name of this run of the source's clock; a new one by default. With the same name and the same rows, repeats are noticed. Two feeds at the same time have two."`
	Again     bool           `help:"Send rows of FILE that are not later than the newest in the journal, too: without --boot they are left out. If they came before they are in the results twice, the second time flagged late."`
	End       bool           `help:"Stop at the end of the file instead of waiting for more."`
	Wait      *time.Duration `help:"How long to wait for the server when it is not there at the start; as long as it takes by default."`
	AllowOpen bool           `help:"Let tcp:// listen beyond this machine, where anyone may send readings."`
}

// Run carries rows of text into the journal as they come. A line that is no
// row is told, counted, and left out.
func (c *feedCommand) Run(ctx context.Context, s streams) error {
	test, err := testfile.Load(c.Test)
	if err != nil {
		return err
	}
	plans, err := group.Plans(test)
	if err != nil {
		return err
	}
	at := slices.IndexFunc(plans, func(p *group.Plan) bool { return slices.Contains(p.Sources(), c.Source) })
	if at < 0 {
		return fmt.Errorf("feed: no source is called %q; the test file declares %s", c.Source, strings.Join(test.Sources.Names(), ", "))
	}
	declared, _ := test.Sources.Get(c.Source)
	skips := c.Boot == "" && !c.Again && c.From != "-" && !strings.HasPrefix(c.From, network)
	if c.Boot == "" {
		c.Boot = "feed-" + rand.Text()
	}
	in, err := c.open(s)
	if err != nil {
		return err
	}
	connect := func() (*journal.Conn, error) {
		return journal.Connect(c.Nats, journal.ConnectOptions{
			Credentials: c.NatsCreds, Name: "glueline feed", Log: newPlainLog(s.err, "feed"),
		})
	}
	wait := awaiting{limit: c.Wait, say: func(text string) { fmt.Fprintf(s.err, "feed: %s\n", text) }}
	conn, j, err := wait.journal(ctx, connect, test.About.Name.Text, plans[at].Name)
	if err != nil {
		return errors.Join(err, in.close())
	}
	defer conn.Close()
	came := int64(math.MinInt64)
	if skips {
		ns, ok, err := j.NewestTime(ctx, c.Source)
		if err != nil {
			return errors.Join(err, in.close())
		}
		if ok {
			came = ns
		}
	}
	publisher, err := j.NewPublisher(c.Source, c.Boot, journal.PublisherOptions{})
	if err != nil {
		return errors.Join(err, in.close())
	}
	f := &feeding{command: c, test: test, plan: plans[at], rate: declared.Rate.Value, journal: j, publisher: publisher, came: came, err: s.err}
	err = f.run(ctx, in)
	err = errors.Join(err, f.end(ctx))
	quarantined := f.lastLook(ctx)
	missing := ""
	if f.missing > 0 {
		missing = fmt.Sprintf("; %s missing", count(f.missing, "reading"))
	}
	left := ""
	if f.left > 0 {
		left = fmt.Sprintf("; %s left out that the journal had", count(f.left, "row"))
	}
	fmt.Fprintf(s.out, "%s read%s%s; %s in the journal; %s refused.\n", count(int(f.rows), "row"), left, missing, count(int(publisher.Status().Acknowledged), "frame"), count(f.refused, "line"))
	if left := publisher.Status(); ctx.Err() != nil && errors.Is(err, journal.ErrUnsent) {
		because := "it did not answer"
		if left.Err != nil {
			because = left.Err.Error()
		}
		return fmt.Errorf("told to stop, and the journal took no more (%s); what it has not got: %s, whose first row is of %s. Feed the rows from that one on again",
			because, count(left.Waiting, "frame"), time.Unix(0, f.unsent(left)).UTC().Format(time.RFC3339Nano))
	}
	if err == nil && (f.refused > 0 || quarantined || f.shared) {
		return errReported
	}
	return err
}

// feeding is one run of the command.
type feeding struct {
	command   *feedCommand
	test      *testfile.Test
	plan      *group.Plan
	rate      float64 // Hz
	journal   *journal.Journal
	publisher *journal.Publisher
	err       io.Writer

	decoder  *feed.Decoder
	lines    feed.Lines
	framer   *feed.Framer
	rows     uint64
	missing  int // readings, in rows that were taken
	refused  int
	form     error   // what no later line can mend
	troubled bool    // it was said that the journal does not take frames
	came     int64   // ns, of the newest row when it began: up to it, a file's first rows are left out
	left     int     // of those
	firsts   []int64 // ns, of the first rows of frames: those sent, but the oldest that are acknowledged
	dropped  uint64  // of those

	overtaken int       // times that were told
	looked    time.Time // for a frame of ours in quarantine
	before    uint64    // sequence of the newest frame then
	told      bool      // that frames go to quarantine
	shared    bool      // it was said that another feed has the same boot
}

// feedSilence is after how long without input a frame is closed.
const feedSilence = 200 * time.Millisecond

// lastFrames is how long frames are kept trying for when the command was told
// to stop.
const lastFrames = 10 * time.Second

// run takes pieces of text until there are no more, or ctx ends, which is no
// error.
func (f *feeding) run(ctx context.Context, in *input) error {
	ctx, cancel := context.WithCancel(ctx)
	pieces := make(chan piece)
	ended := make(chan error, 1)
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		ended <- in.run(ctx, pieces)
	}()
	err := f.take(ctx, pieces, ended)
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		err = nil // it was told to stop
	}
	cancel()
	err = errors.Join(err, in.close())
	if in.ends {
		<-gone
	}
	return err
}

func (f *feeding) take(ctx context.Context, pieces <-chan piece, ended <-chan error) error {
	timer := time.NewTimer(feedSilence)
	defer timer.Stop()
	f.decoder = feed.NewDecoder(f.command.From, f.test, f.command.Source)
	var failed error
	each := func(text []byte, whole bool) {
		if failed == nil {
			failed = f.line(ctx, text, whole)
		}
	}
	for {
		select {
		case p := <-pieces:
			if p.said != "" {
				fmt.Fprintf(f.err, "feed: %s\n", printable.Text(p.said))
			}
			if p.begins {
				f.lines.End(each)
				f.decoder = feed.NewDecoder(p.name, f.test, f.command.Source)
				f.form = nil
			}
			f.lines.Push(p.text, each)
			p.done()
		case <-timer.C:
			failed = errors.Join(failed, f.send(ctx))
			f.look(ctx)
		case err := <-ended:
			f.lines.End(each)
			return errors.Join(failed, err)
		}
		if failed != nil {
			return failed
		}
		timer.Reset(feedSilence)
	}
}

// shown is how many refused lines are told one by one.
const shown = 100

// line takes one line. Its error ends the feeding.
func (f *feeding) line(ctx context.Context, text []byte, whole bool) error {
	if !whole {
		f.refuse(fmt.Errorf("%s:%d: the end of the line is missing, or it has more than %d bytes: it may be cut off", f.command.From, f.decoder.Number()+1, feed.MaxLine))
		f.decoder.Skip()
		return nil
	}
	at, readings, ok, err := f.decoder.Line(text)
	if err != nil {
		f.refuse(err)
		return nil
	}
	if !ok {
		return nil
	}
	if f.had(at) {
		return nil
	}
	columns := f.decoder.Columns()
	if f.framer == nil {
		if err := f.fits(columns); err != nil {
			f.refuse(fmt.Errorf("%w: %s:%d: %w", feed.ErrForm, f.command.From, f.decoder.Number(), err))
			return nil
		}
		f.framer = feed.NewFramer(f.command.Source, f.command.Boot, f.rate, columns)
	}
	if err := f.framer.Fits(columns); err != nil {
		f.refuse(fmt.Errorf("%w: %s:%d: %w; put it back as it was, or begin anew with another feed", feed.ErrForm, f.command.From, f.decoder.Number(), err))
		return nil
	}
	for {
		taken, err := f.framer.Add(at, readings)
		if err != nil {
			f.refuse(fmt.Errorf("%s:%d: %w", f.command.From, f.decoder.Number(), err))
			return nil
		}
		if taken {
			f.miss(columns, readings)
			break
		}
		if err := f.send(ctx); err != nil {
			return err
		}
	}
	if f.framer.Full() {
		return f.send(ctx)
	}
	return nil
}

// had says whether a row is one of those at a file's beginning that came before.
func (f *feeding) had(at int64) bool {
	if at > f.came {
		f.came = math.MinInt64
		return false
	}
	if f.left == 0 {
		fmt.Fprintf(f.err, "feed: the journal has rows of %s up to %s: those at the beginning of %s that are not later are left out. --again sends them too, for rows that did not come before\n",
			printable.Text(f.command.Source), time.Unix(0, f.came).UTC().Format(time.RFC3339Nano), printable.Text(f.command.From))
	}
	f.left++
	return true
}

// fits asks a reducer of the test file whether it would take rows of such
// columns, before any is sent: the service would refuse every frame.
func (f *feeding) fits(columns []frame.Column) error {
	one := &frame.Frame{Source: f.command.Source, Boot: f.command.Boot, Time: []int64{0}}
	for _, c := range columns {
		one.Columns = append(one.Columns, frame.Column{Name: c.Name, Unit: c.Unit, Float: []float64{math.NaN()}})
	}
	return group.NewReducer(f.plan).Reduce(one, new(group.Batch))
}

// miss counts the readings that a row has not, and tells of the first: an empty
// cell, nan and null are the ways to say so, but nan may also be what a logger
// makes of a fault.
func (f *feeding) miss(columns []frame.Column, readings []float64) {
	for i, reading := range readings {
		if !math.IsNaN(reading) {
			continue
		}
		if f.missing == 0 {
			fmt.Fprintf(f.err, "feed: %s:%d: no reading of %s (an empty cell, nan or null): it is missing, which is no mistake; from here on they are counted\n",
				printable.Text(f.command.From), f.decoder.Number(), printable.Text(columns[i].Name))
		}
		f.missing++
	}
}

func (f *feeding) refuse(err error) {
	f.refused++
	if errors.Is(err, feed.ErrForm) {
		if f.form != nil { // it holds for every line, and is told once
			return
		}
		f.form = err
	}
	switch {
	case f.refused <= shown:
		fmt.Fprintf(f.err, "feed: refused: %s\n", printable.Lines(err.Error()))
	case f.refused == shown+1:
		fmt.Fprintf(f.err, "feed: more than %d lines are refused; the others are counted\n", shown)
	}
}

// send hands the rows gathered over to the publisher, which waits for room.
func (f *feeding) send(ctx context.Context) error {
	if f.framer == nil {
		return nil
	}
	frame := f.framer.Take()
	if frame == nil {
		return nil
	}
	if err := f.publisher.Send(ctx, frame); err != nil {
		return err
	}
	f.rows += uint64(frame.Rows())
	f.firsts = append(f.firsts, frame.Time[0])
	f.framer.Done()
	f.unsent(f.publisher.Status())
	f.look(ctx)
	return nil
}

// unsent is the time in ns of the first row that the journal has not got; 0 when it has
// all.
func (f *feeding) unsent(status journal.PublisherStatus) int64 {
	f.firsts = f.firsts[status.Acknowledged-f.dropped:]
	f.dropped = status.Acknowledged
	if len(f.firsts) == 0 {
		return 0
	}
	return f.firsts[0]
}

// look says when the journal does not take frames, and when it does again; when
// another publisher came in between; and when frames are refused.
func (f *feeding) look(ctx context.Context) {
	status := f.publisher.Status()
	if status.Overtaken > f.overtaken {
		f.overtaken = status.Overtaken
		if status.Shared && !f.shared {
			f.shared = true
			fmt.Fprintf(f.err, "feed: another feed sends rows of %s under the same boot %s at the same time. Rows sent under it, here or there, may have been taken for repeats of the other's, and dropped: each feed takes a boot of its own (leave --boot out). "+
				"Stop one of the two, then feed its rows again\n", printable.Text(f.command.Source), printable.Text(f.command.Boot))
		}
		fmt.Fprintf(f.err, "feed: somebody else has sent frames of %s, under the boot %s; these go on under the boot %s, none is lost. A source has one publisher: find the other and stop it\n",
			printable.Text(f.command.Source), printable.Text(status.Rival), printable.Text(status.Boot))
	}
	if status.Err == nil && !f.told && time.Since(f.looked) >= asideEvery {
		f.quarantined(ctx, f.before)
		f.looked, f.before = time.Now(), status.Sequence
	}
	switch {
	case errors.Is(status.Err, journal.ErrRival) && !f.troubled:
		f.troubled = true
		fmt.Fprintf(f.err, "feed: another publisher goes on sending frames of %s, under the boot %s: these wait until it is silent, and are kept (%d now). Find the other and stop it\n",
			printable.Text(f.command.Source), printable.Text(status.Rival), status.Waiting)
	case status.Err != nil && !f.troubled:
		f.troubled = true
		fmt.Fprintf(f.err, "feed: the journal does not take frames (%s); %d are kept\n", printable.Text(status.Err.Error()), status.Waiting)
	case status.Err == nil && f.troubled:
		f.troubled = false
		fmt.Fprintln(f.err, "feed: the journal takes frames again")
	}
}

// asideEvery is how often a frame of a while ago is looked for in quarantine.
const asideEvery = time.Second

// quarantined looks for the frame of a sequence in quarantine and tells of it,
// once. A publisher that may not look there does without.
func (f *feeding) quarantined(ctx context.Context, seq uint64) bool {
	if f.told || seq == 0 {
		return f.told
	}
	ctx, cancel := context.WithTimeout(ctx, asideEvery)
	defer cancel()
	why, is, err := f.journal.RefusalOf(ctx, seq)
	if err != nil || !is {
		return false
	}
	f.told = true
	fmt.Fprintf(f.err, "feed: the service refuses these frames: %s: %s. They are kept in quarantine, not lost; glueline quarantine on the service's machine lists them and says what to do\n",
		why.Reason, printable.Text(why.Detail))
	return true
}

// lastLook looks once more when everything is sent, with a moment for the
// service to come to it.
func (f *feeding) lastLook(ctx context.Context) bool {
	f.look(ctx)
	status := f.publisher.Status()
	for try := 0; try < 5 && status.Sequence > 0 && status.Waiting == 0 && ctx.Err() == nil; try++ {
		if f.quarantined(ctx, status.Sequence) {
			break
		}
		select {
		case <-ctx.Done():
		case <-time.After(asideEvery / 10):
		}
	}
	return f.told
}

// end sends what is left. When the command was told to stop it does not wait
// for ever.
func (f *feeding) end(ctx context.Context) error {
	if ctx.Err() != nil {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(context.WithoutCancel(ctx), lastFrames)
		defer cancel()
	}
	return errors.Join(f.send(ctx), f.publisher.Close(ctx))
}
