package overview

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"glueline/sinks/segment"
)

// Archive answers from the segments of one folder and the pyramids beside them. It
// may be used by several goroutines.
type Archive struct {
	dir, cache string

	making  sync.Mutex // one segment at a time is read for its pyramid
	mutex   sync.Mutex
	seen    map[string]bool // commit records
	files   []*file         // by their first time
	columns []string        // in the order in which they were met
	known   map[string]bool
	names   map[string][]string // lists of columns, each kept once
}

type file struct {
	segment.File
	mutex   sync.Mutex
	pyramid *pyramid // nil until it was opened
}

// ErrNotBuilt occurs when more of the overview is missing than is made while
// somebody waits. Build makes it.
var ErrNotBuilt = errors.New("the overview of this archive is being made")

// ErrNoColumn occurs for a column that no segment has.
var ErrNoColumn = errors.New("no such column")

// mostAtOnce is how many pyramids a question may make by itself.
const mostAtOnce = 8

// Open answers from the committed segments of folder dir; pyramids are kept in
// folder cache, which is made.
func Open(dir, cache string) (*Archive, error) {
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return nil, fmt.Errorf("overview: %w", err)
	}
	return &Archive{dir: dir, cache: cache, seen: map[string]bool{}, known: map[string]bool{}, names: map[string][]string{}}, nil
}

// Refresh takes in what was committed since.
func (a *Archive) Refresh() error {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	entries, err := os.ReadDir(a.dir)
	if err != nil {
		return fmt.Errorf("overview: %w", err)
	}
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".commit.json") || a.seen[e.Name()] {
			continue
		}
		r, err := segment.ReadCommit(filepath.Join(a.dir, e.Name()))
		if err != nil {
			return err
		}
		for _, f := range r.Files {
			if f.Rows == 0 {
				continue
			}
			if err := a.learn(f); err != nil {
				return err
			}
		}
		a.seen[e.Name()] = true
	}
	return nil
}

func (a *Archive) learn(f segment.File) error {
	s, err := segment.ReadCommitted(a.dir, f)
	if err != nil {
		return err
	}
	for _, x := range s.Fields[2:] {
		if x.Kind == segment.Float && !a.known[x.Name] {
			a.known[x.Name] = true
			a.columns = append(a.columns, x.Name)
		}
	}
	i, _ := slices.BinarySearchFunc(a.files, f.FirstTime, func(x *file, t int64) int {
		if x.FirstTime <= t {
			return -1
		}
		return 1
	})
	a.files = slices.Insert(a.files, i, &file{File: f})
	return s.Close()
}

// Columns lists the columns of numbers, and from when to when there are rows, in ns
// since 1970 UTC; both are 0 without any.
func (a *Archive) Columns() (names []string, first, last int64) {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	for i, f := range a.files {
		if i == 0 {
			first, last = f.FirstTime, f.LastTime
		}
		first, last = min(first, f.FirstTime), max(last, f.LastTime)
	}
	return slices.Clone(a.columns), first, last
}

// Build makes all pyramids that are missing or damaged, and tells how far it is.
func (a *Archive) Build(ctx context.Context, progress func(done, total int)) error {
	a.mutex.Lock()
	files := slices.Clone(a.files)
	a.mutex.Unlock()
	for i, f := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		if _, err := a.pyramid(f, true); err != nil {
			return err
		}
		if progress != nil {
			progress(i+1, len(files))
		}
	}
	return nil
}

// pyramid opens that of a file, or makes it; nil when it is not there and not to
// be made.
func (a *Archive) pyramid(f *file, build bool) (*pyramid, error) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	if f.pyramid != nil {
		return f.pyramid, nil
	}
	p, err := openPyramid(a.cache, f.File)
	if err != nil {
		if !build {
			return nil, nil
		}
		a.making.Lock()
		err = make1(a.dir, a.cache, f.File)
		a.making.Unlock()
		if err != nil {
			return nil, fmt.Errorf("overview: %w", err)
		}
		if p, err = openPyramid(a.cache, f.File); err != nil {
			return nil, err
		}
	}
	a.mutex.Lock()
	key := strings.Join(p.Columns, "\x00")
	if a.names[key] == nil {
		a.names[key] = p.Columns
	}
	p.Columns = a.names[key]
	a.mutex.Unlock()
	f.pyramid = p
	return p, nil
}

// Trace is a column over a stretch of time.
type Trace struct {
	Bins []Bin // in the order of time
	Rows int64 // that they stand for
	Raw  bool  // each is one sample
}

