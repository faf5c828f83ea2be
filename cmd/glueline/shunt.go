package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/steps"
)

type shuntCommand struct {
	Channel  string        `arg:"" help:"Channel whose calibration resistor is connected."`
	For      time.Duration `default:"5s" help:"How long it stays connected, and is read before and after, in the time of the data."`
	Settling time.Duration `default:"1s" help:"What the channel needs after switching; the test file's shunt.settling is what counts."`
	signed
}

// Validate refuses a reading without length.
func (c *shuntCommand) Validate() error {
	return errors.Join(someTime("--for", c.For), c.signed.Validate())
}

// Run brackets a shunt by its events and reports the check.
func (c *shuntCommand) Run(ctx context.Context, s streams) error {
	control := newControl(c.Data)
	if err := c.stated(ctx, control); err != nil {
		return unpublished(err)
	}
	clock, err := control.readings(ctx)
	if err != nil {
		return unpublished(err)
	}
	clock.print(s.out)
	at := clock.At
	e := event.Event{Event: "shunt", State: "on", Channel: c.Channel, Time: at, Who: c.Who, Why: c.Why}
	if err := control.say(ctx, s, e, "The resistor is connected now; samples are flagged shunt-on and left out."); err != nil {
		return unpublished(err)
	}
	all := func(l *looks) (names []string) {
		for source := range l.Newest {
			names = append(names, source)
		}
		return names
	}
	read := c.For + c.Settling
	_, waited := control.until(ctx, at.Add(read).UnixNano(), all)
	e.State, e.Time = "off", at.Add(read)
	last := context.WithoutCancel(ctx) // whatever was connected is told to be off
	means := "It is disconnected."
	if waited != nil {
		means = "Disconnect it now: samples count again once the channel has settled."
	}
	if err := control.say(last, s, e, means); err != nil {
		return stands(err, "The shunt on "+c.Channel, "disconnect the resistor, and check again, which ends this one: until then samples are left out")
	}
	if waited != nil {
		return fmt.Errorf("%w; the shunt is off again in the journal: nothing stands there without an end, but this is no check", waited)
	}
	later := func(err error) error {
		return fmt.Errorf("%w; on and off stand in the journal, and the check is among the others once the files have ended: glueline steps --now --shunts %s", err, c.Data)
	}
	if _, err := control.until(ctx, at.Add(2*read+c.Settling+c.For).UnixNano(), all); err != nil {
		return later(err)
	}
	if err := control.cut(ctx, event.Event{Who: c.Who, Why: "the shunt check of " + c.Channel + " is read from finished files"}); err != nil {
		return later(err)
	}
	r, err := openResults(c.Data)
	if err != nil {
		return err
	}
	if err := r.only([]string{c.Channel}); err != nil {
		return err
	}
	checks, err := r.checks()
	if err != nil {
		return err
	}
	if n := len(checks); n > 0 && checks[n-1].On == at.UnixNano() {
		if err := printChecks(s.out, []steps.Check{checks[n-1]}, false); err != nil {
			return err
		}
		if why := checks[n-1].Void; why != "" {
			return fmt.Errorf("the check is void and says nothing: %s", why)
		}
		fmt.Fprintln(s.out, "It does not change the span: only readings that the test file names do. All checks: glueline steps --shunts", c.Data)
		if !checks[n-1].Agrees {
			return errReported
		}
		return nil
	}
	return fmt.Errorf("the check of %s is not in the files of %s", c.Channel, c.Data)
}

// stated refuses a check of which nothing could come: without the resistor of the
// test file there is no step to compare with.
func (c *shuntCommand) stated(ctx context.Context, control *control) error {
	l, err := control.look(ctx)
	if err != nil || l.Shunts[c.Channel] {
		return err
	}
	var with []string
	for _, name := range sortedKeys(l.Shunts) {
		if l.Shunts[name] {
			with = append(with, name)
		}
	}
	others := "no channel has one"
	if len(with) > 0 {
		others = "channels that have one: " + some(with)
	}
	if _, known := l.Shunts[c.Channel]; !known {
		return fmt.Errorf("nothing was published: no channel is called %q; %s", c.Channel, others)
	}
	return fmt.Errorf("nothing was published: the test file states no shunt for %s; %s. Write for example shunt: {location: completion, resistor: 100 kohm} "+
		"under the channel and send glueline serve SIGHUP; or, to have samples left out only: glueline handling begin %s", c.Channel, others, c.Channel)
}
