package main

import (
	"context"
	"fmt"
	"strconv"

	"glueline/sinks/console"
	"glueline/sinks/segment"
)

// momentWithin is how far from a moment a sample may be that is shown as of it.
const momentWithin = int64(60e9)

// sampleOf is what a column held at a moment.
type sampleOf struct {
	Value *float64 `json:"value"`
	Flags uint32   `json:"flags"`
	Time  float64  `json:"ms"` // since 1970
}

// moment answers what all columns held at a time, by the segments.
func (a *consoleArticle) moment(ctx context.Context, q console.Query) (any, error) {
	ms, err := strconv.ParseFloat(q.Get("time"), 64)
	if err != nil || !(ms > -9e12 && ms < 9e12) {
		return nil, fmt.Errorf("%w: time is no number of milliseconds since 1970", console.ErrRefused)
	}
	archive, err := a.archive.of(a.svc.data)
	if err != nil {
		return nil, err
	}
	all, err := archive.Moment(ctx, int64(ms*1e6), momentWithin)
	if err != nil {
		return nil, a.said(err)
	}
	if len(all) == 0 {
		_, first, last := archive.Columns()
		return nil, fmt.Errorf("%w: there is nothing within a minute of then; the finished files go from %s to %s", console.ErrRefused, stamp(first), stamp(last))
	}
	out := map[string]sampleOf{}
	for name, s := range all {
		out[name] = sampleOf{stated(s.Value), s.Flags, float64(s.Time) / 1e6}
	}
	return out, nil
}

// zeroOfChannel is a zero as the page shows it.
type zeroOfChannel struct {
	Group string `json:"group"`
	segment.Zero
}

// zeros answers which zeros a channel had, the newest last.
func (a *consoleArticle) zeros(q console.Query) (any, error) {
	a.history.mutex.Lock()
	defer a.history.mutex.Unlock()
	if err := a.history.refresh(a.svc.data); err != nil {
		return nil, err
	}
	all := []zeroOfChannel{}
	for _, z := range a.history.zeros {
		if z.zero.Channel == q.Get("channel") {
			all = append(all, zeroOfChannel{z.group, z.zero})
		}
	}
	return all, nil
}
