package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"glueline/sinks/archive"
	"glueline/sinks/segment"
)

// errUnfinished occurs when a revision is asked for that was begun, is not all made
// and never held.
var errUnfinished = errors.New("is not finished")

// unfinished is a revision of which cuts are lacking still.
type unfinished struct {
	data, name  string
	made, there uint64            // cuts
	ends        map[string]uint64 // by group, the cuts that are made
}

// unfinishedOf is nil where a folder is no revision, and for one that holds or held.
func unfinishedOf(dir string) (*unfinished, error) {
	data, name, err := revisionOf(dir)
	if err != nil || name == "" {
		return nil, err
	}
	current, err := currentRevision(data)
	if err != nil || later(current, name) {
		return nil, err
	}
	u := &unfinished{data: data, name: name, ends: map[string]uint64{}}
	raw := filepath.Join(data, rawFolder)
	groups, err := groupsOf(raw)
	if err != nil {
		return nil, err
	}
	for _, g := range groups {
		newest, err := archive.Newest(raw, g)
		if err != nil {
			return nil, err
		}
		if newest == nil {
			continue
		}
		u.there += newest.Cut + 1
		u.ends[g] = 0
		for cut := uint64(0); cut <= newest.Cut; cut++ { // the records are written in the order of the cuts
			if _, err := os.Stat(filepath.Join(data, name, segment.CommitRecord{Group: g, Cut: cut}.Name())); err != nil {
				break
			}
			u.ends[g] = cut + 1
			u.made++
		}
	}
	return u, nil
}

// Error says how far it got and how to go on.
func (u *unfinished) Error() string {
	return fmt.Sprintf("revision %s %v: %d of %s. What is there is a part of it. Go on with: glueline rereduce %s --go-on %s",
		u.name, errUnfinished, u.made, count(int(u.there), "cut"), u.data, u.name)
}

// Unwrap has errors.Is find what it is.
func (u *unfinished) Unwrap() error { return errUnfinished }

// refuseUnfinished is an error for a revision that is not finished.
func refuseUnfinished(dir string) error {
	u, err := unfinishedOf(dir)
	if err == nil && u != nil {
		return u
	}
	return err
}
