package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/printable"
	"glueline/pipeline/worker"
)

// errNeedsRestart occurs when a changed test file has other sources: they are
// declared to the journal when the service starts.
var errNeedsRestart = errors.New("only constants, limits, channels and wiring change while the service runs; stop it and start it again")

// mayReload says whether a test file may take the place of another while the
// service runs.
func mayReload(before, after *keptTest) error {
	if a, b := before.test.About.Name.Text, after.test.About.Name.Text; a != b {
		return fmt.Errorf("the test is called %q, was %q: %w", b, a, errNeedsRestart)
	}
	if a, b := sourcesOf(before.plans), sourcesOf(after.plans); !slices.Equal(a, b) {
		return fmt.Errorf("its groups and sources are %s, were %s: %w", strings.Join(b, ", "), strings.Join(a, ", "), errNeedsRestart)
	}
	return nil
}

func sourcesOf(plans []*group.Plan) []string {
	var all []string
	for _, p := range plans {
		for _, s := range p.Sources() {
			all = append(all, p.Name+"/"+s)
		}
	}
	return all
}

// reloadWhenAsked reads the test file again at each SIGHUP, until ctx ends.
func (c *serveCommand) reloadWhenAsked(ctx context.Context, s streams, svc *service) {
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGHUP)
	defer signal.Stop(asked)
	for {
		select {
		case <-ctx.Done():
			return
		case <-asked:
		}
		if !svc.opened.Load() {
			svc.log.Warn("the test file is not read again while the journal opens: ask once more")
			continue
		}
		said, err := svc.reload(ctx, c.Test)
		svc.reloaded.Store(&reloadResult{time.Now(), err == nil})
		if err != nil {
			fmt.Fprintf(s.err, "%s\nNothing has changed: the test file in force stays.\n", printable.Lines(err.Error()))
			continue
		}
		fmt.Fprintln(s.out, printable.Lines(said))
	}
}

// reload has the test file at path hold from here on, by an event in the
// journal of every group, and says what is other. After an error the one before
// stays in force.
func (s *service) reload(ctx context.Context, path string) (said string, err error) {
	next, err := readTest(path)
	if err != nil {
		return "", err
	}
	s.changing.Lock()
	defer s.changing.Unlock()
	now := s.current.Load()
	if next.digest == now.digest {
		return fmt.Sprintf("%s is as it was.", path), nil
	}
	if err := mayReload(now, next); err != nil {
		return "", fmt.Errorf("%s: %w", path, err)
	}
	if err := reached(s.ways, next.test); err != nil {
		return "", fmt.Errorf("%s: %w", path, err)
	}
	if err := undoes(s.data, now, next, s.undo); err != nil {
		return "", fmt.Errorf("%s: %w", path, err)
	}
	lines, err := group.Differences(now.plans, next.plans)
	if err != nil {
		return "", err
	}
	// It is on disk before the journal names it.
	if err := next.keep(s.data); err != nil {
		return "", err
	}
	if _, err := publishToAll(ctx, s.groups, calibrationEvent(next.digest, "asked to reload", lines)); err != nil {
		return "", fmt.Errorf("say so in the journal: %w", err)
	}
	s.current.Store(next)
	s.settled = true // every journal has heard of this one, however far its group has come
	text := strings.Join(lines, "\n  ")
	if text == "" {
		text = "no constant is another"
	}
	if warning := alarmWarning(s.ways, next.test); warning != "" {
		text += "\nAlarms: WARNING: " + warning
	}
	s.log.Info("another test file from here on", "digest", next.digest, "was", now.digest, "changes", len(lines))
	return fmt.Sprintf("%s holds from here on:\n  %s", path, text), nil
}

// longestWhy keeps an event short; the files say the rest.
const longestWhy = 2000

func calibrationEvent(digest, asked string, lines []string) event.Event {
	why := asked
	if len(lines) > 0 {
		why += ": " + strings.Join(lines, "; ")
	}
	if len(why) > longestWhy {
		why = strings.ToValidUTF8(why[:longestWhy], "") + "…"
	}
	return event.Event{Event: event.Calibration, Time: time.Now().UTC(), Who: "glueline serve", Why: why, Digest: digest}
}

// settle has the groups work by the test file that the service was started
// with, where another is in force: it was changed while no service ran, or one
// ended before every journal had heard of it. It reports whether inForce knew of
// every group; a reload that told them all since leaves nothing to do.
func (s *service) settle(ctx context.Context, inForce func(*liveGroup) (digest string, known bool)) (all bool, err error) {
	s.changing.Lock()
	defer s.changing.Unlock()
	if s.settled {
		return true, nil
	}
	want, all := s.current.Load(), true
	revision, err := wantedRevision(s.data)
	if err != nil {
		return false, err
	}
	for _, g := range s.groups {
		digest, known := inForce(g)
		if !known || digest == want.digest && *g.revision.Load() == revision {
			all = all && known
			continue
		}
		var lines []string
		if before, err := keptTestOf(s.data, digest); digest != "" && err == nil {
			if lines, err = group.Differences(before.plans, want.plans); err != nil {
				return false, err
			}
		}
		s.log.Info("another test file or revision than before, from here on", "group", g.plan.Name, "digest", want.digest, "was", digest, "revision", revision)
		e := calibrationEvent(want.digest, "started with another test file", lines)
		if *g.revision.Load() != revision {
			e.Revision = revision
		}
		if err := publish1(ctx, g.journal, e); err != nil {
			return false, fmt.Errorf("group %s: say in the journal that the test file is another: %w", g.plan.Name, err)
		}
	}
	return all, nil
}

// planOf returns the group's plan by the test file of a digest; "" is the one
// that the service was started with, of archives from before digests.
func (g *liveGroup) planOf(digest string) (*group.Plan, error) {
	if digest == "" || digest == g.digest {
		return g.plan, nil
	}
	k, err := keptTestOf(g.data, digest)
	if err != nil && digest == g.passOver {
		return nil, worker.ErrPassOver
	}
	if err != nil {
		return nil, err
	}
	for _, p := range k.plans {
		if p.Name == g.plan.Name {
			return p, nil
		}
	}
	return nil, fmt.Errorf("the test file %s has no group %s", digest, g.plan.Name)
}
