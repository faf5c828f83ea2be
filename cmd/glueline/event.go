package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/printable"
)

// peopleCommands are what people say and do during a test, and its report.
type peopleCommands struct {
	Zero       zeroCommand       `cmd:"" help:"Take a zero over the readings that come next."`
	Shunt      shuntCommand      `cmd:"" help:"Check instrument, leads and wiring of a channel with its calibration resistor."`
	Step       stepCommand       `cmd:"" help:"A named load step begins, holds or ends."`
	Phase      phaseCommand      `cmd:"" help:"A named stretch of the test begins."`
	LoadState  loadStateCommand  `cmd:"" name:"load-state" help:"The article is idle or loaded."`
	Insulation insulationCommand `cmd:"" help:"An insulation reading, gauge to article."`
	Handling   handlingCommand   `cmd:"" help:"Somebody works at a gauge."`
	Excitation excitationCommand `cmd:"" help:"The excitation of a source is switched."`
	Sign       signCommand       `cmd:"" help:"An installation was looked at and may be believed again."`
	Rewire     rewireCommand     `cmd:"" help:"A cable is re-routed or re-terminated, with readings before and after."`
	Replace    replaceCommand    `cmd:"" help:"A gauge is replaced, with readings before and after."`
	Balance    balanceCommand    `cmd:"" help:"A bridge is balanced in the instrument, with readings before and after."`
	Note       noteCommand       `cmd:"" help:"A note."`
	Steps      stepsCommand      `cmd:"" help:"Report load steps, or shunt checks, from committed files: mean over the hold, prediction, slope, hysteresis, return to zero."`
}

// signed is what every command says that changes the meaning of later samples.
type signed struct {
	Data string `default:"glueline-data" help:"Data folder of the running service."`
	Who  string `required:"" env:"GLUELINE_WHO" help:"Who does it: a person's name."`
	Why  string `help:"Why it is done."`
}

// explained is signed with a reason that may not be left out.
type explained struct {
	Data string `default:"glueline-data" help:"Data folder of the running service."`
	Who  string `required:"" env:"GLUELINE_WHO" help:"Who does it: a person's name."`
	Why  string `required:"" help:"Why it is done."`
}

// Validate refuses a blank name or reason.
func (s signed) Validate() error {
	if s.Why == "" {
		s.Why = "-" // it may be left out
	}
	return explained(s).Validate()
}

// Validate refuses a blank name or reason: it would stand in the journal for ever.
func (s explained) Validate() error {
	switch {
	case strings.TrimSpace(s.Who) == "":
		return errors.New("--who is blank; give a person's name")
	case strings.TrimSpace(s.Why) == "":
		return errors.New("--why is blank; say why it is done")
	}
	return nil
}

// Help says whose time an event has.
func (s signed) Help() string { return explained(s).Help() }

// Help says whose time an event has.
func (explained) Help() string { return clockHelp }

func (s signed) publishFitting(ctx context.Context, to streams, e event.Event, means, force string) error {
	return explained(s).publishFitting(ctx, to, e, means, force)
}

func (s signed) publish(ctx context.Context, to streams, e event.Event, means string) error {
	return explained(s).publish(ctx, to, e, means)
}

// publish publishes one event of this moment and says what was published and
// what it means.
func (s explained) publish(ctx context.Context, to streams, e event.Event, means string) error {
	c := newControl(s.Data)
	e.Who, e.Why = s.Who, s.Why
	return c.sayNow(ctx, to, e, means)
}

// publishFitting is publish, once nothing that is begun speaks against the event.
func (s explained) publishFitting(ctx context.Context, to streams, e event.Event, means, force string) error {
	c := newControl(s.Data)
	e.Who, e.Why = s.Who, s.Why
	if err := c.fits(ctx, &e, force); err != nil {
		return unpublished(err)
	}
	return c.sayNow(ctx, to, e, means)
}

// sayNow is say of this moment, by the clock of the data.
func (c *control) sayNow(ctx context.Context, to streams, e event.Event, means string) error {
	l, err := c.look(ctx)
	if err != nil {
		return unpublished(err)
	}
	e.Time = l.Clock.At
	if err := c.say(ctx, to, e, means); err != nil {
		return unpublished(err)
	}
	l.Clock.print(to.out)
	return nil
}

