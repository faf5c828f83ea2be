package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"glueline/pipeline/alarm"
	"glueline/pipeline/group"
	"glueline/pipeline/printable"
	"glueline/pipeline/testfile"
	"glueline/sinks/alarms"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/tell"
)

// alarmsFolder holds what was told to whom, and what the judges of alarms know.
const alarmsFolder = "alarms"

// ledgerOf is the ledger of a group's alarms.
func ledgerOf(data, name string) string {
	return filepath.Join(data, alarmsFolder, name+".ledger.jsonl")
}

// alarmDesk has a group's alarms judged and told.
type alarmDesk struct {
	group  string
	folder string
	outbox *tell.Outbox
	log    *slog.Logger
	sink   atomic.Pointer[alarms.Sink] // nil until a worker was at work
}

func openAlarmDesk(data, name string, ways *tell.Ways, log *slog.Logger) (*alarmDesk, error) {
	folder := filepath.Join(data, alarmsFolder)
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, fmt.Errorf("alarms: %w", err)
	}
	outbox, err := tell.Open(ledgerOf(data, name), ways, log.With("group", name))
	if err != nil {
		return nil, fmt.Errorf("group %s: %w", name, err)
	}
	return &alarmDesk{group: name, folder: folder, outbox: outbox, log: log}, nil
}

// decided hands on what was decided.
func (d *alarmDesk) decided(a alarm.Decision) {
	m, err := alarms.Message(a)
	if err != nil {
		d.log.Error("an alarm cannot be told", "group", d.group, "alarm", a.Alarm, "level", a.Level, "who", a.Who, "text", a.Text, "err", err)
		return
	}
	d.outbox.Decide(m)
}

// doesJudge is what a group does while its archive is judged for alarms.
const doesJudge = "judging the archive for alarms"

// judge makes the sink that judges what comes behind a cut; nil is the beginning.
func (g *liveGroup) judge(ctx context.Context, plan *group.Plan, newest *archive.Record) (*alarms.Sink, error) {
	d := g.alarms
	folder := g.faults.folder("alarms", d.folder)
	o := alarms.Options{Decided: d.decided, Sync: d.outbox.Sync, Folder: folder}
	if newest == nil {
		return alarms.New(plan, 0, nil, o)
	}
	state, err := alarms.State(folder, d.group, newest.Cut)
	if err == nil {
		var s *alarms.Sink
		if s, err = alarms.New(plan, newest.Cut+1, state, o); err == nil {
			return s, nil
		}
	}
	if !errors.Is(err, fs.ErrNotExist) {
		d.log.Warn("what was known of alarms cannot be read; it is made again from the archive", "group", d.group, "cut", newest.Cut, "err", err)
	}
	g.recovering.does(doesJudge)
	state, err = g.judgeArchive(ctx, plan, newest.Cut, folder)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		// Readings that come must be judged all the same.
		d.log.Error("alarms before this start are not known: the archive cannot be judged. What comes from here on is", "group", d.group, "err", err)
		state = nil
	}
	return alarms.New(plan, newest.Cut+1, state, o)
}

// judgeArchive makes the state behind a cut from the archive. What is found there
// that nobody was told of is logged: to send it now would be to cry of the past.
func (g *liveGroup) judgeArchive(ctx context.Context, plan *group.Plan, cut uint64, folder disk.Folder) ([]byte, error) {
	d := g.alarms
	found := func(a alarm.Decision) {
		if !d.outbox.Knows(a.ID) {
			d.log.Warn("the archive has an alarm that the ledger does not know; nobody is told of it now", "group", d.group,
				"id", a.ID, "alarm", a.Alarm, "level", a.Level, "kind", a.Kind, "who", a.Who, "at", a.At, "text", a.Text)
		}
	}
	s, err := alarms.New(plan, 0, nil, alarms.Options{Decided: found, Folder: folder})
	if err != nil {
		return nil, err
	}
	if err := alarms.Walk(ctx, g.raw, d.group, 0, cut+1, g.planOf, s); err != nil {
		return nil, err
	}
	return alarms.State(folder, d.group, cut)
}

