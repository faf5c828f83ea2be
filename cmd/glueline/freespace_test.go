package main

import (
	"path/filepath"
	"testing"
)

func TestKeepFree(t *testing.T) {
	dir := t.TempDir()
	size := diskSize(dir)
	for _, c := range []struct {
		name  string
		asked int64
		dir   string
		want  uint64
	}{
		{"as asked", 5 << 20, dir, 5 << 20},
		{"no watch", 0, dir, 0},
		{"by default", -1, dir, max(min(1<<30, size/20), min(size/2, 9<<20))},
		{"nobody knows the disk", -1, filepath.Join(dir, "missing"), 0},
	} {
		if got := keepFree(c.asked, c.dir, 2); got != c.want {
			t.Errorf("%s: %d bytes are kept free, want %d", c.name, got, c.want)
		}
	}
	if free := freeDisk(dir); free == 0 || free > size {
		t.Errorf("%d bytes are free of %d", free, size)
	}
}

// What a journal may grow by until the next look at its disk.
func TestRoomOnTheDisk(t *testing.T) {
	const mb = 1 << 20
	two := []*liveGroup{nil, nil}
	for _, c := range []struct {
		name  string
		watch freeWatch
		spare uint64
		want  int64
	}{
		{"its own disk", freeWatch{groups: two[:1]}, 60 * mb, 60 * mb},
		{"two groups", freeWatch{groups: two}, 60 * mb, 30 * mb},
		{"with the results", freeWatch{groups: two[:1], shared: true}, 60 * mb, 15 * mb},
		{"the last of it", freeWatch{groups: two[:1], shared: true}, mb, mb},
		{"nearly full", freeWatch{groups: two, low: true}, 60 * mb, 0},
	} {
		if got := c.watch.room(c.spare); got != c.want {
			t.Errorf("%s: %d bytes, want %d", c.name, got, c.want)
		}
	}
}
