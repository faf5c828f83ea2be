package main

import (
	"cmp"
	"math"
	"net/http"
	"slices"
	"strings"

	"glueline/pipeline/drift"
	"glueline/pipeline/follow"
	"glueline/sinks/health"
)

// channelsHealth is what GET /health/channels answers: what the newest health file
// of each group says, with no segment read.
type channelsHealth struct {
	Note      string            `json:"note"`
	Groups    []groupHealth     `json:"groups"`
	Channels  []channelHealth   `json:"channels"` // those first that need attention most
	Residuals []health.Residual `json:"residuals"`
}

// groupHealth is how far the health of a group is known.
type groupHealth struct {
	Group string `json:"group"`
	UpTo  string `json:"up_to,omitempty"` // time of the newest row; "" before the first file
	Cut   uint64 `json:"cut"`
	Waits string `json:"waits_for,omitempty"` // another group, whose readings go beside these
	Error string `json:"error,omitempty"`
}

// channelHealth is what is said of a channel.
type channelHealth struct {
	Group     string    `json:"group"`
	Attention attention `json:"attention"`
	Meaning   string    `json:"meaning,omitempty"` // of what it says
	Decide    string    `json:"decide,omitempty"`  // the one measurement that would
	Disagrees []string  `json:"disagrees,omitempty"`
	health.Channel
	Evidence *health.Evidence `json:"evidence,omitempty"`
}

// attention is how soon somebody has to look.
type attention string

// From most to least.
const (
	lookAtOnce attention = "at once" // the article may have moved, or nobody can tell that it has not
	lookSoon   attention = "soon"    // it no longer tells the truth, or it disagrees
	lookLater  attention = "later"   // nothing is known of it
	lookNever  attention = "none"
)

var attentions = []attention{lookAtOnce, lookSoon, lookLater, lookNever}

func attentionOf(c *health.Channel, disagrees bool) attention {
	switch {
	case c.Says == string(drift.Structure) || c.Says == string(drift.CannotTell):
		return lookAtOnce
	case disagrees:
		return lookSoon
	case c.Says == health.Learning || c.Says == health.NoReading:
		return lookLater
	case c.Says == string(drift.Healthy):
		return lookNever
	}
	return lookSoon
}

// byAttention puts those first that need attention most; of two, the one that moved
// further.
func byAttention(a, b channelHealth) int {
	moved := func(c *channelHealth) float64 {
		if c.Moved == nil {
			return 0
		}
		return math.Abs(*c.Moved)
	}
	return cmp.Or(
		cmp.Compare(slices.Index(attentions, a.Attention), slices.Index(attentions, b.Attention)),
		cmp.Compare(moved(&b), moved(&a)),
		cmp.Compare(a.Channel.Channel, b.Channel.Channel),
	)
}

// saidOf puts beside what is said of channels what a person needs to act on it.
func saidOf(group string, channels []health.Channel, residuals []health.Residual) []channelHealth {
	disagree := map[string][]string{}
	for i := range residuals {
		if residuals[i].Beyond == "" {
			continue
		}
		for _, t := range residuals[i].Terms {
			disagree[t.Channel] = append(disagree[t.Channel], residuals[i].Name)
		}
	}
	said := []channelHealth{}
	for i := range channels {
		c := channelHealth{Group: group, Channel: channels[i], Disagrees: disagree[channels[i].Channel]}
		c.Attention = attentionOf(&c.Channel, len(c.Disagrees) > 0)
		c.Meaning = meaningOf(drift.Cause(c.Says))
		if c.Attention != lookLater && c.Attention != lookNever && len(c.Ranked) > 0 {
			c.Decide = c.Ranked[0].Decide
		}
		said = append(said, c)
	}
	return said
}

// channelsHealth asks the keeper of each group.
func (s *service) channelsHealth() channelsHealth {
	all := channelsHealth{Note: driftSays, Groups: []groupHealth{}, Channels: []channelHealth{}, Residuals: []health.Residual{}}
	for _, g := range s.groups {
		known := groupHealth{Group: g.plan.Name}
		if h := s.health.look(g.plan.Name); h != nil {
			known.UpTo, known.Cut, known.Waits, known.Error = h.UpTo, h.Cut, h.Waits, h.Error
			if h.file != nil {
				all.Channels = append(all.Channels, saidOf(g.plan.Name, h.file.Channels, h.file.Residuals)...)
				all.Residuals = append(all.Residuals, h.file.Residuals...)
			}
		}
		all.Groups = append(all.Groups, known)
	}
	slices.SortStableFunc(all.Channels, byAttention)
	return all
}

// channelHealth is all that is known of one channel, with its evidence; false where
// no health file knows it.
func (s *service) channelHealth(name string) (channelHealth, bool) {
	for _, g := range s.groups {
		h := s.health.look(g.plan.Name)
		if h == nil || h.file == nil {
			continue
		}
		for _, c := range saidOf(g.plan.Name, h.file.Channels, h.file.Residuals) {
			if c.Channel.Channel == name {
				c.Evidence = h.evidence[name]
				return c, true
			}
		}
	}
	return channelHealth{}, false
}

// healthPath is where the health of channels is asked for, and of one by its name
// behind it.
const healthPath = "/health/channels"

func (s *service) health1(w http.ResponseWriter, r *http.Request) {
	name, one := strings.CutPrefix(r.URL.Path, healthPath+"/")
	if !one {
		answer(w, s.channelsHealth())
		return
	}
	c, known := s.channelHealth(name)
	if !known {
		http.Error(w, "no health file knows such a channel; the first one comes after an hour of data", http.StatusNotFound)
		return
	}
	answer(w, c)
}

// evidenceOf takes out of each record what people want to look at.
func evidenceOf(p *follow.Pass) map[string]*health.Evidence {
	all := map[string]*health.Evidence{}
	p.Records(func(channel string, r *drift.Record) { all[channel] = sayEvidence(r) })
	return all
}

func sayEvidence(r *drift.Record) *health.Evidence {
	notes := func(all []drift.Note) []health.Note { return append([]health.Note{}, healthNotes(all)...) }
	e := &health.Evidence{Zeros: notes(r.Zeroed), Shunts: notes(r.Shunts), Insulation: notes(r.Insulation)}
	for _, p := range r.Points(nil) {
		to := &e.Points
		for _, c := range []struct {
			column *health.Column
			value  float64
		}{
			{&to.Time, float64(p.From/2+p.To/2) / 1e9}, {&to.Span, float64(p.To-p.From) / 1e9}, {&to.Rest, p.Rest}, {&to.Live, p.Live}, {&to.Load, p.Load},
			{&to.Slope, p.Slope}, {&to.SlopeError, p.SlopeError}, {&to.Noise, p.Noise}, {&to.Temperature, p.Temperature}, {&to.Humidity, p.Humidity},
		} {
			*c.column = append(*c.column, c.value)
		}
	}
	l := r.WithTemperature()
	e.Temperature = health.Temperature{Points: l.N, PerKelvin: numberOrNull(l.Slope), Error: numberOrNull(l.Error), Correlation: numberOrNull(l.R)}
	if z := &r.Zeros; z.SD > 0 {
		e.Learnt.Zero, e.Learnt.PerKelvin, e.Learnt.SD = numberOrNull(z.Centre), numberOrNull(z.PerK), numberOrNull(z.SD)
	}
	if r.Slopes.SD > 0 {
		e.Learnt.Slope = numberOrNull(r.Slopes.Centre)
	}
	if r.Noises.SD > 0 {
		e.Learnt.Noise = numberOrNull(math.Exp(r.Noises.Centre))
	}
	return e
}
