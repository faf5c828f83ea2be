package study

import (
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"glueline/pipeline/drift"
	"glueline/pipeline/drift/driftsim"
)

// seedOf draws a seed at run time, unless one is given to see a run again.
func seedOf(t *testing.T) uint64 {
	t.Helper()
	if text := os.Getenv("GLUELINE_DRIFT_SEED"); text != "" {
		seed, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		return seed
	}
	return rand.Uint64()
}

// TestStudy judges channels that nobody has seen before. GLUELINE_DRIFT is their
// number a kind, with four times as many healthy ones; GLUELINE_DRIFT_SHOW names
// a kind of which the wrong ones are printed.
func TestStudy(t *testing.T) {
	each := 12
	if text := os.Getenv("GLUELINE_DRIFT"); text != "" {
		var err error
		if each, err = strconv.Atoi(text); err != nil || each < 1 {
			t.Fatalf("GLUELINE_DRIFT=%q is no number of channels", text)
		}
	}
	seed := seedOf(t)
	for _, run := range []struct {
		name              string
		wide, overlapping bool
		recall, all       float64 // bars that chance alone does not fail: see below
		falsely, silent   float64
	}{
		{"one trouble, parameters of the tuning", false, false, 0.4, 0.85, 0.09, 0.12},
		{"parameters outside the tuning, every fifth with a second trouble", true, true, 0.25, 0.72, 0.09, 0.15},
	} {
		all := Run(seed, each, run.wide, run.overlapping)
		var text strings.Builder
		Table(&text, all)
		t.Logf("%s, seed %d\n%s", run.name, seed, text.String())
		show(t, all)
		s := Summarise(all)
		// With a dozen channels a kind a recall of 0.8 comes out as 0.4 or less
		// once in a thousand kinds (binomial); the bar over all kinds is the sharp one.
		var sum float64
		for kind, recall := range s.Recall {
			if recall < run.recall {
				t.Errorf("%s: %s is named in %.2f of its channels, the bar is %.2f", run.name, kind, recall, run.recall)
			}
			if kind != driftsim.Healthy {
				sum += recall / float64(len(s.Recall)-1)
			}
		}
		if sum < run.all {
			t.Errorf("%s: the right cause comes first in %.2f of all troubles, the bar is %.2f", run.name, sum, run.all)
		}
		if s.FalseNaming > run.falsely {
			t.Errorf("%s: %.3f of the healthy channels are named otherwise, the bar is %.2f", run.name, s.FalseNaming, run.falsely)
		}
		if s.CannotTell > run.silent {
			t.Errorf("%s: cannot tell of %.3f, the bar is %.2f", run.name, s.CannotTell, run.silent)
		}
		if s.Severe > 1+len(all)/100 {
			t.Errorf("%s: %d severe confusions", run.name, s.Severe)
		}
	}
}

func show(t *testing.T, all []Outcome) {
	kind := os.Getenv("GLUELINE_DRIFT_SHOW")
	for i := range all {
		o := &all[i]
		if o.Right() || o.Truth.Kind != kind && kind != "any" && (kind != "severe" || !o.Severe()) {
			continue
		}
		t.Logf("%+v of %.0f microstrain from hour %d (at a maximum: %t), called %s at %.0f h off; the zero moved by %.0f", o.Options, o.Truth.Size*1e6, o.Truth.Onset/60, o.Truth.AtMaximum, o.Verdict.Named, o.Late, o.Verdict.Moved*1e6)
		for k, p := range o.Verdict.Ranked {
			if k < 2 || string(p.Cause) == o.Truth.Kind {
				t.Logf("   %s %.1f for %q against %q", p.Cause, p.Score, p.For, p.Against)
			}
		}
	}
}

// One channel of each kind, always the same, is named and dated within 12 h.
func TestOneOfEachKind(t *testing.T) {
	for i, kind := range driftsim.Kinds {
		o := Outcome{Options: driftsim.Options{Seed: uint64(i) + 100, Kind: kind}}
		o.judge()
		if !o.Right() {
			t.Errorf("%s is called %s: %+v", kind, o.Verdict.Named, o.Verdict.Ranked[:3])
		} else if kind != driftsim.Healthy && (o.Late > 12 || o.Late < -12) {
			t.Errorf("%s is dated %.0f h off", kind, o.Late)
		}
	}
}

// A cause that a person ruled out by name is not named, and structure stays on
// the list until then.
func TestRuledOutByName(t *testing.T) {
	c := driftsim.Make(driftsim.Options{Seed: 111, Kind: driftsim.Structure})
	var r drift.Record
	Feed(&c, &r, &drift.Gatherer{}, nil)
	facts := Facts(c.Bridge)
	listed := func(v drift.Verdict) bool {
		for _, o := range v.Ranked {
			if o.Cause == drift.Structure {
				return true
			}
		}
		return false
	}
	if v := drift.Judge(&r, facts); v.Named != drift.Structure || !listed(v) {
		t.Fatalf("named %s", v.Named)
	}
	facts.RuledOut = []drift.RuledOut{{Cause: drift.Structure, Who: "M. Example", Why: "inspected by penetrant"}}
	if v := drift.Judge(&r, facts); v.Named == drift.Structure || listed(v) {
		t.Errorf("named %s although ruled out", v.Named)
	}
}
