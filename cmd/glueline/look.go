package main

import (
	"time"

	"glueline/pipeline/group"
)

// looks is what GET /zeros answers.
type looks struct {
	Newest    map[string]int64    `json:"newest_ns"` // by source, of the sources that something came from
	Cuts      map[string]uint64   `json:"cuts"`      // committed since the service began, by group
	Zeros     []group.ZeroLook    `json:"zeros"`     // in progress
	Positions map[string][]string `json:"positions"` // channels by position
	Wires     map[string][]string `json:"wires"`     // by channel: the one that it is on now, and those of all times, as "source/input|gauge"
	Shunts    map[string]bool     `json:"shunts"`    // by channel: whether the test file states its resistor
	Failed    []string            `json:"failed"`    // groups whose worker is not at work
	Clock     dataClock           `json:"clock"`     // what events of this moment are stamped by
}

// looks looks at every group between two of its messages.
func (s *service) looks() looks {
	l := looks{Newest: map[string]int64{}, Cuts: map[string]uint64{}, Zeros: []group.ZeroLook{}, Positions: map[string][]string{}, Wires: map[string][]string{}, Shunts: map[string]bool{}}
	var sources []heard
	for _, g := range s.groups {
		counts := g.progress.Look()
		l.Cuts[g.plan.Name] = counts.Cuts
		for source, at := range counts.Newest {
			l.Newest[source] = at
			declared, _ := s.test.Sources.Get(source) // those of the journal are those of the start
			sources = append(sources, heard{source, time.Unix(0, at).UTC(), time.Unix(0, counts.Arrived[source]).UTC(), quietOf(declared.Rate.Value)})
		}
		live := g.live.Load()
		if live == nil {
			l.Failed = append(l.Failed, g.plan.Name)
			continue
		}
		live.Look(func(r *group.Reducer) { l.Zeros = append(l.Zeros, r.ZerosInProgress()...) })
	}
	for _, e := range s.current.Load().test.Channels.Entries {
		position := e.Value.Position.Or(e.Name)
		l.Positions[position] = append(l.Positions[position], e.Name)
		l.Shunts[e.Name] = e.Value.Shunt.Given
	}
	l.Clock = clockOf(sources, time.Now().UTC())
	for _, e := range s.current.Load().test.Channels.Entries {
		now, all := group.WiresOf(s.current.Load().test, e.Name, l.Clock.At)
		l.Wires[e.Name] = append([]string{now}, all...)
	}
	return l
}
