package main

import (
	"context"
	"math"
	"net/http"
	"slices"
	"time"

	"glueline/pipeline/testfile"
	"glueline/sinks/health"
	"glueline/sinks/metrics"
)

// doings are all that a group may be doing.
var doings = []string{doesWait, doesCheck, doesRepair, doesCatch, doesWork, doesPause}

// reloadResult is how the newest reload went.
type reloadResult struct {
	at time.Time
	ok bool
}

// journalPatience is how long a scrape waits for a journal's figures.
const journalPatience = 2 * time.Second

// metricsHandler answers GET /metrics, from the moment the service listens.
func (s *service) metricsHandler() (http.Handler, error) {
	return metrics.Handler(metrics.New(s.look, doings))
}

// look is what the service knows for metrics.
func (s *service) look() metrics.Look {
	now, current := time.Now(), s.current.Load()
	l := metrics.Look{
		Test: s.test.About.Name.Text, Digest: current.digest, Version: version, Began: s.began,
		Ready: s.readiness(now).Ready, ReloadOK: true,
	}
	if r := s.reloaded.Load(); r != nil {
		l.Reloaded, l.ReloadOK = r.at, r.ok
	}
	for _, d := range []struct{ word, folder string }{{"data", s.data}, {"journal", s.journal}} {
		if free := freeDisk(d.folder); d.folder != "" && free != math.MaxUint64 {
			l.Disks = append(l.Disks, metrics.Disk{Folder: d.word, Free: free})
		}
	}
	if !s.opened.Load() {
		return l
	}
	ctx, cancel := context.WithTimeout(context.Background(), journalPatience)
	defer cancel()
	channels := factsOf(current.test)
	for _, g := range s.groups {
		m := g.look(ctx, now, channels)
		m.Health = healthForMetrics(s.health.look(g.plan.Name))
		l.Groups = append(l.Groups, m)
	}
	return l
}

func (g *liveGroup) look(ctx context.Context, now time.Time, channels map[string]metrics.Channel) metrics.Group {
	counts := g.progress.Look()
	status, _ := g.recovery(now)
	m := metrics.Group{
		Name: g.plan.Name, Channels: channels, Sink: g.counted, Doing: status.Doing,
		Frames: counts.Frames, Quarantined: counts.Refused, Repeated: counts.Repeated, Commits: counts.Cuts,
	}
	state, err := g.journal.State(ctx)
	if err != nil {
		return m // its absence tells
	}
	m.Journal = &metrics.Journal{Bytes: state.Bytes, Limit: state.MaxBytes}
	if state.Last > counts.Sequence {
		m.LagMessages = state.Last - counts.Sequence
		if !counts.Stored.IsZero() {
			m.Lag = now.Sub(counts.Stored)
		}
	}
	return m
}

// healthForMetrics is what is told of a group's health as numbers. Before anything
// is told, nothing has failed.
func healthForMetrics(s *healthStatus) *metrics.Health {
	if s == nil {
		return &metrics.Health{}
	}
	h := &metrics.Health{Failed: s.Error != ""}
	if s.file == nil {
		return h
	}
	h.UpTo, h.Channels = timeOf(s.file.UpTo), make(map[string]metrics.ChannelHealth, len(s.file.Channels))
	for i := range s.file.Channels {
		c := &s.file.Channels[i]
		said := metrics.ChannelHealth{Says: c.Says, Certainty: c.Certainty, Since: timeOf(c.Since), Drift: math.NaN(), Damage: orNaN(c.Damage)}
		if c.Says != health.Learning && c.Says != health.NoReading {
			said.Drift = orNaN(c.Moved)
		}
		h.Channels[c.Channel] = said
	}
	for i := range s.file.Residuals {
		r := &s.file.Residuals[i]
		o := metrics.Residual{Name: r.Name, Form: r.Form, Newest: orNaN(r.Newest), Limit: orNaN(r.Limit)}
		for _, t := range r.Terms {
			if !slices.Contains(o.Channels, t.Channel) {
				o.Channels = append(o.Channels, t.Channel)
			}
		}
		h.Residuals = append(h.Residuals, o)
	}
	return h
}

// timeOf is the time of a health file; zero for none.
func timeOf(text string) time.Time {
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return time.Time{}
	}
	return at
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// factsOf lists what does not change of each channel.
func factsOf(t *testfile.Test) map[string]metrics.Channel {
	facts := make(map[string]metrics.Channel, len(t.Channels.Entries))
	for i := range t.Channels.Entries {
		e := &t.Channels.Entries[i]
		c := metrics.Channel{Position: e.Value.Position.Or(e.Name), Bridge: e.Value.Bridge.Text}
		if p, ok := t.Positions.Get(c.Position); ok {
			c.Material = p.Material.Text
		}
		facts[e.Name] = c
	}
	return facts
}
