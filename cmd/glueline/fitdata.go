package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"glueline/pipeline/channel"
	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
	"glueline/pipeline/thermalfit"
	"glueline/sinks/segment"
)

// leftOutOfFit are the flags of samples that say nothing of thermal output: those
// that would keep a zero from being taken, but for the range of the polynomial that
// is looked for.
const leftOutOfFit = flag.RefusesZero &^ flag.PolynomialRange

// thermalData is what a fit is made of.
type thermalData struct {
	what        *thermalSubject
	readings    thermalfit.Readings
	samples     int64 // that count
	withoutLoad bool  // a load state was said
	seen        int64 // of the channels
	flagged     int64
	loaded      int64
	first, last int64            // ns, of those that count
	removed     *channel.Channel // what the reduction takes out at the end; of the first channel
}

// gather reads the committed files of the results, a group at a time.
func (c *fitThermalCommand) gather(ctx context.Context, s streams, g *thermalData) error {
	dir, err := resultsIn(c.Results)
	if err != nil {
		return err
	}
	from, to := int64(math.MinInt64), int64(math.MaxInt64)
	for _, bound := range []struct {
		text string
		at   *int64
	}{{c.From, &from}, {c.To, &to}} {
		if bound.text != "" {
			if *bound.at, err = instantOf(bound.text); err != nil {
				return err
			}
		}
	}
	groups, order, total, err := recordsOf(dir)
	if err != nil {
		return err
	}
	if len(order) == 0 {
		return nothingIn(dir)
	}
	bar := newProgress(s.err, "fitting", c.Quiet)
	defer bar.Close()
	bar.Begin(total)
	var done int64
	for _, name := range order {
		w := newThermalWalk(dir, g, groups[name])
		w.from, w.to = from, to
		for i := range groups[name] {
			if err := w.read(ctx, &groups[name][i]); err != nil {
				return err
			}
			for _, f := range groups[name][i].Files {
				done += f.Bytes
			}
			bar.Set(done)
		}
	}
	switch {
	case g.seen == 0:
		return fmt.Errorf("no reading of %s in %s", some(g.what.channels), dir)
	case g.samples == 0 && g.loaded > 0 && !g.withoutLoad:
		return fmt.Errorf("nobody said when the article is without load (event load-state), so that no reading of %s counts; unload it, and say so: glueline load-state idle", some(g.what.channels))
	case g.samples == 0:
		return fmt.Errorf("no reading of %s counts: of %d, %d are left out for their flags and %d were not without load", some(g.what.channels), g.seen, g.flagged, g.loaded)
	}
	return nil
}

// recordsOf reads the commit records of a folder, by group in the order of cuts.
func recordsOf(dir string) (groups map[string][]segment.CommitRecord, order []string, bytes int64, err error) {
	paths, err := filepath.Glob(filepath.Join(dir, "*.commit.json"))
	if err != nil {
		return nil, nil, 0, err
	}
	sort.Strings(paths)
	groups = map[string][]segment.CommitRecord{}
	for _, path := range paths {
		record, err := segment.ReadCommit(path)
		if err != nil {
			return nil, nil, 0, err
		}
		if groups[record.Group] == nil {
			order = append(order, record.Group)
		}
		groups[record.Group] = append(groups[record.Group], record)
		for _, f := range record.Files {
			bytes += f.Bytes
		}
	}
	return groups, order, bytes, nil
}

// thermalWalk goes through the cuts of one group.
type thermalWalk struct {
	dir      string
	g        *thermalData
	from, to int64 // ns, of readings
	states   []event.Event
	zeros    map[string][]steps.ZeroAt // by channel, in the order in which they were taken
	breaks   map[string][]int64        // times at which a channel's reading may have jumped
	known    map[string]*group.ChannelConstants
	series   map[thermalKey]*thermalSeries
	tracks   map[string]*temperatureTrack
}

// thermalKey is what readings of one offset have in common.
type thermalKey struct {
	channel, constants string
	wire               int64 // ns, when it was wired so
	zero, breaks       int
}

type thermalSeries struct {
	to    *thermalfit.Series
	ready *channel.Channel
}

