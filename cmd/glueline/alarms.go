package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/printable"
	"glueline/sinks/tell"
)

// alarmsCommands are about what a person is told of.
type alarmsCommands struct {
	Show        showAlarmsCommand  `cmd:"" default:"withargs" help:"Alarms and mutes: since when, at which value, who was told and when, and what to do."`
	Acknowledge acknowledgeCommand `cmd:"" help:"Answer for alarms, by name: nobody else is told of them, unless they become worse."`
	Mute        muteCommand        `cmd:"" help:"Hold alarms back, for work on the article, until an end. They are decided and shown all the same, and told of at the end when nobody has acknowledged them."`
	Unmute      unmuteCommand      `cmd:"" help:"End a mute before its time."`
	Try         tryCommand         `cmd:"" help:"Send a trial by every way of a person, and wait until it is taken over."`
	Replay      replayAlarms       `cmd:"" help:"Judge the archive again and print who would have been told, by the alarms of then or by those of another test file."`
}

type showAlarmsCommand struct {
	Data string `arg:"" default:"glueline-data" help:"Data folder of serve; one that is named like a command is written ./NAME."`
	JSON bool   `help:"All of it, for programs."`
	Past bool   `help:"Those too that are acknowledged and over (the newest 200 of a group)."`
}

// Run shows the alarms of a running service, or those that its files know of.
func (c *showAlarmsCommand) Run(ctx context.Context, s streams) error {
	var r alarmReport
	err := newControl(c.Data).call(ctx, http.MethodGet, "/alarms", nil, &r)
	if errors.Is(err, errNoService) {
		r, err = alarmsOf(c.Data)
	}
	if err != nil {
		return err
	}
	if c.JSON {
		e := json.NewEncoder(s.out)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	var b strings.Builder
	r.print(&b, c.Data, c.Past)
	_, err = io.WriteString(s.out, b.String())
	return err
}

func (r *alarmReport) print(w *strings.Builder, data string, past bool) {
	paragraph(w, "", "", printable.Text(cmp.Or(r.Test, data))+". "+r.Notice)
	if !r.Running {
		paragraph(w, "", "  ", fmt.Sprintf("No service runs on %s: this is what its files know. Nobody is told of anything until one does.", printable.Text(data)))
	}
	if r.Warning != "" {
		paragraph(w, "Warning: ", "  ", printable.Text(r.Warning))
	}
	for i := range r.Groups {
		g := &r.Groups[i]
		head := "Group " + printable.Text(g.Group)
		if !g.Now.IsZero() {
			head += ", " + moment(g.Now.UnixNano()) + " by the data"
		}
		if g.Cut != nil {
			head += fmt.Sprintf(", up to cut %d", *g.Cut)
		}
		fmt.Fprintf(w, "\n%s\n", head)
		if g.Error != "" {
			paragraph(w, "Warning: ", "  ", printable.Text(g.Error))
		}
		g.print(w, past)
	}
}

func (g *alarmGroup) print(w *strings.Builder, past bool) {
	shown := g.Alarms
	if past {
		shown = slices.Concat(shown, g.Past)
	}
	if len(shown) == 0 {
		fmt.Fprintln(w, "no alarm")
	} else {
		t := columns("alarm", "level", "state", "since", "what")
		for i := range shown {
			a := &shown[i]
			state := a.State
			switch {
			case a.State == alarmUnanswered:
				state += ", its cause is over"
			case !a.MutedUntil.IsZero():
				state += ", muted"
			}
			t.rows = append(t.rows, []string{a.Alarm, a.Level, state, moment(a.Since.UnixNano()), a.Text})
		}
		t.write(w)
		for i := range shown {
			shown[i].print(w)
		}
	}
	for _, m := range g.Mutes {
		held := "it has held nothing back"
		if len(m.Held) > 0 {
			held = "it holds back " + some(m.Held)
		}
		paragraph(w, "muted: ", "  ", printable.Text(fmt.Sprintf("%s until %s, by %s: %s; %s", m.What, moment(m.Until.UnixNano()), m.Who, m.Why, held)))
	}
	for _, d := range g.Waiting {
		paragraph(w, "not sent: ", "  ", printable.Text(fmt.Sprintf("%q to %s%s, decided %s by this machine's clock: %s", d.Subject, d.Who, byWay(d.Way), moment(d.Decided.UnixNano()), waitsFor(&d))))
	}
	if g.GivenUp > 0 {
		paragraph(w, "", "  ", fmt.Sprintf("%s given up, since more waited than a way can have waiting: the log says which.", count(g.GivenUp, "message")))
	}
}

func waitsFor(d *tell.Delivery) string {
	if d.Error == "" {
		return "it is being sent"
	}
	return fmt.Sprintf("%s (tried %s)", d.Error, times(d.Tries))
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

func byWay(way string) string {
	if way == "" {
		return ""
	}
	return " by " + way
}

// print says of one alarm what the table has no room for.
func (a *alarmShown) print(w *strings.Builder) {
	say := func(text string) { paragraph(w, "  ", "    ", printable.Text(text)) }
	fmt.Fprintf(w, "%s\n", printable.Text(a.Alarm))
	if a.Action != "" {
		say("what to do: " + a.Action)
	}
	for _, t := range a.Told {
		text := fmt.Sprintf("told %s at %s", t.Who, moment(t.At.UnixNano()))
		if len(t.Deliveries) == 0 {
			text += ": NOT sent, nothing of it stands in the ledger"
		}
		for i, d := range t.Deliveries {
			part := []string{": ", "; "}[min(i, 1)]
			switch {
			case !d.Sent.IsZero():
				part += fmt.Sprintf("%s took it over at %s by this machine's clock", d.Way, moment(d.Sent.UnixNano()))
			case d.GivenUp:
				part += fmt.Sprintf("%s NOT sent and given up: %s", d.Way, d.Error)
			default:
				part += strings.TrimPrefix(fmt.Sprintf("%s NOT sent: %s", d.Way, waitsFor(&d)), " ")
			}
			text += part
		}
		say(text)
	}
	if k := a.Acknowledged; k != nil {
		say(fmt.Sprintf("acknowledged at %s by %s: %s", moment(k.At.UnixNano()), k.Who, k.Why))
	}
	if k := a.TooLow; k != nil && a.Acknowledged == nil {
		say(fmt.Sprintf("%s acknowledged it as %s at %s, when it had become worse: that does not count", k.Who, k.Level, moment(k.At.UnixNano())))
	}
	if !a.MutedUntil.IsZero() {
		say("muted until " + moment(a.MutedUntil.UnixNano()))
	}
	if a.Next != nil {
		say(fmt.Sprintf("%s is told at %s, unless somebody acknowledges it", a.Next.Who, moment(a.Next.At.UnixNano())))
	}
	if a.State == alarmActive || a.State == alarmUnanswered {
		say("to answer for it: glueline alarms acknowledge " + shellWord(a.Alarm) + " --who NAME --why REASON")
	}
}

type acknowledgeCommand struct {
	Alarms []string `arg:"" name:"alarm" help:"Names, as glueline alarms shows them, for example heavy/force."`
	Level  string   `enum:",notice,warning,danger" default:"" help:"The level that was seen; by default the present one. An alarm that is higher by now stays."`
	explained
}

// Run publishes an acknowledgement each, once all of them are alarms.
func (c *acknowledgeCommand) Run(ctx context.Context, s streams) error {
	control := newControl(c.Data)
	var r alarmReport
	if err := control.call(ctx, http.MethodGet, "/alarms", nil, &r); err != nil {
		return err
	}
	events := []event.Event{}
	for _, name := range c.Alarms {
		a := r.find(name)
		if a == nil {
			return fmt.Errorf("%q is no alarm at present; there are: %s", name, cmp.Or(some(r.names()), "none"))
		}
		if a.State == alarmAcknowledged {
			fmt.Fprintf(s.out, "%s: acknowledged already, by %s\n", printable.Text(name), printable.Text(a.Acknowledged.Who))
			continue
		}
		events = append(events, event.Event{Event: event.Acknowledge, Name: name, Value: cmp.Or(c.Level, a.Level)})
	}
	for _, e := range events {
		means := "Nobody else is told of it. It is told of again when it becomes worse, and when it comes back."
		if a := r.find(e.Name); a.State == alarmActive {
			means += " Its cause is there still: " + a.Text + "."
		}
		if err := c.publish(ctx, s, e, means); err != nil {
			return err
		}
	}
	return control.untilAlarms(ctx, s, func(r *alarmReport) bool {
		return !slices.ContainsFunc(events, func(e event.Event) bool {
			a := r.find(e.Name)
			return a != nil && a.State != alarmAcknowledged
		})
	})
}

// untilAlarms waits until the service has met what was published.
func (c *control) untilAlarms(ctx context.Context, s streams, holds func(*alarmReport) bool) error {
	for deadline := time.Now().Add(knownWithin); ; {
		var r alarmReport
		if err := c.call(ctx, http.MethodGet, "/alarms", nil, &r); err != nil {
			return err
		}
		if holds(&r) {
			return nil
		}
		if time.Now().After(deadline) {
			fmt.Fprintln(s.out, "It stands in the journal; the service has not come to it yet. glueline alarms shows when it has.")
			return nil
		}
		select {
		case <-ctx.Done():
			return errInterrupted
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// find returns an alarm that waits or lasts; nil for none of that name.
func (r *alarmReport) find(name string) *alarmShown {
	for i := range r.Groups {
		for k := range r.Groups[i].Alarms {
			if a := &r.Groups[i].Alarms[k]; a.Alarm == name {
				return a
			}
		}
	}
	return nil
}

func (r *alarmReport) names() (all []string) {
	for i := range r.Groups {
		for k := range r.Groups[i].Alarms {
			all = append(all, r.Groups[i].Alarms[k].Alarm)
		}
	}
	return all
}

func (r *alarmReport) mutes(what string) bool {
	return slices.ContainsFunc(r.Groups, func(g alarmGroup) bool {
		return slices.ContainsFunc(g.Mutes, func(m muteShown) bool { return m.What == what })
	})
}

type muteCommand struct {
	What  string        `arg:"" help:"An alarm, a rule, a channel, rosette, quantity or source by its name; or all."`
	For   time.Duration `xor:"end" required:"" help:"How long, in the time of the data: 45m, 2h. At most 31 days."`
	Until time.Time     `xor:"end" required:"" placeholder:"TIME" help:"Its end, in the time of the data, for example 2026-05-04T16:00:00Z."`
	explained
}

// Run publishes a mute.
func (c *muteCommand) Run(ctx context.Context, s streams) error {
	control := newControl(c.Data)
	l, err := control.look(ctx)
	if err != nil {
		return unpublished(err)
	}
	until := c.Until
	if until.IsZero() {
		if err := someTime("--for", c.For); err != nil {
			return err
		}
		until = l.Clock.At.Add(c.For)
	}
	e := event.Event{Event: event.Mute, Name: c.What, Value: until.UTC().Format(time.RFC3339Nano)}
	means := fmt.Sprintf("Nobody is told of it until %s. What is decided meanwhile and not acknowledged is told of then.", moment(until.UnixNano()))
	if err := c.publish(ctx, s, e, means); err != nil {
		return err
	}
	return control.untilAlarms(ctx, s, func(r *alarmReport) bool { return r.mutes(c.What) })
}

type unmuteCommand struct {
	What string `arg:"" help:"What was muted."`
	explained
}

// Run publishes the end of a mute.
func (c *unmuteCommand) Run(ctx context.Context, s streams) error {
	if err := c.publish(ctx, s, event.Event{Event: event.Unmute, Name: c.What}, "What it held back is told of now."); err != nil {
		return err
	}
	return newControl(c.Data).untilAlarms(ctx, s, func(r *alarmReport) bool { return !r.mutes(c.What) })
}

type tryCommand struct {
	Who    []string      `arg:"" optional:"" name:"person" help:"Names in the file of ways; by default everybody in alarms.tell."`
	Data   string        `default:"glueline-data" help:"Data folder of the running service."`
	Within time.Duration `default:"30s" help:"How long to wait."`
}

// Run sends trials and says what became of each way.
func (c *tryCommand) Run(ctx context.Context, s streams) error {
	control := newControl(c.Data)
	body, err := json.Marshal(map[string][]string{"who": c.Who})
	if err != nil {
		return err
	}
	var trials []trial
	if err := control.call(ctx, http.MethodPost, "/alarms/try", body, &trials); err != nil {
		return err
	}
	failed := false
	deadline := time.Now().Add(c.Within)
	for _, t := range trials {
		all, err := control.tried(ctx, t.ID, deadline)
		if err != nil {
			return err
		}
		for _, d := range all {
			if d.Sent.IsZero() {
				failed = true
				fmt.Fprintf(s.out, "%s by %s: NOT sent: %s\n", printable.Text(d.Who), d.Way, printable.Text(waitsFor(&d)))
				continue
			}
			fmt.Fprintf(s.out, "%s by %s: taken over, trial %s. Ask whether it arrived: that is all this shows.\n", printable.Text(d.Who), d.Way, d.ID)
		}
	}
	if failed {
		fmt.Fprintln(s.out, "What was not sent is tried again by the service; its log and glueline alarms tell.")
		return errReported
	}
	return nil
}

// tried waits until every way of a trial has taken it over or has failed, or a
// deadline.
func (c *control) tried(ctx context.Context, id string, deadline time.Time) ([]tell.Delivery, error) {
	for {
		var all []tell.Delivery
		if err := c.call(ctx, http.MethodGet, "/alarms/deliveries/"+url.PathEscape(id), nil, &all); err != nil {
			return nil, err
		}
		waits := slices.ContainsFunc(all, func(d tell.Delivery) bool { return d.Sent.IsZero() && d.Error == "" && !d.GivenUp })
		if !waits || time.Now().After(deadline) {
			return all, nil
		}
		select {
		case <-ctx.Done():
			return nil, errInterrupted
		case <-time.After(20 * time.Millisecond):
		}
	}
}
