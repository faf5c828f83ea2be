package revise

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// Reach is how far a change goes, before anything is done.
type Reach struct {
	Cuts     uint64   // that there are
	Touched  []uint64 // whose timelines differ
	RawBytes int64    // of those
	Sources  []string // with other constants anywhere
}

// Reach finds what a change touches by its timelines alone. What it does to the
// state may reach further; Run finds out.
func (o *Order) Reach() (Reach, error) {
	out := Reach{Cuts: o.Cuts}
	sources := map[string]bool{}
	for cut := range o.Cuts {
		r, err := archive.Read(o.Raw, o.Group, cut)
		if err != nil {
			return out, err
		}
		now, was := o.Timeline.Between(r.First, r.Last), o.Was.Between(r.First, r.Last)
		touched := len(now) != len(was)
		for i := 0; i < min(len(now), len(was)); i++ {
			if i > 0 && now[i].From != was[i].From {
				touched = true
			}
			for _, source := range now[i].Plan.Sources() {
				_, x, err := now[i].Plan.Calibration(source)
				if err != nil {
					return out, err
				}
				_, y, err := was[i].Plan.Calibration(source)
				if err != nil {
					return out, err
				}
				if x != y {
					touched, sources[source] = true, true
				}
			}
		}
		if len(now) != len(was) {
			for _, source := range now[0].Plan.Sources() {
				sources[source] = true
			}
		}
		if touched {
			out.Touched = append(out.Touched, cut)
			for _, f := range r.Files {
				out.RawBytes += f.Bytes
			}
		}
	}
	for _, source := range o.Timeline[0].Plan.Sources() {
		if sources[source] {
			out.Sources = append(out.Sources, source)
		}
	}
	return out, nil
}

// Change is how far two reductions of the same readings are apart in one column.
type Change struct {
	Column  string // with its unit in its name, as in the segments
	Unit    string
	Rows    int64
	Mean    float64 // of the differences, new less old
	Largest float64 // with its sign
	When    int64   // ns, of the largest
	Flags   int64   // rows with other flags, of a column of flags
	Lost    int64   // rows that have a value in one of the two only
}

// Add takes the differences of further rows of the same column.
func (c *Change) Add(x Change) {
	if n := c.Rows + x.Rows; n > 0 {
		c.Mean = (c.Mean*float64(c.Rows) + x.Mean*float64(x.Rows)) / float64(n)
		c.Rows = n
	}
	if math.Abs(x.Largest) > math.Abs(c.Largest) {
		c.Largest, c.When = x.Largest, x.When
	}
	c.Flags += x.Flags
	c.Lost += x.Lost
}

// Sample reduces one cut as it will be, in a folder of its own below scratch that
// is removed, and compares it with the base.
func (o *Order) Sample(ctx context.Context, cut uint64, scratch string) ([]Change, int64, error) {
	dir, err := os.MkdirTemp(scratch, ".sample-*")
	if err != nil {
		return nil, 0, fmt.Errorf("sample: %w", err)
	}
	defer os.RemoveAll(dir) // what is left begins with a dot, and is looked at by nobody
	w := &work{Order: *o, out: disk.At(dir), pace: newPace(o.Share)}
	w.Out = dir
	bytes, err := w.make(ctx, cut)
	if err != nil {
		return nil, 0, err
	}
	m := w.readMade(cut)
	if m == nil {
		return nil, 0, errors.New("sample: its note is not there")
	}
	base, err := segment.ReadCommit(filepath.Join(o.Base, w.recordName(cut)))
	if err != nil {
		return nil, 0, err
	}
	changes, err := Differences(dir, m.Record.Files, o.Base, base.Files)
	return changes, bytes, err
}

// Differences compares the columns of two sets of files, row by row in the order
// of each source, as far as both have them.
func Differences(dir string, files []segment.File, baseDir string, base []segment.File) ([]Change, error) {
	var out []Change
	for _, source := range sourcesOf(files) {
		x := &rows{dir: dir, files: ofSource(files, source)}
		y := &rows{dir: baseDir, files: ofSource(base, source)}
		changes, err := compare(x, y)
		if err := errors.Join(err, x.close(), y.close()); err != nil {
			return nil, err
		}
		out = append(out, changes...)
	}
	return out, nil
}