// say publishes an event and says so.
func (c *control) say(ctx context.Context, to streams, e event.Event, means string) error {
	p, err := c.publish(ctx, e)
	if err != nil {
		return err
	}
	fmt.Fprintf(to.out, "%s  %s, by %s (event %s)\n", p.Event.Time.UTC().Format(toMillisecond), printable.Text(words(p.Event)), printable.Text(p.Event.Who), p.ID)
	if means != "" {
		fmt.Fprintln(to.out, printable.Lines(means))
	}
	return nil
}

// words is an event as people say it.
func words(e event.Event) string {
	switch e.Event {
	case "check":
		return "signed: the installation of " + e.Channel + " was looked at and found sound"
	case event.RuledOut:
		return "ruled out as a cause for " + e.Channel + ": " + e.Name
	}
	parts := []string{e.Event}
	for _, part := range []string{e.Kind, e.Name, e.Source, strings.Join(e.Names(), ","), e.State, e.Value, e.Target, e.Text} {
		if part != "" {
			parts = append(parts, part)
		}
	}
	return strings.Join(parts, " ")
}

type stepCommand struct {
	State  string `arg:"" enum:"begin,hold,end" help:"begin: loading begins; hold: the load is reached and holds; end: it does not hold any more."`
	Name   string `arg:"" help:"Name of the step, as predictions and reports call it."`
	Target string `help:"What it is loaded to, a number with its unit, for example \"250 kN\"."`
	Force  string `placeholder:"REASON" help:"Say it although no such step was begun, or one was already."`
	signed
}

// Run publishes a step's event.
func (c *stepCommand) Run(ctx context.Context, s streams) error {
	begins := "Its loading begins here; say hold when the load is reached."
	if c.State == "begin" {
		open, err := newControl(c.Data).openSteps(ctx, c.Name)
		if err != nil {
			return unpublished(err)
		}
		if len(open) > 0 {
			begins = fmt.Sprintf("Not ended yet: %s. If that is over, say so: glueline step end %s", some(open), shellWord(open[0]))
		}
	}
	means := map[string]string{
		"begin": begins,
		"hold":  "Means of the step are taken from here to its end; predictions of the test file are compared.",
		"end":   "The hold is over: glueline steps reports it.",
	}[c.State]
	return c.publishFitting(ctx, s, event.Event{Event: "step", State: c.State, Name: c.Name, Target: c.Target}, means, c.Force)
}

type phaseCommand struct {
	Name string `arg:"" help:"What the stretch of the test that begins now is called."`
	signed
}

// Run publishes a phase.
func (c *phaseCommand) Run(ctx context.Context, s streams) error {
	return c.publish(ctx, s, event.Event{Event: "phase", Name: c.Name}, "")
}

type loadStateCommand struct {
	State string `arg:"" enum:"idle,loaded" help:"idle: nothing acts on the article that may change; loaded: something does."`
	signed
}

// Run publishes the load state.
func (c *loadStateCommand) Run(ctx context.Context, s streams) error {
	means := "Zeros and paired readings are refused until it is idle again."
	if c.State == "idle" {
		means = "Zeros may be taken; a jump of a reading is flagged."
	}
	return c.publish(ctx, s, event.Event{Event: "load-state", State: c.State}, means)
}

type insulationCommand struct {
	Channel string `arg:"" help:"Channel whose gauge was measured against the article."`
	Value   string `arg:"" help:"Resistance with its unit, for example \"2000 Mohm\"."`
	signed
}

// Run publishes an insulation reading.
func (c *insulationCommand) Run(ctx context.Context, s streams) error {
	return c.publish(ctx, s, event.Event{Event: "insulation", Channel: c.Channel, Value: c.Value}, "")
}

type handlingCommand struct {
	State   string `arg:"" enum:"begin,end" help:"begin: somebody starts work there; end: the work is done."`
	Channel string `arg:"" help:"Channel whose gauge or cable somebody works at."`
	Force   string `placeholder:"REASON" help:"Say it although no such work was begun, or it was already."`
	explained
}

// Run publishes that somebody works at a gauge.
func (c *handlingCommand) Run(ctx context.Context, s streams) error {
	means := "Its samples count again."
	if c.State == "begin" {
		means = "Its samples are flagged handled and left out of summaries, steps and cycles until the end."
	}
	return c.publishFitting(ctx, s, event.Event{Event: "handling", State: c.State, Channel: c.Channel}, means, c.Force)
}

