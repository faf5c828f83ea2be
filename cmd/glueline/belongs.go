package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"glueline/pipeline/journal"
	"glueline/sinks/archive"
)

// errOtherTest occurs when a data folder is another test's.
var errOtherTest = errors.New("it belongs to another test; nothing was changed")

// errJournalAway occurs when the journal that an archive goes on from is not where
// it should be.
var errJournalAway = errors.New("its journal is not there; nothing was changed")

// belongs makes sure that data folder and journal are those of the test, ahead of
// anything that a start makes: a journal that is made beside the one that was moved
// away, or in another test's folder, would be taken for a sound one later.
func (c *serveCommand) belongs(test string) error {
	newest, err := c.archived()
	if err != nil {
		return err
	}
	if newest != nil && newest.Test != test {
		return c.ofOther(newest.Test, test)
	}
	if c.Nats != "" {
		return nil // journals of many tests may be there
	}
	held, others, err := journal.InStore(c.journalDir(), test)
	switch {
	case err != nil:
		return err
	case newest == nil && !held && len(others) > 0 && c.Journal == "":
		return c.ofOther(others[0], test)
	case newest != nil && !held:
		return fmt.Errorf(`data folder %s: %w. Its files go on from message %d of the journal of group %s, and %s holds no journal of the test %q.
Was it moved, or is its disk not mounted? Put it back, or name the folder where it is with --journal; a journal on a server is named with --nats.
If it is lost, so is what came behind the newest finished files, which stay as they are: go on with a new folder (--data)`,
			c.Data, errJournalAway, newest.Journal.Last, newest.Group, c.journalDir(), test)
	}
	return nil
}

// archived is the newest commit record of some group; nil when nothing is archived.
func (c *serveCommand) archived() (*archive.Record, error) {
	raw := filepath.Join(c.Data, rawFolder)
	name, err := someGroup(raw)
	if err != nil || name == "" {
		return nil, err
	}
	return archive.Newest(raw, name)
}

// someGroup is a group of a raw archive, "" where there is none. It stops at the
// first record that it meets: a long test has ten thousands.
func someGroup(raw string) (string, error) {
	folder, err := os.Open(raw)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	defer folder.Close()
	for {
		entries, err := folder.ReadDir(64)
		for _, e := range entries {
			if stem, found := strings.CutSuffix(e.Name(), ".commit.json"); found {
				if dot := strings.LastIndexByte(stem, '.'); dot > 0 {
					return stem[:dot], nil
				}
			}
		}
		if errors.Is(err, io.EOF) {
			return "", nil
		}
		if err != nil {
			return "", err
		}
	}
}

func (c *serveCommand) ofOther(is, wanted string) error {
	return fmt.Errorf(`data folder %s: %w. It is of the test %q, and %s is the test %q.
Give this test a folder of its own with --data, or start with the test file of %q. A test keeps its name: where it was only renamed, write the old name again`,
		c.Data, errOtherTest, is, c.Test, wanted, is)
}
