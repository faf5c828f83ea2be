package verify

import (
	"os"
	"path/filepath"
	"testing"

	"glueline/sinks/health"
	"glueline/sinks/segment"
)

// Health files that serve writes and tidies while verify goes through a folder that
// it has listed before are no damage; a state that is gone without a newer one is.
func TestHealthIsTidiedMeanwhile(t *testing.T) {
	for _, c := range []struct {
		name    string
		listed  uint64 // steps that there are when the folder is listed
		until   uint64 // and when it is gone through
		lose    []uint64
		damages int
	}{
		{"nothing happens", 3, 3, nil, 0},
		{"one more step", 3, 4, nil, 0},
		{"many more steps", 3, 9, nil, 0},
		{"the newest state is lost", 3, 3, []uint64{2}, 1},
		{"all states are lost", 3, 3, []uint64{1, 2}, 2},
		{"all states are lost behind more steps", 3, 5, []uint64{3, 4}, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir, before := t.TempDir(), ""
			put := func(cut uint64) {
				t.Helper()
				if err := os.WriteFile(filepath.Join(dir, segment.CommitRecord{Group: "main", Cut: cut}.Name()), []byte("a record"), 0o600); err != nil {
					t.Fatal(err)
				}
				commit, err := health.CommitHash(dir, "main", cut)
				if err != nil {
					t.Fatal(err)
				}
				f := &health.File{Group: "main", Cut: cut, Commit: commit, Previous: before}
				if before, err = health.Write(dir, f, []byte("a state")); err != nil {
					t.Fatal(err)
				}
			}
			for cut := range c.listed {
				put(cut)
			}
			w := &walk{report: new(Report), groups: map[string]*Group{}}
			f, err := list(dir, "", false)
			if err != nil {
				t.Fatal(err)
			}
			for cut := c.listed; cut < c.until; cut++ {
				put(cut)
			}
			for _, cut := range c.lose {
				if err := os.Remove(filepath.Join(dir, health.StateName("main", cut))); err != nil {
					t.Fatal(err)
				}
			}
			w.health(f)
			if len(w.report.Damages) != c.damages {
				t.Errorf("%d damages, want %d: %v", len(w.report.Damages), c.damages, w.report.Damages)
			}
		})
	}
}
