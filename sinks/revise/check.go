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

// Check goes through the records of a revision, from one cut on: each follows the
// one before, and each file is there at its length. What is in the files was read
// back by who made them, before they had a record; a file of the base is the
// base's own.
func (o *Order) Check(ctx context.Context, first uint64) error {
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
			info, err := os.Stat(filepath.Join(o.Out, f.Name))
			if err == nil && info.Size() != f.Bytes {
				err = fmt.Errorf("%s has %d bytes, not %d", f.Name, info.Size(), f.Bytes)
			}
			if err != nil {
				return fmt.Errorf("%w: %w", ErrUnsound, err)
			}
		}
	}
	return nil
}

// readBack reads a file that was written, at the pace of the work.
func (w *work) readBack(ctx context.Context, f segment.File) (err error) {
	s, err := segment.ReadCommitted(w.Out, f)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		w.pace.wait(ctx)
		switch _, err := s.Next(); {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
	}
}
