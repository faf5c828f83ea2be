package revise

import (
	"errors"
	"io"
	"math"

	"glueline/sinks/archive"
)

// Place is the place of the first frame of a group that has a row of a time or
// later; what holds from that time on holds from there. Behind the archive it is
// the place that comes next.
func Place(raw, group string, cuts uint64, at int64) (uint64, error) {
	next := uint64(1)
	for cut := range cuts {
		r, err := archive.Read(raw, group, cut)
		if err != nil {
			return 0, err
		}
		next = r.Last + 1
		newest := false
		for _, f := range r.Files {
			newest = newest || f.Rows > 0 && f.LastTime >= at
		}
		if !newest {
			continue
		}
		place, err := placeIn(raw, r, at)
		if err != nil || place > 0 {
			return place, err
		}
	}
	return next, nil
}

// placeIn is the place in one cut; 0 when no row of it is so new.
func placeIn(raw string, r *archive.Record, at int64) (uint64, error) {
	frames, err := archive.Open(raw, r)
	if err != nil {
		return 0, err
	}
	defer frames.Close() // only read
	for {
		i, err := frames.Next()
		if errors.Is(err, io.EOF) {
			return 0, nil
		}
		if err != nil {
			return 0, err
		}
		if i.Frame != nil && i.Frame.Rows() > 0 && i.Frame.Time[i.Frame.Rows()-1] >= at {
			return i.Place, nil
		}
	}
}

// When is the time of the first row of a group at a place or behind it; ok is
// false where no row follows.
func When(raw, group string, cuts, place uint64) (at int64, ok bool, err error) {
	for cut := range cuts {
		r, err := archive.Read(raw, group, cut)
		if err != nil {
			return 0, false, err
		}
		if r.Last < place {
			continue
		}
		if at, ok, err = whenIn(raw, r, place); err != nil || ok {
			return at, ok, err
		}
	}
	return 0, false, nil
}

func whenIn(raw string, r *archive.Record, place uint64) (at int64, ok bool, err error) {
	frames, err := archive.Open(raw, r)
	if err != nil {
		return 0, false, err
	}
	defer frames.Close() // only read
	for {
		i, err := frames.Next()
		if errors.Is(err, io.EOF) {
			return 0, false, nil
		}
		if err != nil {
			return 0, false, err
		}
		if i.Place >= place && i.Frame != nil && i.Frame.Rows() > 0 {
			return i.Frame.Time[0], true, nil
		}
	}
}

// Times are those of the first and the last row of a group; without a row the first
// is the latest that there is.
func Times(raw, group string, cuts uint64) (first, last int64, err error) {
	first, last = math.MaxInt64, math.MinInt64
	for cut := range cuts {
		r, err := archive.Read(raw, group, cut)
		if err != nil {
			return 0, 0, err
		}
		for _, f := range r.Files {
			if f.Rows > 0 {
				first, last = min(first, f.FirstTime), max(last, f.LastTime)
			}
		}
	}
	return first, last, nil
}
