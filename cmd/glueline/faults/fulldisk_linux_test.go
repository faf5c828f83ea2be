package faults

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// smallDisk mounts a disk of that size, most of it taken by ballast, and
// returns its folder and what takes the ballast away.
func smallDisk(t *testing.T, bytes, ballast int) (dir string, relieve func()) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("mounting a small disk is missing: it needs root, as in CI")
	}
	dir = t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+itoa(bytes)); err != nil {
		t.Fatalf("mount a small disk: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	weight := filepath.Join(dir, "ballast")
	if err := os.WriteFile(weight, make([]byte, ballast), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir, func() {
		t.Helper()
		if err := os.Remove(weight); err != nil {
			t.Fatal(err)
		}
	}
}

// A disk that journal and segments share fills up: before it is full, frames
// are refused with a reason and their publishers keep them; the service goes on
// running, and takes them when there is room.
func TestSharedDiskFillsUp(t *testing.T) {
	parallel(t)
	dir, relieve := smallDisk(t, 96<<20, 64<<20)
	testFile, _ := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(dir, "data"), args: []string{"--keep-journal", "--keep-free", itoa(16 << 20)}}
	url := o.listening(t)
	s := start(t, o)
	s.ready()
	load := generate(t, loadTo(t, url, testFile, 0))
	s.until("the disk is nearly full", func() bool {
		return strings.Contains(s.said.String(), "nearly full")
	})
	refused := func() bool {
		groups, err := s.status()
		if err != nil {
			return false
		}
		for _, g := range groups {
			if g.Journal.MaxBytes > g.Journal.Bytes || g.Progress.Sequence != g.Journal.Last {
				return false
			}
		}
		return true
	}
	s.until("frames are refused", refused)
	last := func() (n uint64) {
		groups, err := s.status()
		if err != nil {
			t.Fatal(err)
		}
		for _, g := range groups {
			n += g.Journal.Last
		}
		return n
	}
	before := last()
	time.Sleep(2 * time.Second) // in which nothing may come in
	if after := last(); after > before+2 {
		t.Errorf("%d messages came in while they should be refused", after-before)
	}
	if err := s.tryEvent(`{"event":"note","text":"full","time":"2026-03-01T00:00:00Z"}`); err == nil || !strings.Contains(err.Error(), "full") {
		t.Errorf("an event while the disk is full: %v", err)
	}
	relieve()
	s.moves()
	o.endAndCheck(t, s, load)
}

// Nobody watches a disk that journal and segments share, and it fills up: the
// broker takes nothing any more, nor will it when there is room. The process
// ends with a status of its own, also when it is started again on the full disk; started
// when there is room it has all that was acknowledged.
func TestFullDiskEndsTheProcess(t *testing.T) {
	parallel(t)
	dir, relieve := smallDisk(t, 96<<20, 80<<20)
	testFile, _ := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(dir, "data"), args: []string{"--keep-journal", "--keep-free", "0"}}
	url := o.listening(t)
	s := start(t, o)
	s.ready()
	load := generate(t, loadTo(t, url, testFile, 0))
	if code := s.exits(); code != 3 {
		t.Fatalf("it ended with status %d, want 3\n%s", code, s.said)
	}
	fill(t, dir)
	for range 2 { // as the unit does
		s = start(t, o)
		if code := s.exits(); code != 3 || !strings.Contains(s.said.String(), "Make room on the disk") {
			t.Fatalf("started on the full disk it ended with status %d, want 3 and a remedy\n%s", code, s.said)
		}
	}
	relieve()
	s = start(t, o)
	s.ready()
	s.moves()
	o.endAndCheck(t, s, load)
}

// fill takes the last byte of a disk.
func fill(t *testing.T, dir string) {
	t.Helper()
	f, err := os.Create(filepath.Join(dir, "last"))
	if err != nil {
		t.Fatal(err)
	}
	for part := make([]byte, 4096); err == nil; {
		_, err = f.Write(part)
	}
	if !errors.Is(err, unix.ENOSPC) || f.Close() != nil {
		t.Fatal(err)
	}
}

// The disk of the segments is full, the journal's is not: frames are taken, no
// file is committed, and it says so until there is room.
func TestSegmentsDiskIsFull(t *testing.T) {
	parallel(t)
	dir, relieve := smallDisk(t, 48<<20, 46<<20)
	testFile, plans := benchFile(t)
	store := filepath.Join(t.TempDir(), "journal")
	o := options{testFile: testFile, data: filepath.Join(dir, "data"), args: []string{"--journal", store}}
	url := o.listening(t)
	s := start(t, o)
	s.ready()
	load := loadOf(t, testFile)(url)
	s.until("it says that there is no room", func() bool {
		return strings.Count(s.said.String(), "no space left on device") > 1
	})
	relieve()
	groups, err := s.status()
	if err != nil {
		t.Fatal(err)
	}
	s.until("it commits again", func() bool {
		now, err := s.status()
		return err == nil && now[0].Progress.Cuts > groups[0].Progress.Cuts+3
	})
	load.stop()
	s.cut()
	s.stop()
	checkAcknowledged(t, o.data, plans, load.acknowledged())
	checkRecomputed(t, o.data, plans)
}
