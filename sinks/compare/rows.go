package compare

import (
	"errors"
	"fmt"
	"io"
	"slices"

	"glueline/sinks/segment"
)

// Side is one of two reductions: files of a folder, those of a source in the order
// of its journal.
type Side struct {
	Dir   string
	Files []segment.File
}

// sources finds the sources in the names of files.
func (s *Side) sources() (all []string) {
	for _, f := range s.Files {
		if name := segment.SourceOf(f.Name); !slices.Contains(all, name) {
			all = append(all, name)
		}
	}
	return all
}

func (s *Side) of(source string) *rows {
	r := &rows{dir: s.Dir}
	for _, f := range s.Files {
		if segment.SourceOf(f.Name) == source {
			r.files = append(r.files, f)
		}
	}
	return r
}

// rows reads the files of one source, one after the other.
type rows struct {
	dir   string
	files []segment.File // that are still to come
	open  *segment.Segment
	size  int64 // of the open file
	batch *segment.Batch
	at    int // next row of batch
	read  int // files that were opened
}

// left is how many rows are ready.
func (r *rows) left() int {
	if r.batch == nil {
		return 0
	}
	return r.batch.Rows - r.at
}

// more makes rows ready, and reports false at the end. done is told of the bytes of
// files that were read to their ends.
func (r *rows) more(done func(int64)) (bool, error) {
	for r.left() == 0 {
		r.batch = nil
		if r.open == nil {
			if len(r.files) == 0 {
				return false, nil
			}
			var err error
			if r.open, err = segment.ReadCommitted(r.dir, r.files[0]); err != nil {
				return false, err
			}
			r.size, r.files, r.read = r.files[0].Bytes, r.files[1:], r.read+1
		}
		b, err := r.open.Next()
		if errors.Is(err, io.EOF) {
			if err := r.close(); err != nil {
				return false, err
			}
			done(r.size)
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
	if err != nil {
		return fmt.Errorf("close a segment: %w", err)
	}
	return nil
}

func (r *rows) times() []int64 { return r.batch.Time[r.at:] }

// floats are the next n values of a column; nil where the open file has none.
func (r *rows) floats(column, n int) []float64 {
	if column < 0 {
		return nil
	}
	return r.batch.Columns[column].Float[r.at : r.at+n]
}

func (r *rows) flags(column, n int) []uint32 {
	if column < 0 {
		return nil
	}
	return r.batch.Columns[column].Flags[r.at : r.at+n]
}