func newThermalWalk(dir string, g *thermalData, records []segment.CommitRecord) *thermalWalk {
	w := &thermalWalk{dir: dir, g: g, zeros: map[string][]steps.ZeroAt{}, breaks: map[string][]int64{},
		known: map[string]*group.ChannelConstants{}, series: map[thermalKey]*thermalSeries{}, tracks: map[string]*temperatureTrack{}}
	var lists [][]event.Event
	for i := range records {
		lists = append(lists, records[i].Events)
		for _, z := range slices.Concat(records[i].Zeros, records[i].OtherZeros) {
			if s := group.Standing(z.Standing); (s == group.InForce || s == group.Replaced) && slices.Contains(g.what.channels, z.Channel) {
				w.zeros[z.Channel] = append(w.zeros[z.Channel], steps.ZeroAt{Channel: z.Channel, From: z.From, To: z.To, Zero: z.OfGroup().Counted()})
			}
		}
	}
	for name, all := range w.zeros {
		sort.SliceStable(all, func(i, j int) bool { return all[i].To < all[j].To })
		w.zeros[name] = slices.CompactFunc(all, func(a, b steps.ZeroAt) bool { return a.From == b.From && a.To == b.To })
	}
	for _, e := range steps.Merge(lists...) {
		switch e.Event {
		case "load-state":
			w.states = append(w.states, e)
			g.withoutLoad = true
		case "balance", "rewire", "replace", "excitation":
			for _, name := range g.what.channels {
				if e.Touches(name) {
					w.breaks[name] = append(w.breaks[name], e.Time.UnixNano())
				}
			}
		}
	}
	sort.SliceStable(w.states, func(i, j int) bool { return w.states[i].Time.Before(w.states[j].Time) })
	for _, all := range w.breaks {
		slices.Sort(all)
	}
	return w
}

// temperatureTrack holds the readings of a temperature in one cut, behind the last
// one before it.
type temperatureTrack struct {
	at    []int64
	value []float64
	next  int // of at, above the newest time that was asked for
}

// of returns the newest reading at or before a time, as the reduction takes it; NaN
// before any.
func (t *temperatureTrack) of(at int64) float64 {
	if t == nil {
		return math.NaN()
	}
	if t.next > len(t.at) || t.next > 0 && t.at[t.next-1] > at { // time went back
		t.next = sort.Search(len(t.at), func(i int) bool { return t.at[i] > at })
	}
	for t.next < len(t.at) && t.at[t.next] <= at {
		t.next++
	}
	if t.next == 0 {
		return math.NaN()
	}
	return t.value[t.next-1]
}

func (t *temperatureTrack) Len() int           { return len(t.at) }
func (t *temperatureTrack) Less(i, j int) bool { return t.at[i] < t.at[j] }
func (t *temperatureTrack) Swap(i, j int) {
	t.at[i], t.at[j] = t.at[j], t.at[i]
	t.value[i], t.value[j] = t.value[j], t.value[i]
}

// read takes one cut: its temperatures first, which may be of another source.
func (w *thermalWalk) read(ctx context.Context, record *segment.CommitRecord) error {
	for _, t := range w.tracks {
		if n := len(t.at); n > 1 {
			t.at, t.value = append(t.at[:0], t.at[n-1]), append(t.value[:0], t.value[n-1])
		}
		t.next = 0
	}
	for _, pass := range []func(*segment.Segment) (func(*segment.Batch) error, error){w.temperatures, w.strains} {
		for _, f := range record.Files {
			if f.Rows == 0 || f.LastTime < w.from || f.FirstTime > w.to {
				continue
			}
			if err := w.file(ctx, f, pass); err != nil {
				return fmt.Errorf("%s: %w", f.Name, err)
			}
		}
		for _, t := range w.tracks {
			if !sort.IsSorted(t) {
				sort.Stable(t)
			}
		}
	}
	return nil
}

// file hands the batches of a segment to what the pass makes of its fields.
func (w *thermalWalk) file(ctx context.Context, f segment.File, pass func(*segment.Segment) (func(*segment.Batch) error, error)) (err error) {
	s, err := segment.ReadCommitted(w.dir, f)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	take, err := pass(s)
	if err != nil || take == nil {
		return err
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := take(b); err != nil {
			return err
		}
	}
}

func (w *thermalWalk) temperatures(s *segment.Segment) (func(*segment.Batch) error, error) {
	columns := map[int]*temperatureTrack{}
	for i, field := range s.Fields[2:] {
		if group.Quantity(metadata(field, "quantity")) == group.Temperature {
			name := metadata(field, "of")
			if w.tracks[name] == nil {
				w.tracks[name] = &temperatureTrack{}
			}
			columns[i] = w.tracks[name]
		}
	}
	if len(columns) == 0 {
		return nil, nil
	}
	return func(b *segment.Batch) error {
		for i, t := range columns {
			for j, v := range b.Columns[i].Float {
				// A reading that says what is known is none: a fast source would fill memory.
				if n := len(t.at); math.IsNaN(v) || n > 0 && t.value[n-1] == v && t.at[n-1] <= b.Time[j] {
					continue
				}
				t.at, t.value = append(t.at, b.Time[j]), append(t.value, v)
			}
		}
		return nil
	}, nil
}

