package health_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/health"
	"glueline/pipeline/simulate"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
)

// sink hands reduced batches to a Finder as segments would: names, quantities,
// times, values and flags, and nothing else.
type sink struct {
	finder health.Finder
	plan   *group.Plan
	load   string
}

func (s *sink) Append(b *group.Batch) error {
	fields := s.plan.Fields(b.Source)
	for i, f := range fields {
		series := health.Series{Name: f.Of, Time: b.Time[:b.Rows], Value: b.Columns[i].Float}
		switch f.Quantity {
		case group.Strain, group.Shear, group.Indicated:
			flags := slices.IndexFunc(fields, func(g group.Field) bool { return g.Quantity == group.FlagMask && g.Of == f.Of })
			series.Flags = b.Columns[flags].Flags
		case group.Temperature:
			series.Quantity = health.Temperature
		case group.Auxiliary:
			if f.Of != s.load {
				continue
			}
			series.Quantity = health.Load
		default:
			continue
		}
		s.finder.Add(series)
	}
	return nil
}

func (s *sink) Cut([]group.ZeroInForce) error { return nil }
func (s *sink) Abort() error                  { return nil }

// reduced simulates a test and reduces it.
func reduced(t *testing.T, o simulate.Options) (simulate.Truth, []health.Finding) {
	t.Helper()
	dir := t.TempDir()
	truth, err := simulate.Write(dir, o, nil)
	if err != nil {
		t.Fatal(err)
	}
	test, err := testfile.Load(truth.TestFile)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(truth.Events)
	if err != nil {
		t.Fatal(err)
	}
	events, err := event.Read(truth.Events, bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil || len(plans) != 1 {
		t.Fatalf("%d plans: %v", len(plans), err)
	}
	frames, err := frame.Open(test, truth.Files, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer frames.Close()
	s := &sink{plan: plans[0], load: test.About.Load.Text}
	work := &worker.Work{Plan: plans[0], Sinks: []worker.Sink{s}}
	if err := worker.Offline(context.Background(), frames, events, []*worker.Work{work}); err != nil {
		t.Fatal(err)
	}
	return truth, s.finder.Findings()
}

// coarse is slow enough that many seeds can be tried.
const coarse = 0.05 // Hz

var kindOf = map[string]health.Kind{
	simulate.Open:             health.Open,
	simulate.Saturated:        health.Saturated,
	simulate.Moisture:         health.Moisture,
	simulate.LostThermocouple: health.TemperatureLost,
}

// latest is how long after its beginning a fault may first be seen: an open
// gauge and a lost thermocouple at once, a range too small at the next filling,
// moisture when it has got somewhere.
func latest(f simulate.Fault) time.Duration {
	switch f.Kind {
	case simulate.Saturated:
		return 4 * time.Hour
	case simulate.Moisture:
		return f.Over
	}
	return 10 * time.Minute
}

// TestMovedFaultsAreNamedWhereTheyAre: for every seed each fault is found on
// its channel, under its kind, not before it happened and soon after, and
// nothing else is.
func TestMovedFaultsAreNamedWhereTheyAre(t *testing.T) {
	for seed := range uint64(20) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			truth, found := reduced(t, simulate.Options{Seed: seed, Rate: coarse})
			for _, f := range truth.Faults {
				at := slices.IndexFunc(found, func(g health.Finding) bool { return g.Channel == f.Channel })
				if at < 0 {
					t.Errorf("%s is not found", f)
					continue
				}
				after := found[at].Since.Sub(simulate.DefaultStart) - f.At
				if found[at].Kind != kindOf[f.Kind] || after < -time.Minute || after > latest(f) {
					t.Errorf("%s is found as %s, %v later", f, found[at], after)
				}
			}
			if len(found) != len(truth.Faults) {
				t.Errorf("%d findings for %d faults:\n%s", len(found), len(truth.Faults), lines(found))
			}
		})
	}
}

// TestNothingIsNamedWhenNothingIsWrong, although an adhesive gets too hot, a
// rule of practice was broken, shunts are switched, somebody works at a gauge
// and the excitation goes off.
func TestNothingIsNamedWhenNothingIsWrong(t *testing.T) {
	for seed := range uint64(10) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			if _, found := reduced(t, simulate.Options{Seed: seed, Rate: coarse, Faults: simulate.NoFaults}); len(found) != 0 {
				t.Errorf("found without a fault:\n%s", lines(found))
			}
		})
	}
}

func lines(found []health.Finding) string {
	var s []string
	for _, f := range found {
		s = append(s, f.String())
	}
	return strings.Join(s, "\n")
}
