package revise

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"glueline/sinks/segment"
)

// ErrUnsound occurs when a revision is not whole.
var ErrUnsound = errors.New("the new revision is not sound")

// Check reads the cuts of a revision back, from one on: each follows the one
// before, and each file that is not one of the base's has the checksums of its
// record. done is told of the bytes that were read; it may be nil.
func (o *Order) Check(ctx context.Context, first uint64, done func(bytes int64)) error {
	w := &work{Order: *o}
	previous := ""
	for cut := first; cut < o.Cuts; cut++ {
		name := w.recordName(cut)
		text, err := os.ReadFile(filepath.Join(o.Out, name))
		if err != nil {
			return fmt.Errorf("%w: %w", ErrUnsound, err)
		}
		record, err := segment.DecodeCommit(text)
		if err != nil {
			return fmt.Errorf("%w: %s: %w", ErrUnsound, name, err)
		}
		if cut > first && record.Previous != previous {
			return fmt.Errorf("%w: %s does not follow the record before", ErrUnsound, name)
		}
		previous = hashOf(text)
		for _, f := range record.Files {
			if err := ctx.Err(); err != nil {
				return err
			}
			if o.shares(f.Name) {
				continue
			}
			if err := readBack(o.Out, f); err != nil {
				return fmt.Errorf("%w: %w", ErrUnsound, err)
			}
			if done != nil {
				done(f.Bytes)
			}
		}
	}
	return nil
}

// shares reports whether a file is that of the base.
func (o *Order) shares(name string) bool {
	if o.Base == "" {
		return false
	}
	a, errA := os.Stat(filepath.Join(o.Out, name))
	b, errB := os.Stat(filepath.Join(o.Base, name))
	return errA == nil && errB == nil && os.SameFile(a, b)
}

func readBack(dir string, f segment.File) error {
	s, err := segment.ReadCommitted(dir, f)
	if err != nil {
		return err
	}
	for {
		if _, err := s.Next(); errors.Is(err, io.EOF) {
			return s.Close()
		} else if err != nil {
			return errors.Join(err, s.Close())
		}
	}
}
