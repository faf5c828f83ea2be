package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"glueline/pipeline/event"
)

// nothingFinished is the error of a folder that holds no commit record: what it is
// instead, and what to do. It is an fs.ErrNotExist.
type nothingFinished string

func (n nothingFinished) Error() string { return string(n) }
func (n nothingFinished) Unwrap() error { return fs.ErrNotExist }

// nothingIn looks why there are no finished files of Glueline in a folder.
func nothingIn(dir string) error {
	const give = "give the data folder of serve or the results folder of reduce"
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nothingFinished(fmt.Sprintf("%s: there is no such folder; %s", dir, give))
	case err != nil:
		return fmt.Errorf("results: %w", err)
	case !info.IsDir():
		return nothingFinished(fmt.Sprintf("%s is a file; %s", dir, give))
	}
	data := dir
	if whole, err := filepath.Abs(dir); err == nil && event.IsRevision(filepath.Base(whole)) {
		data = filepath.Join(dir, "..") // as it was given: relative stays relative
	}
	if !isFolder(filepath.Join(data, rawFolder)) {
		return nothingFinished(fmt.Sprintf("%s holds no results: no commit record is there; %s", dir, give))
	}
	if files, err := filepath.Glob(filepath.Join(data, rawFolder, "*.arrow")); err == nil && len(files) > 0 {
		return nothingFinished(fmt.Sprintf("%s: %s below %s, but no commit record that lists them. Start glueline serve on it: it ends what was begun; if it refuses, the records were lost: take them from a copy",
			data, count(len(files), "file"), rawFolder))
	}
	return nothingFinished(fmt.Sprintf("%s: no commit record yet: the first files are not ended. What came is safe in the journal; files end after 64 MiB a group, or when nothing came for a while (serve --idle-cut). "+
		"While the service runs, end them now: glueline steps %s --now. When it is stopped, start it again on this folder: nothing is lost", data, shellWord(data)))
}