// sourcesOf finds the sources in the names of files, GROUP.CUT.SOURCE.arrow or
// with the number of a part.
func sourcesOf(files []segment.File) (all []string) {
	for _, f := range files {
		if s := sourceOf(f.Name); !slices.Contains(all, s) {
			all = append(all, s)
		}
	}
	return all
}

func sourceOf(name string) string {
	name = strings.TrimSuffix(name, ".arrow")
	if i := strings.LastIndex(name, ".part-"); i > 0 {
		name = name[:i]
	}
	return name[strings.LastIndexByte(name, '.')+1:]
}

func ofSource(files []segment.File, source string) (some []segment.File) {
	for _, f := range files {
		if sourceOf(f.Name) == source {
			some = append(some, f)
		}
	}
	return some
}

// rows reads the files of one source, one after the other.
type rows struct {
	dir   string
	files []segment.File
	open  *segment.Segment
	batch *segment.Batch
	at    int // next row of batch
}

// more makes rows ready; it reports false at the end.
func (r *rows) more() (bool, error) {
	for r.batch == nil || r.at == r.batch.Rows {
		if r.open == nil {
			if len(r.files) == 0 {
				return false, nil
			}
			var err error
			if r.open, err = segment.ReadCommitted(r.dir, r.files[0]); err != nil {
				return false, err
			}
			r.files = r.files[1:]
		}
		b, err := r.open.Next()
		if errors.Is(err, io.EOF) {
			err = r.close()
			r.batch = nil
			if err != nil {
				return false, err
			}
			continue
		}
		if err != nil {
			return false, err
		}
		r.batch, r.at = b, 0
	}
	return true, nil
}

func (r *rows) close() error {
	if r.open == nil {
		return nil
	}
	err := r.open.Close()
	r.open = nil
	if errors.Is(err, fs.ErrClosed) {
		return nil
	}
	return err
}

// compare goes through the rows of one source in both.
func compare(x, y *rows) ([]Change, error) {
	var order []string
	found := map[string]*Change{}
	for {
		moreX, errX := x.more()
		moreY, errY := y.more()
		if err := errors.Join(errX, errY); err != nil {
			return nil, err
		}
		if !moreX || !moreY {
			break
		}
		n := min(x.batch.Rows-x.at, y.batch.Rows-y.at)
		columns := map[string]int{}
		for j, f := range y.open.Fields {
			columns[f.Name] = j
		}
		for j, f := range x.open.Fields {
			k, ok := columns[f.Name]
			if !ok || j < 2 {
				continue
			}
			c := found[f.Name]
			if c == nil {
				c = &Change{Column: f.Name, Unit: f.Unit}
				found[f.Name] = c
				order = append(order, f.Name)
			}
			a, b := x.batch.Columns[j-2], y.batch.Columns[k-2]
			if a.Float != nil && b.Float != nil {
				c.floats(a.Float[x.at:x.at+n], b.Float[y.at:y.at+n], x.batch.Time[x.at:x.at+n])
			}
			if a.Flags != nil && b.Flags != nil {
				c.flags(a.Flags[x.at:x.at+n], b.Flags[y.at:y.at+n])
			}
		}
		x.at += n
		y.at += n
	}
	var out []Change
	for _, name := range order {
		c := found[name]
		if c.Rows > 0 {
			c.Mean /= float64(c.Rows)
		}
		out = append(out, *c)
	}
	return out, nil
}

func (c *Change) floats(a, b []float64, times []int64) {
	for i := range a {
		d := a[i] - b[i]
		switch {
		case math.IsNaN(a[i]) && math.IsNaN(b[i]):
			continue
		case math.IsNaN(d):
			c.Lost++
			continue
		}
		c.Rows++
		c.Mean += d
		if math.Abs(d) > math.Abs(c.Largest) {
			c.Largest, c.When = d, times[i]
		}
	}
}

func (c *Change) flags(a, b []uint32) {
	c.Rows += int64(len(a))
	for i := range a {
		if a[i] != b[i] {
			c.Flags++
		}
	}
}
