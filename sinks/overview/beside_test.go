package overview

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"glueline/sinks/segment"
)

// What is made of rows in hand is what is made of their segment, whatever batches they
// come in, also behind rows that were dropped.
func TestBesideIsWhatTheSegmentGives(t *testing.T) {
	dir := t.TempDir()
	segments(t, dir, 1, 127, 128, 5000)
	for _, cache := range []string{"read", "beside"} {
		if err := os.Mkdir(filepath.Join(dir, cache), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	beside, err := NewBeside(filepath.Join(dir, "beside"), func(err error) { t.Error(err) })
	if err != nil {
		t.Fatal(err)
	}
	var fields []segment.Field
	for cut := range 4 {
		r, err := segment.ReadCommit(filepath.Join(dir, segment.CommitRecord{Group: "g", Cut: uint64(cut)}.Name()))
		if err != nil {
			t.Fatal(err)
		}
		f := r.Files[0]
		if err := make1(dir, filepath.Join(dir, "read"), f); err != nil {
			t.Fatal(err)
		}
		for again := range 2 {
			s, err := segment.ReadCommitted(dir, f)
			if err != nil {
				t.Fatal(err)
			}
			if fields == nil {
				fields = s.Fields
			}
			for range f.Batches {
				b, err := s.Next()
				if err != nil {
					t.Fatal(err)
				}
				for from, n := 0, 1; from < b.Rows; from, n = from+n, 2*n+1 {
					to := min(b.Rows, from+n)
					part := segment.Batch{Rows: to - from, Time: b.Time[from:to], Counter: b.Counter[from:to], Columns: make([]segment.Column, len(b.Columns))}
					part.Columns[0].Float, part.Columns[1].Flags = b.Columns[0].Float[from:to], b.Columns[1].Flags[from:to]
					beside.Append("s", fields, &part)
				}
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if again == 0 {
				beside.Abort() // it comes again
			}
		}
		beside.Commit("s", f)
		want, err := os.ReadFile(filepath.Join(dir, "read", f.Name+suffix))
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(dir, "beside", f.Name+suffix))
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("cut %d: %v: %d bytes, want %d, and the same", cut, err, len(got), len(want))
		}
	}
}

func BenchmarkTake(b *testing.B) {
	values := make([]float64, rowsABin)
	for i := range values {
		values[i] = float64(i%17) * 1e-6
	}
	b.SetBytes(8 * rowsABin)
	g := none()
	for b.Loop() {
		g.take(values)
	}
}
