package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"glueline/sinks/console"
	"glueline/sinks/overview"
)

// overviewFolder holds the pyramids of each revision: a cache, which may be removed.
const overviewFolder = "overview"

// consoleArchive is the overview of the revision that holds.
type consoleArchive struct {
	mutex    sync.Mutex
	revision string
	archive  *overview.Archive
	done     int // of total pyramids
	total    int
}

// of is the overview of what holds now, with all that is committed.
func (c *consoleArchive) of(data string) (*overview.Archive, error) {
	dir, err := resultsIn(data)
	if err != nil {
		return nil, err
	}
	c.mutex.Lock()
	defer c.mutex.Unlock()
	if c.archive == nil || c.revision != dir {
		a, err := overview.Open(dir, filepath.Join(data, overviewFolder, filepath.Base(dir)))
		if err != nil {
			return nil, err
		}
		c.archive, c.revision = a, dir
	}
	return c.archive, c.archive.Refresh()
}

// overviewPause is how often what was committed is looked at: its pyramid is made
// before somebody asks.
const overviewPause = 5 * time.Second

// keep makes pyramids until ctx ends.
func (c *consoleArchive) keep(ctx context.Context, svc *service) error {
	select {
	case <-ctx.Done():
		return nil
	case <-svc.ready:
	}
	for {
		if a, err := c.of(svc.data); err == nil {
			err = a.Build(ctx, func(done, total int) {
				c.mutex.Lock()
				c.done, c.total = done, total
				c.mutex.Unlock()
			})
			if err != nil && ctx.Err() == nil {
				svc.log.Warn("the overview for the console was not made; it is tried again", "err", err)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(overviewPause):
		}
	}
}

// traceOf is a trace for the page: times in ms since 1970, null where there is no
// value.
type traceOf struct {
	T     []float64  `json:"t"`
	Min   realOrNull `json:"min"`
	Max   realOrNull `json:"max"`
	Mean  realOrNull `json:"mean"`
	Flags []uint32   `json:"flags"`
	Raw   bool       `json:"raw"`
	Rows  int64      `json:"rows"`
}

// realOrNull writes NaN as null.
type realOrNull []float64

func (r realOrNull) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, v := range r {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			b = append(b, "null"...)
		} else {
			b = strconv.AppendFloat(b, v, 'g', -1, 64)
		}
	}
	return append(b, ']'), nil
}

func (a *consoleArticle) columns() (any, error) {
	archive, err := a.archive.of(a.svc.data)
	if err != nil {
		return nil, err
	}
	names, first, last := archive.Columns()
	if names == nil {
		names = []string{}
	}
	a.archive.mutex.Lock()
	defer a.archive.mutex.Unlock()
	return map[string]any{"columns": names, "first": float64(first) / 1e6, "last": float64(last) / 1e6, "built": a.archive.done, "of": a.archive.total}, nil
}

// stretchAsked reads the stretch of time of a question: from and to in ns since
// 1970, and how many points.
func stretchAsked(q console.Query) (from, to int64, points int, err error) {
	var at [3]float64
	for i, name := range []string{"from", "to", "points"} {
		v, err := strconv.ParseFloat(q.Get(name), 64)
		if err != nil || !(v > -9e12 && v < 9e12) {
			return 0, 0, 0, fmt.Errorf("%w: %s is no number of milliseconds since 1970", console.ErrRefused, name)
		}
		at[i] = v
	}
	return int64(at[0] * 1e6), int64(at[1] * 1e6), int(at[2]), nil
}

// said is an error of the overview as the page says it.
func (a *consoleArticle) said(err error) error {
	switch {
	case errors.Is(err, overview.ErrNoColumn):
		return fmt.Errorf("%w: %w", console.ErrRefused, err)
	case errors.Is(err, overview.ErrNotBuilt):
		a.archive.mutex.Lock()
		defer a.archive.mutex.Unlock()
		return fmt.Errorf("%w: %d of %d files", err, a.archive.done, a.archive.total)
	}
	return err
}

func (a *consoleArticle) trace(ctx context.Context, q console.Query) (any, error) {
	from, to, points, err := stretchAsked(q)
	if err != nil {
		return nil, err
	}
	archive, err := a.archive.of(a.svc.data)
	if err != nil {
		return nil, err
	}
	t, err := archive.Trace(ctx, q.Get("column"), from, to, points)
	if err != nil {
		return nil, a.said(err)
	}
	out := &traceOf{T: []float64{}, Min: realOrNull{}, Max: realOrNull{}, Mean: realOrNull{}, Flags: []uint32{}, Raw: t.Raw, Rows: t.Rows}
	for _, b := range t.Bins {
		out.T = append(out.T, float64(middle(b))/1e6)
		out.Min, out.Max, out.Mean, out.Flags = append(out.Min, b.Min), append(out.Max, b.Max), append(out.Mean, b.Mean), append(out.Flags, b.Flags)
	}
	return out, nil
}
