package testfile

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Envelope is where a gauge may be believed, as it follows from the rules of
// practice and its installation record.
type Envelope struct {
	Lowest, Highest float64   // degC; infinite where nothing bounds it
	CuredAt         time.Time // zero when not stated; samples before it are uncured
	Broken          []Finding // rules broken: its samples carry a flag
	Paperwork       []Finding // what the record lacks: said once a channel
	Signed          bool
}

// Finding is a rule that a record breaks or leaves open, in words.
type Finding struct {
	Rule, Text, Source string
	Mark               Mark // where the record says so; the installation, or the gauge, when it says nothing
}

// Rule is a rule of practice. A broken one of kind "broken" puts the samples in
// doubt; one of kind "paperwork" means that the record cannot show it was kept.
type Rule struct {
	ID, Kind, Text, Source string

	// judge says in words how the record breaks the rule, "" when it does not.
	judge func(r record) (detail string, at Mark)
}

// record is what a rule sees.
type record struct {
	*Installation
	at       Mark       // of the installation
	copper   bool       // bonded to copper or an alloy of it
	nominal  Quantity   // resistance before bonding
	lastStep *PrepStep  // latest preparation step with a time
	steps    []PrepStep // those with a time
}

const (
	kindBroken    = "broken"
	kindPaperwork = "paperwork"
	noSource      = "common practice, no source"
)

// Limits of the rules; all of them common practice, no source.
const (
	copperWindow     = 10 * time.Minute
	resistanceShift  = 0.005
	leastInsulation  = 1000e6 // ohm
	defaultLongTermC = 65.0   // degC, cyanoacrylate
)

// serviceRange is a class of adhesive's range in degC. Those of cyanoacrylate
// are field practice (-30 to +195 degF); the others are cautious defaults that
// the maker's own figures should replace. All: common practice, no source.
type serviceRange struct{ lowest, highest, longTerm float64 }

var serviceRanges = map[string]serviceRange{
	"cyanoacrylate": {-34, 91, defaultLongTermC},
	"epoxy-room":    {-40, 80, 60},
	"epoxy-hot":     {-60, 150, 120},
	"polyester":     {-40, 90, 70},
	"phenolic":      {-60, 150, 120},
	"ceramic":       {-40, 400, 350},
	"weldable":      {-40, 250, 200},
}

