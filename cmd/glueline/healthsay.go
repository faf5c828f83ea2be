package main

import (
	"time"

	"glueline/pipeline/drift"
	"glueline/pipeline/follow"
	"glueline/sinks/health"
)

// healthStateOf is what is said of a channel in one word or two.
func healthStateOf(h *follow.Health) string {
	switch {
	case h.Minutes == 0:
		return health.NoReading
	case !h.Learnt():
		return health.Learning
	default:
		return string(h.Verdict.Named)
	}
}

// healthCertaintyOf is that of what is named, "" where nothing is.
func healthCertaintyOf(h *follow.Health) string {
	if s := healthStateOf(h); len(h.Verdict.Ranked) == 0 || s == health.Learning || s == health.NoReading || s == string(drift.CannotTell) {
		return ""
	}
	return string(h.Verdict.Ranked[0].Certainty)
}

// healthOnsetOf is when it began, "" where nothing did.
func healthOnsetOf(h *follow.Health, layout string) string {
	if s := healthStateOf(h); s == health.Learning || s == health.NoReading || h.Verdict.Onset.IsZero() {
		return ""
	}
	return h.Verdict.Onset.Format(layout)
}

// sayHealth puts what came of a channel in words; changed is the newest time from which
// it was reduced by other constants.
func sayHealth(h *follow.Health, changed time.Time) health.Channel {
	c := health.Channel{
		Channel: h.Channel, Source: h.Source, Says: healthStateOf(h), Certainty: healthCertaintyOf(h), Since: healthOnsetOf(h, time.RFC3339),
		Moved: numberOrNull(h.Verdict.Moved), Slope: numberOrNull(h.Verdict.Slope), Noise: numberOrNull(h.Noise()), From: utcOf(h.From), To: utcOf(h.To), Minutes: h.Minutes,
		Samples: h.Samples, LeftOut: h.LeftOut, Replaced: utcOf(h.Replaced), Constants: utcOf(changed),
		Cycles: float64(h.Cycles.Closed+h.Cycles.Open) / 2, LoadCycles: h.LoadCycles(), Largest: float64(h.Cycles.Largest) / 1e6, Ranked: []health.Cause{},
		Shunts: healthNotes(h.Record.Shunts), Insulation: healthNotes(h.Record.Insulation),
	}
	if h.Curve {
		c.Damage = numberOrNull(h.Cycles.Damage)
	}
	for _, o := range h.Verdict.Ranked {
		c.Ranked = append(c.Ranked, health.Cause{Cause: string(o.Cause), Certainty: string(o.Certainty), Weight: o.Weight, For: append([]string{}, o.For...), Against: append([]string{}, o.Against...), Decide: o.Decide})
	}
	for _, o := range h.Facts.RuledOut {
		c.RuledOut = append(c.RuledOut, health.RuledOut{Cause: string(o.Cause), Who: o.Who, Why: o.Why})
	}
	return c
}

// sayResiduals puts what relations leave over in words.
func sayResiduals(all []follow.Residual) []health.Residual {
	said := []health.Residual{}
	suspects := follow.Suspects(all)
	for i := range all {
		r := &all[i]
		o := health.Residual{
			Name: r.Name, Form: r.Form, Minutes: r.Minutes, Mean: numberOrNull(r.Mean), SD: numberOrNull(r.SD),
			Newest: numberOrNull(r.Newest), Limit: numberOrNull(r.Limit), Beyond: utcOf(r.Beyond), To: utcOf(r.To),
		}
		for _, t := range r.Terms {
			o.Terms = append(o.Terms, health.Term{Channel: t.Channel, Factor: t.Factor})
			for _, name := range suspects {
				if t.Channel == name && !r.Beyond.IsZero() {
					o.Suspects = append(o.Suspects, name)
				}
			}
		}
		said = append(said, o)
	}
	return said
}

func utcOf(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// numberOrNull is a number that JSON has; nil for others.
func numberOrNull(v float64) *float64 {
	if v-v != 0 {
		return nil
	}
	return &v
}

func healthNotes(notes []drift.Note) (all []health.Note) {
	for _, n := range notes {
		all = append(all, health.Note{Time: utcOf(time.Unix(0, n.Time)), Value: n.Value})
	}
	return all
}
