package disk

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// Whatever the lengths of the pieces and of the whole, the file holds what was
// written, in order, once it is synced; also where more follows a sync.
func TestAFileHoldsWhatWasWritten(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	const piece = 256 << 10
	for _, size := range []int{0, 1, 4095, 4096, piece - 1, piece, piece + 1, 3*piece + 4097, 5 * piece} {
		for range 3 {
			want := make([]byte, size)
			for i := range want {
				want[i] = byte(r.Uint32())
			}
			dir := t.TempDir()
			f, err := At(dir).Create("x")
			if err != nil {
				t.Fatal(err)
			}
			between := r.IntN(size + 1)
			for at := 0; at < size; {
				n := min(1+r.IntN(1+r.IntN(piece)), size-at)
				if got, err := f.Write(want[at : at+n]); got != n || err != nil {
					t.Fatalf("wrote %d of %d: %v", got, n, err)
				}
				if at <= between && between < at+n {
					if err := f.Sync(); err != nil {
						t.Fatal(err)
					}
					if have, err := os.ReadFile(filepath.Join(dir, "x")); err != nil || !bytes.Equal(have, want[:at+n]) {
						t.Fatalf("of %d bytes, %d are on disk after a sync (%v)", at+n, len(have), err)
					}
				}
				at += n
				f.StartWriteback(0, int64(at))
			}
			if err := f.Sync(); err != nil {
				t.Fatal(err)
			}
			have, err := os.ReadFile(filepath.Join(dir, "x"))
			if err != nil || !bytes.Equal(have, want) {
				t.Fatalf("of %d bytes, %d are on disk, or others (%v)", size, len(have), err)
			}
			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
}