// Trace returns a column from one time up to another, both included, as at most
// about points bins, or as single samples where there are so few.
func (a *Archive) Trace(ctx context.Context, column string, from, to int64, points int) (*Trace, error) {
	points = max(10, min(points, 10_000))
	if to < from {
		to = from
	}
	a.mutex.Lock()
	known := a.known[column]
	var files []*file
	for _, f := range a.files {
		if f.FirstTime <= to && f.LastTime >= from {
			files = append(files, f)
		}
	}
	a.mutex.Unlock()
	if !known {
		return nil, fmt.Errorf("%w: %q", ErrNoColumn, column)
	}
	missing := 0
	type part struct {
		file    *file
		pyramid *pyramid
		column  int
	}
	var parts []part
	rows := 0.0 // about, in the stretch
	for _, f := range files {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		p, err := a.pyramid(f, false)
		if p == nil && err == nil {
			if missing++; missing > mostAtOnce {
				return nil, ErrNotBuilt
			}
			p, err = a.pyramid(f, true)
		}
		if err != nil {
			return nil, err
		}
		i := slices.Index(p.Columns, column)
		if i < 0 {
			continue
		}
		parts = append(parts, part{f, p, i})
		share := 1.0
		if length := float64(f.LastTime - f.FirstTime); length > 0 {
			share = float64(min(f.LastTime, to)-max(f.FirstTime, from)) / length
		}
		rows += share * float64(f.Rows)
	}
	t := &Trace{Bins: []Bin{}}
	if rows <= float64(rowsABin*points) { // at level 0 a column of the screen would have less than a bin
		t.Raw = true
		for _, p := range parts {
			if err := a.samples(ctx, p.file, p.pyramid, column, from, to, &t.Bins); err != nil {
				return nil, err
			}
		}
	} else {
		level := 0
		for rows/float64(rowsABin)/math.Pow(fan, float64(level+1)) >= float64(points) {
			level++
		}
		for _, p := range parts {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			bins, err := p.pyramid.read(min(level, levelsOf(p.file.Rows)-1), p.column)
			if err != nil {
				return nil, a.forget(p.file, err)
			}
			for _, b := range bins {
				if b.First <= to && b.Last >= from {
					t.Bins = append(t.Bins, b)
				}
			}
		}
	}
	for _, b := range t.Bins {
		t.Rows += int64(b.N)
	}
	slices.SortStableFunc(t.Bins, func(x, y Bin) int { return int(max(-1, min(1, x.First-y.First))) })
	if len(t.Bins) > 2*points {
		t.Raw = false
		t.Bins = shrink(t.Bins, from, to, points)
	}
	return t, nil
}

// forget has a damaged pyramid made again at the next question.
func (a *Archive) forget(f *file, err error) error {
	if errors.Is(err, ErrDamaged) {
		f.mutex.Lock()
		f.pyramid = nil
		f.mutex.Unlock()
		err = errors.Join(err, os.Remove(filepath.Join(a.cache, f.Name+suffix)))
	}
	return err
}

// samples appends the rows of a column in a stretch, reading only the batches that
// have some.
func (a *Archive) samples(ctx context.Context, f *file, p *pyramid, column string, from, to int64, into *[]Bin) error {
	times, err := p.read(0, -1)
	if err != nil {
		return a.forget(f, err)
	}
	first, last := -1, -1
	for i, t := range times {
		if t.First <= to && t.Last >= from {
			if first < 0 {
				first = i * rowsABin
			}
			last = (i + 1) * rowsABin
		}
	}
	if first < 0 {
		return nil
	}
	s, err := segment.ReadCommitted(a.dir, f.File)
	if err != nil {
		return err
	}
	defer s.Close() // only read
	at, flags := -1, -1
	of := func(x segment.Field) string {
		for _, m := range x.Metadata {
			if m[0] == "of" {
				return m[1]
			}
		}
		return ""
	}
	for i, x := range s.Fields[2:] {
		if x.Name == column {
			at = i
		}
	}
	if at < 0 {
		return nil
	}
	for i, x := range s.Fields[2:] {
		if x.Kind == segment.Flags && of(x) == of(s.Fields[2+at]) {
			flags = i
		}
	}
	skip, row := 0, 0
	for skip < len(f.Batches) && row+f.Batches[skip].Rows <= first {
		row += f.Batches[skip].Rows
		skip++
	}
	if err := s.Skip(skip); err != nil {
		return err
	}
	for row < last {
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
		for i, t := range b.Time {
			if t < from || t > to {
				continue
			}
			v := b.Columns[at].Float[i]
			x := Bin{First: t, Last: t, Min: v, Max: v, Mean: v}
			if v == v {
				x.N = 1
			}
			if flags >= 0 {
				x.Flags = b.Columns[flags].Flags[i]
			}
			*into = append(*into, x)
		}
		row += b.Rows
	}
	return nil
}

// shrink puts bins together by where their middle falls in a stretch.
func shrink(bins []Bin, from, to int64, points int) []Bin {
	out := []Bin{}
	before := -1
	width := float64(to-from) + 1
	var sum float64
	for _, b := range bins {
		at := int(float64(b.First/2+b.Last/2-from) / width * float64(points))
		if len(out) == 0 || at > before {
			out, before, sum = append(out, b), at, b.Mean*float64(b.N)
			continue
		}
		o := &out[len(out)-1]
		o.First, o.Last, o.Flags = min(o.First, b.First), max(o.Last, b.Last), o.Flags|b.Flags
		if b.N == 0 {
			continue
		}
		if o.N == 0 {
			o.Min, o.Max, sum = b.Min, b.Max, 0
		}
		o.Min, o.Max, o.N = min(o.Min, b.Min), max(o.Max, b.Max), o.N+b.N
		sum += b.Mean * float64(b.N)
		o.Mean = sum / float64(o.N)
	}
	return out
}
