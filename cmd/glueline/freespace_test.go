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
		{"by default", -1, dir, min(1<<30, size/20)},
		{"nobody knows the disk", -1, filepath.Join(dir, "missing"), 0},
	} {
		if got := keepFree(c.asked, c.dir); got != c.want {
			t.Errorf("%s: %d bytes are kept free, want %d", c.name, got, c.want)
		}
	}
	if free := freeDisk(dir); free == 0 || free > size {
		t.Errorf("%d bytes are free of %d", free, size)
	}
}
