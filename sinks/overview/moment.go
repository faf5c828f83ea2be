package overview

import (
	"context"
	"errors"
	"io"

	"glueline/sinks/segment"
)

// Sample is what a column held in one row.
type Sample struct {
	Time  int64 // ns since 1970 UTC
	Value float64
	Flags uint32
}

// Moment returns the sample of each column that is nearest to a time, no further
// from it than within, in ns. One batch of each file is read.
func (a *Archive) Moment(ctx context.Context, at, within int64) (map[string]Sample, error) {
	a.mutex.Lock()
	var files []*file
	for _, f := range a.files {
		if f.FirstTime-within <= at && at <= f.LastTime+within {
			files = append(files, f)
		}
	}
	a.mutex.Unlock()
	out := map[string]Sample{}
	for _, f := range files {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		p, err := a.pyramid(f, true)
		if err != nil {
			return nil, err
		}
		times, err := p.read(0, -1)
		if err != nil {
			return nil, a.forget(f, err)
		}
		if err := a.nearest(f, times, at, within, out); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func apart(first, last, at int64) int64 { return max(first-at, at-last, 0) }

// nearest takes the samples of a file that are nearer than those that are known.
func (a *Archive) nearest(f *file, times []Bin, at, within int64, out map[string]Sample) error {
	best := 0
	for i, t := range times {
		if apart(t.First, t.Last, at) < apart(times[best].First, times[best].Last, at) {
			best = i
		}
	}
	s, err := segment.ReadCommitted(a.dir, f.File)
	if err != nil {
		return err
	}
	defer s.Close() // only read
	skip, row := 0, 0
	for skip+1 < len(f.Batches) && row+f.Batches[skip].Rows <= best*rowsABin {
		row += f.Batches[skip].Rows
		skip++
	}
	if err := s.Skip(skip); err != nil {
		return err
	}
	flagsOf := map[string]int{}
	for i, x := range s.Fields[2:] {
		if x.Kind == segment.Flags {
			flagsOf[metadataOf(x)] = i
		}
	}
	for row < min(int(f.Rows), (best+1)*rowsABin) {
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		near := 0
		for i, t := range b.Time {
			if apart(t, t, at) < apart(b.Time[near], b.Time[near], at) {
				near = i
			}
		}
		row += b.Rows
		if len(b.Time) == 0 || apart(b.Time[near], b.Time[near], at) > within {
			continue
		}
		for i, x := range s.Fields[2:] {
			if x.Kind != segment.Float {
				continue
			}
			found := Sample{Time: b.Time[near], Value: b.Columns[i].Float[near]}
			if k, ok := flagsOf[metadataOf(x)]; ok {
				found.Flags = b.Columns[k].Flags[near]
			}
			if known, ok := out[x.Name]; !ok || apart(found.Time, found.Time, at) < apart(known.Time, known.Time, at) {
				out[x.Name] = found
			}
		}
	}
	return nil
}

// metadataOf is what a column is of.
func metadataOf(x segment.Field) string {
	for _, m := range x.Metadata {
		if m[0] == "of" {
			return m[1]
		}
	}
	return ""
}