var rules = []Rule{
	{"copper-window", kindBroken, "on copper and its alloys the gauge is in its adhesive and under pressure within ten minutes of the last preparation step", noSource,
		func(r record) (string, Mark) {
			if !r.copper || !r.Bonded.Given || r.lastStep == nil {
				return "", Mark{}
			}
			taken := r.Bonded.Sub(r.lastStep.At.Time)
			if taken <= copperWindow {
				return "", Mark{}
			}
			return fmt.Sprintf("bonded %s after the last preparation step, %s too late", minutes(taken), minutes(taken-copperWindow)), r.Bonded.Mark
		}},
	{"copper-neutraliser", kindBroken, "no ammonia neutraliser on copper or any copper alloy; distilled water instead", noSource,
		func(r record) (string, Mark) {
			for _, s := range r.Preparation {
				if r.copper && s.Agent.Text == "ammonia-neutraliser" {
					return "the preparation used an ammonia neutraliser", s.Agent.Mark
				}
			}
			return "", Mark{}
		}},
	{"preparation-order", kindBroken, "preparation steps follow one another in time", noSource,
		func(r record) (string, Mark) {
			for i := 1; i < len(r.steps); i++ {
				if r.steps[i].At.Before(r.steps[i-1].At.Time) {
					return fmt.Sprintf("%s is %s before %s", r.steps[i].Step.Text, minutes(r.steps[i-1].At.Sub(r.steps[i].At.Time)), r.steps[i-1].Step.Text), r.steps[i].At.Mark
				}
			}
			return "", Mark{}
		}},
	{"bonded-after-preparation", kindBroken, "a gauge is bonded after the surface was prepared", noSource,
		func(r record) (string, Mark) {
			if !r.Bonded.Given || r.lastStep == nil || !r.Bonded.Before(r.lastStep.At.Time) {
				return "", Mark{}
			}
			return fmt.Sprintf("bonded %s before the last preparation step", minutes(r.lastStep.At.Sub(r.Bonded.Time))), r.Bonded.Mark
		}},
	{"cured-after-bonded", kindBroken, "cure ends after bonding", noSource,
		func(r record) (string, Mark) {
			if !r.Bonded.Given || !r.Cured.Given || r.Cured.After(r.Bonded.Time) {
				return "", Mark{}
			}
			return "the cure ends no later than the bonding", r.Cured.Mark
		}},
	{"resistance-shift", kindBroken, "bonding changes a gauge's resistance by no more than 0.5 %; more means a strained or damaged grid", noSource,
		func(r record) (string, Mark) {
			if !r.Resistance.Given || !r.nominal.Given {
				return "", Mark{}
			}
			shift := r.Resistance.Value/r.nominal.Value - 1
			if math.Abs(r.Resistance.Value-r.nominal.Value) <= resistanceShift*r.nominal.Value+r.nominal.Tolerance {
				return "", Mark{}
			}
			return fmt.Sprintf("%.6g ohm after bonding, %+.2f %% from %.6g ohm", r.Resistance.Value, 100*shift, r.nominal.Value), r.Resistance.Mark
		}},
	{"insulation", kindBroken, "a fresh gauge is insulated from the article by at least 1000 Mohm", noSource,
		func(r record) (string, Mark) {
			if !r.Insulation.Given || r.Insulation.Value >= leastInsulation {
				return "", Mark{}
			}
			return fmt.Sprintf("%.4g Mohm after bonding", r.Insulation.Value/1e6), r.Insulation.Mark
		}},
	{"moisture-cyanoacrylate", kindBroken, "cyanoacrylate that serves long outdoors needs moisture protection", noSource,
		func(r record) (string, Mark) {
			if r.bareOutdoors() && r.Adhesive.Class.Text == "cyanoacrylate" && r.LongTerm.Value {
				return "outdoors for long use without a coating", markOr(r.Coating.Mark, r.at)
			}
			return "", Mark{}
		}},
	{"moisture", kindPaperwork, "gauges outdoors need moisture protection", noSource,
		func(r record) (string, Mark) {
			if r.bareOutdoors() && !(r.Adhesive.Class.Text == "cyanoacrylate" && r.LongTerm.Value) {
				return "no coating is recorded", markOr(r.Coating.Mark, r.at)
			}
			return "", Mark{}
		}},
	{"adhesive-range", kindPaperwork, "an adhesive has a range of temperature in which it may be believed", noSource,
		func(r record) (string, Mark) {
			known := r.Adhesive.Lowest.Given && (r.Adhesive.Highest.Given || r.LongTerm.Value && r.Adhesive.HighestLong.Given)
			if _, class := serviceRanges[r.Adhesive.Class.Text]; class || known {
				return "", Mark{}
			}
			return "neither the adhesive's class nor its own range is recorded", markOr(r.Adhesive.Class.Mark, r.at)
		}},
	{"times", kindPaperwork, "the record holds the times of preparation, bonding and end of cure", noSource,
		func(r record) (string, Mark) {
			switch {
			case r.lastStep == nil:
				return "no time of preparation is recorded" + r.unjudged(), r.at
			case !r.Bonded.Given:
				return "no time of bonding is recorded" + r.unjudged(), r.at
			case !r.Cured.Given:
				return "no end of cure is recorded", r.at
			}
			return "", Mark{}
		}},
	{"signed", kindPaperwork, "somebody signs for an installation", noSource,
		func(r record) (string, Mark) {
			if r.Signed.Text != "" {
				return "", Mark{}
			}
			return "nobody has signed", r.at
		}},
}

// noRecord is found of a gauge without an installation.
var noRecord = Rule{ID: "record", Kind: kindPaperwork, Text: "a gauge has an installation record", Source: noSource}

