package health

import (
	"time"

	"glueline/pipeline/drift"
	"glueline/pipeline/follow"
)

// Words for a channel of which drift says nothing.
const (
	Learning  = "learning"
	NoReading = "no reading"
)

// Channel is what is said of one channel. What is not known is null.
type Channel struct {
	Channel    string     `json:"channel"`
	Source     string     `json:"source"`
	Says       string     `json:"says"` // a drift.Cause, Learning or NoReading
	Certainty  string     `json:"certainty,omitempty"`
	Since      string     `json:"since,omitempty"`
	Moved      *float64   `json:"moved_strain"` // m/m
	Slope      *float64   `json:"slope_change"` // relative
	Noise      *float64   `json:"noise_strain"` // m/m, of idle minutes
	From       string     `json:"from,omitempty"`
	To         string     `json:"to,omitempty"`
	Minutes    int        `json:"minutes"`
	Samples    uint64     `json:"samples"`
	LeftOut    uint64     `json:"left_out"`
	Replaced   string     `json:"replaced,omitempty"`
	Constants  string     `json:"constants_changed,omitempty"` // newest time from which it was reduced by others
	Cycles     float64    `json:"cycles"`
	LoadCycles float64    `json:"load_cycles"`
	Largest    float64    `json:"largest_range_strain"`
	Damage     *float64   `json:"damage"`
	Ranked     []Cause    `json:"ranked"`
	RuledOut   []RuledOut `json:"ruled_out,omitempty"`
	Shunts     []Note     `json:"shunts,omitempty"`     // relative change of the span
	Insulation []Note     `json:"insulation,omitempty"` // ohm
}

// Note is one value that somebody took.
type Note struct {
	Time  string  `json:"time"`
	Value float64 `json:"value"`
}

// Cause is one opinion, with its evidence.
type Cause struct {
	Cause     string   `json:"cause"`
	Certainty string   `json:"certainty"`
	Weight    float64  `json:"weight"`
	For       []string `json:"for"`
	Against   []string `json:"against"`
	Decide    string   `json:"decide"`
}

// RuledOut is a cause that a person took off the list.
type RuledOut struct {
	Cause string `json:"cause"`
	Who   string `json:"who"`
	Why   string `json:"why"`
}

// Residual is what a pair or a rosette leaves over. What is not known is null.
type Residual struct {
	Name     string        `json:"name"`
	Form     string        `json:"form"`
	Terms    []follow.Term `json:"terms"`
	Minutes  int           `json:"minutes"`
	Mean     *float64      `json:"mean_strain"`
	SD       *float64      `json:"sd_strain"`
	Newest   *float64      `json:"newest_hour_strain"`
	Limit    *float64      `json:"limit_strain"`
	Beyond   string        `json:"beyond_since,omitempty"`
	To       string        `json:"to,omitempty"`
	Suspects []string      `json:"suspects,omitempty"` // whom a third tells of
}

// StateOf is what is said of a channel in one word or two.
func StateOf(h *follow.Health) string {
	switch {
	case h.Minutes == 0:
		return NoReading
	case !h.Learnt():
		return Learning
	default:
		return string(h.Verdict.Named)
	}
}

// CertaintyOf is that of what is named, "" where nothing is.
func CertaintyOf(h *follow.Health) string {
	if s := StateOf(h); len(h.Verdict.Ranked) == 0 || s == Learning || s == NoReading || s == string(drift.CannotTell) {
		return ""
	}
	return string(h.Verdict.Ranked[0].Certainty)
}

// OnsetOf is when it began, "" where nothing did.
func OnsetOf(h *follow.Health, layout string) string {
	if s := StateOf(h); s == Learning || s == NoReading || h.Verdict.Onset.IsZero() {
		return ""
	}
	return h.Verdict.Onset.Format(layout)
}

// Say puts what came of a channel in words; changed is the newest time from which
// it was reduced by other constants.
func Say(h *follow.Health, changed time.Time) Channel {
	c := Channel{
		Channel: h.Channel, Source: h.Source, Says: StateOf(h), Certainty: CertaintyOf(h), Since: OnsetOf(h, time.RFC3339),
		Moved: finite(h.Verdict.Moved), Slope: finite(h.Verdict.Slope), Noise: finite(h.Noise()), From: instant(h.From), To: instant(h.To), Minutes: h.Minutes,
		Samples: h.Samples, LeftOut: h.LeftOut, Replaced: instant(h.Replaced), Constants: instant(changed),
		Cycles: float64(h.Cycles.Closed+h.Cycles.Open) / 2, LoadCycles: h.LoadCycles(), Largest: float64(h.Cycles.Largest) / 1e6, Ranked: []Cause{},
		Shunts: notes(h.Record.Shunts), Insulation: notes(h.Record.Insulation),
	}
	if h.Curve {
		c.Damage = finite(h.Cycles.Damage)
	}
	for _, o := range h.Verdict.Ranked {
		c.Ranked = append(c.Ranked, Cause{string(o.Cause), string(o.Certainty), o.Weight, append([]string{}, o.For...), append([]string{}, o.Against...), o.Decide})
	}
	for _, o := range h.Facts.RuledOut {
		c.RuledOut = append(c.RuledOut, RuledOut{string(o.Cause), o.Who, o.Why})
	}
	return c
}

// SayResiduals puts what relations leave over in words.
func SayResiduals(all []follow.Residual) []Residual {
	said := []Residual{}
	suspects := follow.Suspects(all)
	for i := range all {
		r := &all[i]
		o := Residual{
			Name: r.Name, Form: r.Form, Terms: r.Terms, Minutes: r.Minutes, Mean: finite(r.Mean), SD: finite(r.SD),
			Newest: finite(r.Newest), Limit: finite(r.Limit), Beyond: instant(r.Beyond), To: instant(r.To),
		}
		for _, t := range r.Terms {
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

func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// finite is a number that JSON has; nil for others.
func finite(v float64) *float64 {
	if v-v != 0 {
		return nil
	}
	return &v
}

func notes(notes []drift.Note) (all []Note) {
	for _, n := range notes {
		all = append(all, Note{instant(time.Unix(0, n.Time)), n.Value})
	}
	return all
}
