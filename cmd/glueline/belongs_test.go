package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"glueline/pipeline/journal"
)

// treeOf are the folders and files below one.
func treeOf(t *testing.T, dir string) (paths []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, _ os.DirEntry, err error) error {
		if err == nil {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return paths
}

// A start on another test's data folder, and one whose journal is not there, say
// what is to be done and make nothing; what belongs together starts afterwards.
func TestStartWithWhatDoesNotBelongTogether(t *testing.T) {
	b := newLiveBench(t)
	other := write(t, t.TempDir(), "other.yaml", strings.Replace(liveTest, "name: bench", "name: yard", 1))
	refused := func(data, file string, want ...string) {
		t.Helper()
		before := treeOf(t, filepath.Dir(data))
		status, _, errs := glueline(t.Context(), "serve", file, "--data", data)
		if status != 1 {
			t.Errorf("status %d", status)
		}
		wants(t, errs, want...)
		if after := treeOf(t, filepath.Dir(data)); !slices.Equal(after, before) {
			t.Errorf("it left %v, was %v", after, before)
		}
	}
	b.stop()
	<-b.ended
	t.Run("nothing archived", func(t *testing.T) {
		refused(b.data, other, `of the test "bench"`, `is the test "yard"`, "--data", "nothing was changed")
	})
	b.serve()
	b.feed(2)
	b.steps("--now")
	b.stop()
	<-b.ended
	t.Run("archived", func(t *testing.T) {
		refused(b.data, other, `of the test "bench"`, `is the test "yard"`, "--data", "nothing was changed")
	})
	store := filepath.Join(b.data, journalFolder)
	if held, others, err := journal.InStore(store, "yard"); held || err != nil || !slices.Equal(others, []string{"bench"}) {
		t.Errorf("in the journal: %t, %v, %v", held, others, err)
	}
	away := filepath.Join(t.TempDir(), "moved")
	if err := os.Rename(store, away); err != nil {
		t.Fatal(err)
	}
	t.Run("no journal", func(t *testing.T) {
		refused(b.data, b.file, "its journal is not there", "Put it back", "--journal", "nothing was changed")
	})
	if err := os.Mkdir(store, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Run("an empty journal folder", func(t *testing.T) {
		refused(b.data, b.file, "its journal is not there", "not mounted")
	})
	b.serve("--journal", away)
	b.feed(1)
}
