package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/printable"
)

// dataClock is the time that an event of this moment has, in every group.
//
// People act on what they see, which is the newest reading: an event is stamped
// just behind it, so that what is said one after the other stands so in the
// journal, and holds from the next reading on. Zeros, shunts and paired readings
// begin by the same clock.
//
//   - Of several sources the newest reading counts. One that lags reads the event
//     when it comes to that time itself. One whose clock is ahead of this machine's
//     does not count while another is not ahead: for the others its time is to come.
//   - When no reading comes from any source, the clock goes on where the data run
//     with this machine's clock: what a publisher holds back meanwhile, and sends
//     later, keeps its place before and after the event. Where they run at
//     another time, since they are replayed, it stands still: the event holds from
//     the next reading on, however long that takes.
//   - When nothing has come since the service began, it is this machine's clock.
type dataClock struct {
	At      time.Time     `json:"at"`
	Machine time.Time     `json:"machine"`
	Source  string        `json:"source,omitempty"` // that the newest reading is of; none when none has come
	Newest  time.Time     `json:"newest"`           // that reading, by its source's clock
	Silent  time.Duration `json:"silent_ns"`        // since when no reading comes at all; 0 while they do
}

// clockHelp is dataClock's rule for those who use the commands.
const clockHelp = "What is said holds for all groups of the test from the time just behind the newest reading of any source on, by the source's clock; " +
	"a source that lags has it when its own readings come to that time. While no readings come at all, the clock goes on where the data run with this machine's, " +
	"and stands still where they are replayed. It is said when the time is not that of this machine."

// heard is what is known of a source that readings have come from.
type heard struct {
	name    string
	newest  time.Time     // by its own clock
	arrived time.Time     // that reading, in the journal
	quiet   time.Duration // after which it is silent
}

// staleClock is how far data may come behind the machine's clock and still run
// with it: a test that is replayed is at another time. For how long a connection
// is down does not count: publishers send the oldest first, and the newest counts.
const staleClock = 5 * time.Minute

// untold is how far the data may be from the machine's clock without a word about
// it: people compare the times that commands print with their watches.
const untold = 3 * time.Second

func clockOf(sources []heard, now time.Time) dataClock {
	c := dataClock{At: now, Machine: now}
	ahead := func(s heard) bool { return s.newest.After(s.arrived.Add(clockWobble)) }
	if slices.ContainsFunc(sources, func(s heard) bool { return !ahead(s) }) {
		sources = slices.DeleteFunc(slices.Clone(sources), ahead)
	}
	if len(sources) == 0 {
		return c
	}
	// Of one time, the name decides: the answer does not come of an order of maps.
	of := slices.MaxFunc(sources, func(a, b heard) int { return cmp.Or(a.newest.Compare(b.newest), strings.Compare(b.name, a.name)) })
	silent := now.Sub(of.arrived)
	for _, s := range sources {
		since := now.Sub(s.arrived)
		if silent = min(silent, since); since <= s.quiet {
			silent = 0
		}
	}
	c.Source, c.Newest, c.Silent, c.At = of.name, of.newest, max(silent, 0), of.newest.Add(1)
	if c.Silent > 0 && of.arrived.Sub(of.newest).Abs() <= staleClock {
		c.At = of.newest.Add(now.Sub(of.arrived))
	}
	return c
}

// print says what people would not expect: that no readings come, or that the
// event has another time than their watches.
func (c dataClock) print(to io.Writer) {
	if text := c.says(); text != "" {
		var b strings.Builder
		paragraph(&b, "", "  ", printable.Text(text))
		fmt.Fprint(to, b.String())
	}
}

func (c dataClock) says() string {
	off := c.Machine.Sub(c.Newest)
	behind := age(off) + " behind"
	if off < 0 {
		behind = age(-off) + " ahead of"
	}
	switch {
	case c.Source == "":
		return "No readings have come since the service began: the time is that of this machine's clock."
	case c.Silent > 0 && c.At.Sub(c.Newest) > 1:
		return fmt.Sprintf("No readings have come for %s: the newest, of source %s, is of %s, %s this machine's clock. "+
			"The time is what the data's clock would show now: readings that are sent later keep their places before and behind it.",
			age(c.Silent), c.Source, moment(c.Newest.UnixNano()), behind)
	case c.Silent > 0:
		return fmt.Sprintf("No readings have come for %s: the newest, of source %s, is of %s, %s this machine's clock. The time is just behind it: it holds from the next reading on.",
			age(c.Silent), c.Source, moment(c.Newest.UnixNano()), behind)
	case off.Abs() > untold:
		return fmt.Sprintf("The time is that of the data, whose newest reading, of source %s, is %s this machine's clock.", c.Source, behind)
	}
	return ""
}

// readings is the clock of the data for whoever waits for readings: errSilent when
// none have come yet.
func (c *control) readings(ctx context.Context) (dataClock, error) {
	l, err := c.look(ctx)
	if err == nil && l.Clock.Source == "" {
		err = fmt.Errorf("%w: nothing has come since the service began", errSilent)
	}
	return l.Clock, err
}
