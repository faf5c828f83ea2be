package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sort"

	"glueline/pipeline/shares"
	"glueline/sinks/console"
	"glueline/sinks/overview"
)

// partsOf is what a channel's strain is made of, over time: the raw ratio, and
// what each correction adds.
type partsOf struct {
	T     []float64  `json:"t"` // ms since 1970
	Parts []partOf   `json:"parts"`
	Flags []uint32   `json:"flags"`
	Raw   bool       `json:"raw"`
	Rows  int64      `json:"rows"`
	Mean  realOrNull `json:"strain"`
}

type partOf struct {
	Name   string     `json:"name"`
	Unit   string     `json:"unit"`
	Values realOrNull `json:"values"`
}

const rawRatio = "raw ratio"

// parts works back from the strain that the segments hold, by the constants, the
// zero and the temperatures of its time: strain and ratio determine each other, so
// that six weeks need no reading of raw frames. Of a bin it is the parts of its
// mean strain at its mean temperature. A reading that came with the very time of a
// temperature's may have been reduced with the one before, which came first. What
// a single sample was read as is told from its raw frame by value.
func (a *consoleArticle) parts(ctx context.Context, q console.Query) (any, error) {
	name := q.Get("channel")
	from, to, points, err := stretchAsked(q)
	if err != nil {
		return nil, err
	}
	archive, err := a.archive.of(a.svc.data)
	if err != nil {
		return nil, err
	}
	column, err := a.strainColumn(name)
	if err != nil {
		return nil, err
	}
	strain, err := archive.Trace(ctx, column, from, to, points)
	if err != nil {
		return nil, a.said(err)
	}
	made, err := a.history.ready(a.svc.data, name)
	if err != nil {
		return nil, err
	}
	read := temperaturesRead{ctx: ctx, archive: archive, from: from, to: to, points: points, known: map[string]*overview.Trace{}}
	out := &partsOf{T: []float64{}, Flags: []uint32{}, Mean: realOrNull{}, Raw: strain.Raw, Rows: strain.Rows, Parts: []partOf{{rawRatio, "V/V", realOrNull{}}}}
	for e := shares.Linear; e <= shares.Transverse; e++ {
		out.Parts = append(out.Parts, partOf{e.String(), "m/m", realOrNull{}})
	}
	for _, b := range strain.Bins {
		at := middle(b)
		ratio, all, err := partsAt(made, &read, at, b.Mean)
		if err != nil {
			return nil, a.said(err)
		}
		out.T, out.Flags, out.Mean = append(out.T, float64(at)/1e6), append(out.Flags, b.Flags), append(out.Mean, b.Mean)
		for i := range out.Parts {
			v := math.NaN()
			switch {
			case i == 0:
				v = ratio
			case i <= len(all):
				v = all[i-1].Share
			}
			out.Parts[i].Values = append(out.Parts[i].Values, v)
		}
	}
	return out, nil
}

// partsAt is the ratio of a strain and its shares; NaN and none where they are not
// known.
func partsAt(made *readyMaker, read *temperaturesRead, at int64, strain float64) (ratio float64, all []shares.Share, err error) {
	ready, err := made.at(at)
	if err != nil || ready == nil || math.IsNaN(strain) {
		return math.NaN(), nil, err
	}
	gauge, err := read.at(ready.temperature, at, ready.channel.Zero.Temperature)
	if err != nil {
		return 0, nil, err
	}
	leads, err := read.at(ready.leads, at, ready.channel.Zero.LeadTemperature)
	if err != nil {
		return 0, nil, err
	}
	ratio = ready.channel.Ratio(strain, gauge, leads)
	all, err = shares.Of(ready.channel, ratio, gauge, leads)
	if errors.Is(err, shares.ErrNoStrain) {
		return ratio, nil, nil
	}
	return ratio, all, err
}

// strainColumn is the column of a channel's strain.
func (a *consoleArticle) strainColumn(name string) (string, error) {
	t := a.svc.current.Load().test
	if _, ok := t.Channels.Get(name); !ok {
		return "", fmt.Errorf("%w: no channel %q", console.ErrRefused, name)
	}
	return name + " [m/m]", nil
}

func middle(b overview.Bin) int64 { return b.First/2 + b.Last/2 + (b.First%2+b.Last%2)/2 }

// temperaturesRead are the temperatures of a stretch, each column read once.
type temperaturesRead struct {
	ctx      context.Context
	archive  *overview.Archive
	from, to int64
	points   int
	known    map[string]*overview.Trace
}

// soonBefore is how far back the newest reading is, of most sensors.
const soonBefore = int64(5e9)

// at is the newest reading at or before a time, in degC; of bins, the one that the
// time is in. A sensor that is lost is held at its last reading, as the reduction
// holds it. otherwise is the answer where there was none yet.
func (r *temperaturesRead) at(name string, t int64, otherwise float64) (float64, error) {
	if name == "" {
		return otherwise, nil
	}
	trace := r.known[name]
	if trace == nil {
		var err error
		if trace, err = r.archive.Trace(r.ctx, name+" [degC]", r.from-soonBefore, r.to, r.points); err != nil {
			return 0, err
		}
		if newest(trace.Bins, r.from) < 0 {
			held, err := r.lastBefore(name + " [degC]")
			if err != nil {
				return 0, err
			}
			trace.Bins = append(held, trace.Bins...)
		}
		r.known[name] = trace
	}
	if i := newest(trace.Bins, t); i >= 0 {
		return trace.Bins[i].Mean, nil
	}
	return otherwise, nil
}

// lastBefore is the last reading before the stretch, however long ago, or none.
func (r *temperaturesRead) lastBefore(column string) ([]overview.Bin, error) {
	_, from, _ := r.archive.Columns()
	for to := r.from; from < to; {
		trace, err := r.archive.Trace(r.ctx, column, from, to, 100)
		if err != nil {
			return nil, err
		}
		i := newest(trace.Bins, to)
		if i < 0 {
			return nil, nil
		}
		b := trace.Bins[i]
		if trace.Raw || b.First <= from && b.Last >= to {
			return []overview.Bin{b}, nil
		}
		from, to = max(from, b.First), min(to, b.Last)
	}
	return nil, nil
}

// newest is the last bin with a value that begins at or before a time; -1 without.
func newest(bins []overview.Bin, t int64) int {
	i := sort.Search(len(bins), func(i int) bool { return bins[i].First > t }) - 1
	for i >= 0 && math.IsNaN(bins[i].Mean) {
		i--
	}
	return i
}