type excitationCommand struct {
	State  string `arg:"" enum:"off,on" help:"off: the bridges get none from now on; on: they get it again, and warm up."`
	Source string `arg:"" help:"Source whose excitation is switched."`
	Force  string `placeholder:"REASON" help:"Say it although it is off already."`
	explained
}

// Run publishes that excitation is switched.
func (c *excitationCommand) Run(ctx context.Context, s streams) error {
	means := "Samples of the source are flagged until it has warmed up."
	if c.State == "off" {
		means = "Samples of the source are flagged until it is on and has warmed up."
	}
	return c.publishFitting(ctx, s, event.Event{Event: "excitation", State: c.State, Source: c.Source}, means, c.Force)
}

type signCommand struct {
	Channel string `arg:"" help:"Channel whose installation was looked at and found sound."`
	explained
}

// Run publishes a signed check of an installation.
func (c *signCommand) Run(ctx context.Context, s streams) error {
	return c.publish(ctx, s, event.Event{Event: "check", Channel: c.Channel},
		"Samples are not flagged any more for what was before: its temperatures, a jump.")
}

type noteCommand struct {
	Text     string   `arg:"" help:"What is to be remembered."`
	Channels []string `help:"Channels that it is about; none for the test."`
	signed
}

// Run publishes a note.
func (c *noteCommand) Run(ctx context.Context, s streams) error {
	return c.publish(ctx, s, event.Event{Event: "note", Text: c.Text, Channels: c.Channels}, "")
}

// pairedCommand is work that a reading may jump through.
type pairedCommand struct {
	State string        `arg:"" enum:"begin,end" help:"begin: a reading is taken, then the work may begin; end: the work is done, another reading is taken."`
	What  string        `arg:"" name:"position" help:"Position, or channel, that it is about."`
	For   time.Duration `default:"10s" help:"Length of the reading, in the time of the data."`
	Force string        `placeholder:"REASON" help:"Say it although no such work was begun, or it was already; or begin it although no readings come, so that the series restarts."`
	explained
}

// Validate refuses a reading without length.
func (c *pairedCommand) Validate() error {
	return errors.Join(someTime("--for", c.For), c.explained.Validate())
}

type (
	rewireCommand  struct{ pairedCommand }
	replaceCommand struct{ pairedCommand }
	balanceCommand struct{ pairedCommand }
)

// Run publishes that a cable is worked at.
func (c *rewireCommand) Run(ctx context.Context, s streams) error { return c.run(ctx, s, "rewire") }

// Run publishes that a gauge is replaced.
func (c *replaceCommand) Run(ctx context.Context, s streams) error {
	if err := c.run(ctx, s, "replace"); err != nil {
		return err
	}
	if c.State == "begin" {
		fmt.Fprintln(s.out, "State the new gauge and its wiring, from now on, in the test file, and have the service read it (SIGHUP) before the end: the zero is carried to the new gauge only then, and only within one source.")
	}
	return nil
}

// Run publishes that a bridge is balanced in the instrument.
func (c *balanceCommand) Run(ctx context.Context, s streams) error { return c.run(ctx, s, "balance") }