func (w *thermalWalk) strains(s *segment.Segment) (func(*segment.Batch) error, error) {
	var columns []*thermalColumn
	flags := map[string]int{}
	for i, field := range s.Fields[2:] {
		of := metadata(field, "of")
		if !slices.Contains(w.g.what.channels, of) {
			continue
		}
		text := metadata(field, "constants")
		switch {
		case field.Kind == segment.Flags:
			flags[of] = i
			continue
		case text == "":
			continue
		}
		if w.known[text] == nil {
			c, err := group.ReadConstants(text)
			if err != nil {
				return nil, err
			}
			w.known[text] = &c
		}
		columns = append(columns, &thermalColumn{w: w, name: of, at: i, text: text, constants: w.known[text], until: math.MinInt64})
	}
	if len(columns) == 0 {
		return nil, nil
	}
	for _, c := range columns {
		at, ok := flags[c.name]
		if !ok {
			return nil, fmt.Errorf("channel %s has no flags", c.name)
		}
		c.flags = at
	}
	return func(b *segment.Batch) error {
		for _, c := range columns {
			if err := c.take(b); err != nil {
				return err
			}
		}
		return nil
	}, nil
}

// thermalColumn is a channel of one segment. What holds for its samples is looked up
// once for a stretch of time.
type thermalColumn struct {
	w         *thermalWalk
	name      string
	at, flags int
	text      string
	constants *group.ChannelConstants

	since, until int64          // ns, of the stretch
	series       *thermalSeries // nil: its samples do not count
	loaded       bool
}

func (c *thermalColumn) take(b *segment.Batch) error {
	w, g := c.w, c.w.g
	track := w.tracks[c.constants.Temperature]
	strain, flags := b.Columns[c.at].Float, b.Columns[c.flags].Flags
	for i, at := range b.Time {
		if at < w.from || at > w.to {
			continue
		}
		g.seen++
		if math.IsNaN(strain[i]) || flag.Mask(flags[i])&leftOutOfFit != 0 {
			g.flagged++
			continue
		}
		if at < c.since || at >= c.until {
			if err := c.look(at); err != nil {
				return err
			}
		}
		if c.series == nil {
			if c.loaded {
				g.loaded++
			}
			continue
		}
		temperature := track.of(at)
		if math.IsNaN(temperature) {
			g.flagged++
			continue
		}
		change, err := thermalfit.Change(c.series.ready, strain[i], temperature)
		if err != nil {
			return fmt.Errorf("channel %s: %w", c.name, err)
		}
		g.readings.Add(c.series.to, at, temperature, change/g.what.reference)
		if g.samples == 0 {
			g.first, g.last = at, at
		}
		g.first, g.last = min(g.first, at), max(g.last, at)
		g.samples++
	}
	return nil
}

// look finds what holds at a time, and how long.
func (c *thermalColumn) look(at int64) error {
	w := c.w
	c.since, c.until, c.series, c.loaded = math.MinInt64, math.MaxInt64, nil, false
	// change narrows the stretch to the one between two changes.
	change := func(n int, time func(i int) int64) int {
		i := sort.Search(n, func(i int) bool { return time(i) > at })
		if i > 0 {
			c.since = max(c.since, time(i-1))
		}
		if i < n {
			c.until = min(c.until, time(i))
		}
		return i
	}
	state := change(len(w.states), func(i int) int64 { return w.states[i].Time.UnixNano() })
	breaks := change(len(w.breaks[c.name]), func(i int) int64 { return w.breaks[c.name][i] })
	zeros := w.zeros[c.name]
	zero := change(len(zeros), func(i int) int64 { return zeros[i].To })
	wire := c.constants.At(at)
	if wire == nil {
		c.since, c.until = at, at+1
		return nil
	}
	c.since, c.until = max(c.since, wire.From), min(c.until, wire.To)
	_, gauge, _ := strings.Cut(wire.Input, "|")
	switch {
	case !w.g.what.gauges[gauge]:
		return nil // of another lot
	case w.g.what.idle[c.name] && (state == 0 || w.states[state-1].State != "idle"):
		c.loaded = true
		return nil
	case zero == 0:
		return nil
	}
	key := thermalKey{c.name, c.text, wire.From, zero, breaks}
	if w.series[key] == nil {
		ready, err := channel.New(wire.Constants, zeros[zero-1].Zero)
		if err != nil {
			return fmt.Errorf("channel %s: %w", c.name, err)
		}
		w.series[key] = &thermalSeries{to: w.g.readings.Begin(c.name), ready: ready}
	}
	c.series = w.series[key]
	if c.name == w.g.what.channels[0] {
		w.g.removed = c.series.ready
	}
	return nil
}
