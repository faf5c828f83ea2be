package verify_test

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"glueline/sinks/verify"
)

// Whichever bit of whichever file is flipped: it is found.
func TestEveryFlippedBitIsFound(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, beam)
	f := folder{t, dir}
	files, err := filepath.Glob(filepath.Join(dir, "*", "*"))
	if err != nil || len(files) != 2*(6+cuts) {
		t.Fatalf("%d files: %v", len(files), err)
	}
	o := options(dir, testOf(t, beam))
	random := rand.New(rand.NewPCG(7, 8))
	for range 6 {
		for _, path := range files {
			name, err := filepath.Rel(dir, path)
			if err != nil {
				t.Fatal(err)
			}
			sound := f.read(name)
			at, bit := random.IntN(len(sound)), random.IntN(8)
			changed := append([]byte(nil), sound...)
			changed[at] ^= 1 << bit
			f.write(name, changed)
			report, err := verify.Walk(t.Context(), o)
			if err != nil || len(report.Damages) == 0 {
				t.Errorf("bit %d of byte %d of %s: %v, nothing found", bit, at, name, err)
			}
			f.write(name, sound)
		}
	}
	if report := walk(t, o); len(report.Damages) > 0 {
		t.Errorf("sound again:\n%s", lines(report.Damages))
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 2 {
		t.Errorf("left over: %v %v", left, err)
	}
}
