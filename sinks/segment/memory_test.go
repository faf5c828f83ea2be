package segment

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"glueline/sinks/disk"
)

// A file is the same whatever its memory held before: other rows, nulls, a
// longer file, one that was aborted.
func TestMemoryOfAnotherFileLeavesNoTrace(t *testing.T) {
	var memory Memory
	write := func(m *Memory, b Batch, commit bool) []byte {
		t.Helper()
		dir := t.TempDir()
		w, err := m.Create(disk.At(dir), "s.arrow", fields, metadata, 100)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Append(b); err != nil {
			t.Fatal(err)
		}
		if !commit {
			if err := w.Abort(); err != nil {
				t.Fatal(err)
			}
			return nil
		}
		if _, err := w.Commit(); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join(dir, "s.arrow"))
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	for i, rows := range []int{730, 30, 100, 101, 350, 99} {
		if i == 3 {
			write(&memory, results(250, 99), false)
		}
		b := results(rows, uint64(i))
		if !bytes.Equal(write(&memory, b, true), write(new(Memory), b, true)) {
			t.Errorf("file %d, of %d rows: other bytes than with fresh memory", i, rows)
		}
	}
	if n := len(memory.free); n != 2 {
		t.Errorf("%d buffers were made, want 2", n)
	}
}