// watchAlarms has the service's clock say what readings cannot: that none come, and
// that the time is up to tell somebody. It says so in the journal.
func (g *liveGroup) watchAlarms(ctx context.Context) {
	ticker := time.NewTicker(alarmTick)
	defer ticker.Stop()
	var w alarmClock
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		sink := g.alarms.sink.Load()
		if sink == nil {
			continue
		}
		for _, e := range w.look(time.Now(), sink.Watch()) {
			if err := g.publishNew(ctx, e); err != nil && ctx.Err() == nil {
				g.log.Error("the journal does not take what the clock of alarms says; it is said again", "group", g.plan.Name, "event", e.Event, "source", e.Source, "err", err)
			}
		}
	}
}

// errNoWay occurs when a test file has somebody told whom the file of ways does
// not know.
var errNoWay = errors.New("no way to tell")

// reached refuses a test whose people the file of ways does not all know. Without
// a file nobody can be told of anything: that is said, and not refused.
func reached(ways *tell.Ways, t *testfile.Test) error {
	if ways == nil {
		return nil
	}
	var unknown []string
	for _, who := range t.Alarms.Tell {
		if len(ways.Of(who.Who.Text)) == 0 && !slices.Contains(unknown, who.Who.Text) {
			unknown = append(unknown, who.Who.Text)
		}
	}
	if len(unknown) == 0 {
		return nil
	}
	return fmt.Errorf("%w %s: alarms.tell of the test file names them, and the file of ways (--ways) has only %s. Write them there, under people, and start again (deploy/ALARMS.md)",
		errNoWay, strings.Join(unknown, ", "), some(ways.People()))
}

// alarmWarning says what keeps a test's alarms from reaching a person; "" when
// nothing is known to.
func alarmWarning(ways *tell.Ways, t *testfile.Test) string {
	switch a := &t.Alarms; {
	case !a.Given:
		return ""
	case len(a.Tell) == 0:
		return "the test file has alarms and tells nobody of them: alarms.tell is missing. They are decided and kept, and that is all."
	case ways == nil:
		return "the test file has alarms, and without --ways FILE nobody can be told of them. They are decided and wait (deploy/ALARMS.md)."
	}
	return ""
}

// sayAlarms tells at the start who is told of alarms, and what they are not.
func sayAlarms(w io.Writer, ways *tell.Ways, t *testfile.Test) {
	if !t.Alarms.Given {
		return
	}
	if warning := alarmWarning(ways, t); warning != "" {
		fmt.Fprintf(w, "Alarms: WARNING: %s\n", warning)
		return
	}
	var names []string
	for _, who := range t.Alarms.Tell {
		by := []string{}
		for _, way := range ways.Of(who.Who.Text) {
			by = append(by, way.Name())
		}
		names = append(names, fmt.Sprintf("%s (%s)", who.Who.Text, strings.Join(by, ", ")))
	}
	fmt.Fprintf(w, "Alarms: %s. Try each way: glueline alarms try. No alarm of Glueline protects anybody.\n", printable.Text(strings.Join(names, ", then ")))
}

// loadWays reads the file of ways and holds the test's people to it; nil without
// one.
func (c *serveCommand) loadWays(k *keptTest) (*tell.Ways, error) {
	if c.Ways == "" {
		return nil, nil
	}
	ways, err := tell.LoadWays(c.Ways)
	if err != nil {
		return nil, err
	}
	return ways, reached(ways, k.test)
}

// closeAlarms closes the ledgers. What waits in them is sent after the next start.
func (s *service) closeAlarms() {
	for _, g := range s.groups {
		if g.alarms == nil {
			continue
		}
		if err := g.alarms.outbox.Close(); err != nil {
			s.log.Error("the ledger of alarms was not closed", "group", g.plan.Name, "err", err)
		}
	}
}
