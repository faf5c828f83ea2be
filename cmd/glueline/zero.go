package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
)

type zeroCommand struct {
	Kind     string        `required:"" enum:"installation,test,tare" help:"installation: what drift is judged from, for ever; test: what strain is counted from; tare: subtraction on screens and in exports only."`
	Name     string        `help:"What the zero is called in headings."`
	For      time.Duration `default:"30s" help:"Length of the window, in the time of the data."`
	Channels []string      `help:"Channels; all when none is named."`
	Force    string        `placeholder:"REASON" help:"Take it although something speaks against it."`
	Noise    float64       `default:"1" help:"Limit of the noise, um/m; three times that of the zero before is allowed too."`
	Trend    float64       `default:"1" help:"Limit of the trend over the window, um/m, where it is more than its error."`
	Moved    float64       `default:"0.5" help:"Limit of the change of temperature, K."`
	explained
}

// Validate refuses a window without length.
func (c *zeroCommand) Validate() error {
	var name error
	if c.Name != "" && strings.TrimSpace(c.Name) == "" {
		name = errors.New("--name is blank; say what the zero is called, or leave it out")
	}
	return errors.Join(name, someTime("--for", c.For), c.explained.Validate())
}

// Run takes a zero over the readings that come next, or refuses it.
func (c *zeroCommand) Run(ctx context.Context, s streams) error {
	control := newControl(c.Data)
	clock, err := control.readings(ctx)
	if err != nil {
		return unpublished(err)
	}
	clock.print(s.out)
	at := clock.At
	e := event.Event{Event: "zero", State: "begin", Kind: c.Kind, Name: c.Name, Channels: c.Channels, Time: at, Who: c.Who, Why: c.Why}
	if err := control.say(ctx, s, e, fmt.Sprintf("Readings are averaged for %s.", c.For)); err != nil {
		return unpublished(err)
	}
	began := time.Now()
	zeros, waited := control.window(ctx, at, c.For, c.Kind, c.Channels)
	limits := group.DefaultZeroLimits
	limits.Noise, limits.Trend, limits.Moved = c.Noise*1e-6, c.Trend*1e-6, c.Moved
	refused := printZeros(s.out, zeros, limits)
	if waited != nil {
		refused = append(refused, waited.Error())
	} else if len(zeros) == 0 {
		refused = append(refused, "nothing is being read")
	}
	for _, name := range c.Channels {
		if !slices.ContainsFunc(zeros, func(z group.ZeroLook) bool { return z.Channel == name }) {
			refused = append(refused, name+": no wire serves it now")
		}
	}
	ctx = context.WithoutCancel(ctx) // a window that was opened is closed
	e.Time = control.windowEnd(ctx, at, c.For, began, waited)
	unended := func(err error) error {
		return stands(err, "The begin of the zero", "take the zero again, which takes its place")
	}
	switch {
	case errors.Is(waited, errInterrupted):
		e.State, e.Why = "void", errInterrupted.Error()
		if err := control.say(ctx, s, e, "Interrupted: the window is closed again; nothing stands in the journal without an end. The zero before stays in force."); err != nil {
			return unended(err)
		}
		return errReported
	case len(refused) == 0:
		e.State = "end"
		return unended(control.say(ctx, s, e, means[c.Kind]))
	case c.Force != "" && waited == nil && len(zeros) > 0:
		e.State, e.Why = "end", fmt.Sprintf("%s; forced: %s; against it: %s", c.Why, c.Force, strings.Join(refused, "; "))
		return unended(control.say(ctx, s, e, means[c.Kind]+" It was forced; the reasons against it are kept with it."))
	}
	e.State, e.Why = "void", strings.Join(refused, "; ")
	if err := control.say(ctx, s, e, "Refused; the zero before stays in force. Against it: "+e.Why+"."+idleHint(refused)+"\nMend that, or leave channels out with --channels, or give a reason with --force."); err != nil {
		return unended(err)
	}
	return errReported
}

// idleHint names the command for what most often speaks against a zero.
func idleHint(refused []string) string {
	if slices.ContainsFunc(refused, func(r string) bool { return strings.HasSuffix(r, group.NotSaidIdle) }) {
		return "\nIf nothing acts on the article that may change, say so first: glueline load-state idle --who NAME"
	}
	return ""
}

// means says what a kind of zero does.
var means = map[string]string{
	"installation": "Drift is judged from it; strain is counted from it until there is a test zero.",
	"test":         "Strain and stress are counted from it from now on.",
	"tare":         "It is subtracted on screens and in exports that say so; files are not changed by it.",
}

// window waits until the readings of a window have come, and returns what they
// are so far, of the named channels or of all.
func (c *control) window(ctx context.Context, at time.Time, length time.Duration, kind string, channels []string) ([]group.ZeroLook, error) {
	of := func(l *looks) (zeros []group.ZeroLook) {
		for _, z := range l.Zeros {
			if z.Kind == kind && (len(channels) == 0 || slices.Contains(channels, z.Channel)) {
				zeros = append(zeros, z)
			}
		}
		return zeros
	}
	sources := map[string]bool{}
	l, err := c.until(ctx, at.Add(length).UnixNano(), func(l *looks) []string {
		// A window opens with the first row behind its beginning: until then all
		// sources count, and something must be open.
		for _, z := range of(l) {
			sources[z.Source] = true
		}
		var names []string
		for source := range l.Newest {
			if len(sources) == 0 || sources[source] {
				names = append(names, source)
			}
		}
		return names
	})
	return of(&l), err
}

// windowEnd is when a window of readings ends: not ahead of what was read, where
// waiting for it was interrupted or no readings came, for it would hold against
// what is done next.
func (c *control) windowEnd(ctx context.Context, at time.Time, length time.Duration, began time.Time, waited error) time.Time {
	end := at.Add(length)
	switch {
	case errors.Is(waited, errInterrupted):
		return at.Add(min(length, time.Since(began)))
	case waited != nil:
		if l, err := c.look(ctx); err == nil && l.Clock.At.Before(end) {
			end = l.Clock.At
		}
		if end.Before(at) {
			return at
		}
	}
	return end
}

// against lists what speaks against one channel's reading.
func against(zeros []group.ZeroLook, channel string, waited error) []string {
	if waited != nil {
		return []string{waited.Error()}
	}
	for i := range zeros {
		if zeros[i].Channel == channel {
			return zeros[i].Against(group.DefaultZeroLimits)
		}
	}
	return []string{"nothing was read"}
}

// printZeros prints a line a channel and returns what speaks against them.
func printZeros(w io.Writer, zeros []group.ZeroLook, limits group.ZeroLimits) (refused []string) {
	if len(zeros) == 0 {
		return nil
	}
	t := table{head: []string{"channel", "readings", "zero mV/V", "noise um/m", "trend um/m", "temperature degC", "load", "verdict"},
		right: []bool{false, true, true, true, true, true, true, false}}
	for i := range zeros {
		z := &zeros[i]
		verdict := "good"
		if reasons := z.Against(limits); len(reasons) > 0 {
			verdict = strings.Join(reasons, "; ")
			refused = append(refused, z.Channel+": "+verdict)
		}
		t.rows = append(t.rows, []string{z.Channel, fmt.Sprint(z.Readings), digits(float64(z.Ratio)*1e3, 6), um(float64(z.Noise), 2),
			um(float64(z.Trend), 2), digits(float64(z.Temperature), 2), digits(float64(z.Load), 3), verdict})
	}
	t.write(w)
	return refused
}
