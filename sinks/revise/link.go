package revise

import (
	"errors"
	"io/fs"
	"os"
)

// link gives a file a second name, in place of what has that name. The file is
// never changed, so that two revisions may have it together.
func link(from, to string) error {
	temporary := to + ".linked"
	if err := os.Remove(temporary); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.Link(from, temporary); err != nil {
		return err
	}
	if err := os.Rename(temporary, to); err != nil {
		return err
	}
	// Two names of one file stay both where one is renamed to the other.
	if err := os.Remove(temporary); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