// Rules returns the rules of practice that installation records are held to.
func Rules() []Rule { return append(slices.Clone(rules), noRecord) }

// Envelope returns where the gauge of that name may be believed. A gauge
// without an installation record is unbounded, unsigned and lacks its paperwork;
// so is one that the file does not have.
func (t *Test) Envelope(gauge string) Envelope {
	e := Envelope{Lowest: math.Inf(-1), Highest: math.Inf(1)}
	g, at, ok := t.Gauges.find(gauge)
	if !ok || g.Installation.Text == "" {
		e.Paperwork = []Finding{{noRecord.ID, noRecord.Text + ": there is none", noRecord.Source, at}}
		return e
	}
	installation, at, ok := t.Installations.find(g.Installation.Text)
	if !ok {
		return e // an unresolved name, which Parse refuses
	}
	r := record{Installation: installation, at: at, nominal: t.nominalResistance(g)}
	for _, name := range t.surfaces(gauge, installation) {
		m, _ := t.Material(name)
		r.copper = r.copper || m.isCopper()
	}
	for i, s := range installation.Preparation {
		if s.At.Given {
			r.steps = append(r.steps, s)
			if r.lastStep == nil || s.At.After(r.lastStep.At.Time) {
				r.lastStep = &installation.Preparation[i]
			}
		}
	}
	for _, rule := range rules {
		detail, at := rule.judge(r)
		if detail == "" {
			continue
		}
		f := Finding{rule.ID, rule.Text + ": " + detail, rule.Source, at}
		if rule.Kind == kindBroken {
			e.Broken = append(e.Broken, f)
		} else {
			e.Paperwork = append(e.Paperwork, f)
		}
	}
	e.Lowest, e.Highest = installation.temperatures()
	e.CuredAt = installation.Cured.Time
	e.Signed = installation.Signed.Text != ""
	return e
}

// temperatures is the range in degC that the adhesive serves in. The record's
// own figures stand before those of the class; long use is bounded by both.
func (i *Installation) temperatures() (lowest, highest float64) {
	class, ok := serviceRanges[i.Adhesive.Class.Text]
	if !ok {
		class = serviceRange{math.Inf(-1), math.Inf(1), math.Inf(1)}
	}
	lowest = i.Adhesive.Lowest.Or(class.lowest)
	highest = i.Adhesive.Highest.Or(class.highest)
	if i.LongTerm.Value || i.Adhesive.HighestLong.Given {
		highest = min(highest, i.Adhesive.HighestLong.Or(class.longTerm))
	}
	return lowest, highest
}

// nominalResistance is a gauge's before bonding: its own where it is known, the
// lot's with its tolerance otherwise.
func (t *Test) nominalResistance(g *Gauge) Quantity {
	if g.Resistance.Given {
		return g.Resistance
	}
	if lot, ok := t.Lots.Get(g.Lot.Text); ok {
		return lot.Resistance
	}
	return Quantity{}
}

// surfaces are the materials that a gauge is bonded to: the record's own, or
// those of every position that it served.
func (t *Test) surfaces(gauge string, i *Installation) []string {
	if i.Surface.Text != "" {
		return []string{i.Surface.Text}
	}
	var names []string
	for _, w := range t.Wiring {
		if w.Gauge.Text != gauge {
			continue
		}
		if p, ok := t.Positions.Get(w.Position.Text); ok && !slices.Contains(names, p.Material.Text) {
			names = append(names, p.Material.Text)
		}
	}
	return names
}

// unjudged adds what cannot be told without the times.
func (r record) unjudged() string {
	if r.copper {
		return ", so that the ten minutes on copper cannot be judged"
	}
	return ""
}

func (r record) bareOutdoors() bool {
	return r.Outdoors.Value && (r.Coating.Text == "" || r.Coating.Text == "none")
}

func minutes(d time.Duration) string {
	return fmt.Sprintf("%.4g min", d.Minutes())
}

func markOr(m, fallback Mark) Mark {
	if m.written() {
		return m
	}
	return fallback
}
