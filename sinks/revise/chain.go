package revise

import (
	"errors"
	"fmt"
	"io/fs"

	"glueline/sinks/segment"
)

// committed is how many cuts have their records.
func (w *work) committed() (uint64, error) {
	for {
		_, err := w.out.ReadFile(w.recordName(w.chain))
		if errors.Is(err, fs.ErrNotExist) {
			return w.chain, nil
		}
		if err != nil {
			return 0, err
		}
		w.chain++
	}
}

// tell says of cuts that they have their records.
func (w *work) tell(from, to uint64) error {
	if w.Done == nil {
		return nil
	}
	for cut := from; cut < to; cut++ {
		r, err := w.record(cut)
		if err != nil {
			return err
		}
		w.Done(cut, rawBytes(r.Record))
	}
	return nil
}

func (w *work) recordName(cut uint64) string {
	return segment.CommitRecord{Group: w.Group, Cut: cut}.Name()
}

// advance writes the records of the cuts that are made, in their order, as far
// as they reach. Another process may be at the same: it writes the same bytes.
func (w *work) advance() error {
	for {
		before := w.chain
		cut, err := w.committed()
		if err == nil {
			err = w.tell(before, cut)
		}
		if err != nil || cut >= w.Cuts {
			return err
		}
		m := w.readMade(cut)
		if m == nil {
			return nil
		}
		start, err := w.state(cut)
		if err != nil {
			return err
		}
		if m.Start != hashOf(start) {
			// It was made from the archive's state, which is not that of this
			// revision here: it has to be made again.
			return w.forget(cut)
		}
		record := m.Record
		if cut > 0 {
			before, err := w.out.ReadFile(w.recordName(cut - 1))
			if err != nil {
				return err
			}
			record.Previous = hashOf(before)
		}
		if m.After != nil {
			if err := w.writeState(cut, m.After); err != nil {
				return err
			}
		}
		text, err := record.Encode()
		if err != nil {
			return err
		}
		if err := segment.WriteRecord(w.out, record.Name(), text); err != nil {
			return err
		}
		if err := w.forget(cut); err != nil {
			return err
		}
	}
}

// forget removes the note of a cut.
func (w *work) forget(cut uint64) error {
	err := w.out.Remove(madeName(w.Group, cut))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("cut %d of group %s: %w", cut, w.Group, err)
	}
	return nil
}