// run takes the reading before, or after, the work.
func (c *pairedCommand) run(ctx context.Context, s streams, word string) error {
	control := newControl(c.Data)
	l, err := control.look(ctx)
	if err != nil {
		return c.untold(err, word)
	}
	channels := l.Positions[c.What]
	if len(channels) == 0 {
		channels = []string{c.What} // the service says whether there is one
	}
	open, shut := "before", "begin"
	if c.State == "end" {
		open, shut = "after", "end"
	}
	why := c.Why
	for _, channel := range channels {
		e := event.Event{Event: word, State: c.State, Channel: channel, Why: c.Why}
		if err := control.fits(ctx, &e, c.Force); err != nil {
			return c.untold(err, word)
		}
		if e.Why != c.Why {
			why = e.Why
		}
	}
	var begun []group.Begun
	if err := control.call(ctx, "GET", "/begun", nil, &begun); err != nil {
		return c.untold(err, word)
	}
	clock, err := control.readings(ctx)
	if err != nil {
		return c.untold(err, word)
	}
	clock.print(s.out)
	at := clock.At
	if ctx.Err() != nil {
		return c.untold(errInterrupted, word)
	}
	last := context.WithoutCancel(ctx) // from here on the journal is told how it ended
	event := func(channel, state string, at time.Time) event.Event {
		return event.Event{Event: word, State: state, Channel: channel, Time: at, Who: c.Who, Why: why}
	}
	for _, channel := range channels {
		if err := control.say(last, s, event(channel, open, at), ""); err != nil {
			return err
		}
	}
	began := time.Now()
	readings, waited := control.window(ctx, at, c.For, "pair", channels)
	at = control.windowEnd(last, at, c.For, began, waited)
	again := fmt.Sprintf("glueline %s %s %s", word, c.State, c.What)
	unended := func(err error) error { return stands(err, "A reading for the "+word+" of "+c.What, again) }
	if c.State == "begin" && ctx.Err() != nil {
		waited = errInterrupted // in the very last moment
	}
	interrupted := errors.Is(waited, errInterrupted)
	unread := c.State == "begin" && !interrupted && !allRead(readings, channels, waited)
	if unread && c.Force != "" {
		why = strings.TrimPrefix(fmt.Sprintf("%s; forced: %s; against it: no readings came, so that the series restarts", why, c.Force), "; ")
	}
	for _, channel := range channels {
		bad := against(readings, channel, waited)
		if unread && len(bad) == 0 && c.Force == "" {
			bad = []string{"no readings of another channel of " + c.What} // they begin together, or not at all
		}
		if len(bad) > 0 {
			drop := event(channel, "void", at)
			drop.Why = strings.Join(bad, "; ")
			if err := control.say(last, s, drop, ""); err != nil {
				return unended(err)
			}
		}
		if c.State == "begin" && (interrupted || unread && c.Force == "") {
			continue // nothing is begun after an interruption, or without readings
		}
		alone := unpaired(begun, word, channel, l.Wires[channel])
		means := "The reading was taken. Do the work now; then: glueline " + word + " end " + c.What
		switch {
		case c.State == "begin" && len(bad) > 0:
			means = "The reading is none to carry a zero over: " + strings.Join(bad, "; ") + ". Without it the series restarts: samples are flagged replaced until a zero is taken."
		case c.State == "end" && alone != "":
			means = "No zero is carried over the " + word + ": " + alone + ". The series restarts: samples are flagged replaced until a zero is taken."
		case c.State == "end" && len(bad) > 0:
			means = "The reading is none to carry a zero over: " + strings.Join(bad, "; ") + ". Take a zero."
		case c.State == "end":
			means = "The zero is carried over when there was a reading before the work in an idle state too; else the series restarts, flagged replaced until a zero is taken."
		}
		if err := control.say(last, s, event(channel, shut, at), means); err != nil {
			return unended(err)
		}
	}
	switch {
	case interrupted && c.State == "begin":
		return fmt.Errorf("%w; the reading was dropped and no %s has begun: nothing stands in the journal without an end. Again: %s", waited, word, again)
	case unread && c.Force == "":
		return fmt.Errorf("%w: %w. Without a reading before the work no zero can be carried over it. No %s has begun: nothing stands in the journal without an end. "+
			"Bring the readings back (glueline status tells how old they are) and say it again: %s; or, to do the work all the same and have the series restart: --force REASON", errUnread, cmp.Or(waited, errFew), word, again)
	case unread:
		return nil // it was said, and forced
	case interrupted:
		return fmt.Errorf("%w; the %s has ended in the journal without the reading after it, so that no zero is carried over. Take a zero: until then samples are flagged replaced", waited, word)
	}
	return waited
}

// errUnread occurs when work is to begin and no readings come ahead of it.
var errUnread = errors.New("refused, nothing was read")

// errFew occurs when one of several channels has no readings.
var errFew = errors.New("a channel of it has no readings")

// allRead reports whether there are readings of every channel.
func allRead(readings []group.ZeroLook, channels []string, waited error) bool {
	return waited == nil && !slices.ContainsFunc(channels, func(channel string) bool {
		return !slices.ContainsFunc(readings, func(z group.ZeroLook) bool { return z.Channel == channel && z.Readings > 0 })
	})
}

// untold is an error ahead of the first event.
func (c *pairedCommand) untold(err error, word string) error {
	if !errors.Is(err, errInterrupted) {
		return err
	}
	if c.State == "end" {
		return fmt.Errorf("%w; the begin of the %s stands in the journal. Again: glueline %s end %s", unpublished(err), word, word, c.What)
	}
	return unpublished(err)
}
