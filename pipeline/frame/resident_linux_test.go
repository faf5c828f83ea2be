package frame

import (
	"errors"
	"io"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// residentFile is how much of mapped files is in this process's memory.
func residentFile(t *testing.T) int {
	t.Helper()
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	_, line, _ := strings.Cut(string(status), "RssFile:")
	kB, err := strconv.Atoi(strings.Fields(line)[0])
	if err != nil {
		t.Fatal(err)
	}
	return kB << 10
}

// A mapped file does not stay in the process's memory behind the reader,
// whether it has many batches or one large one.
func TestMappedFilesAreForgotten(t *testing.T) {
	at, columns := record(6<<20, time.Millisecond, 11)
	columns[1].Float = columns[0].Float // no nulls: 144 MiB of views
	for name, path := range map[string]string{
		"many batches": writeArrow(t, "NODE1", at, columns),
		"one batch":    writeBatches(t, false, at, columns, func() int { return len(at) }),
	} {
		r := open(t, twoSources(), path)
		before, highest, sum := residentFile(t), 0, 0.0
		for i := 0; ; i++ {
			f, err := r.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			for _, c := range f.Columns {
				for _, v := range c.Float {
					sum += v
				}
			}
			f.Release()
			if i%10_000 == 0 {
				highest = max(highest, residentFile(t))
			}
		}
		highest = max(highest, residentFile(t))
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		if grown := highest - before; grown > 72<<20 || sum == 0 {
			t.Errorf("%s: %d MiB of the file's %d are resident", name, grown>>20, r.TotalBytes()>>20)
		} else {
			t.Logf("%s: %d MiB of the file's %d are resident at most", name, grown>>20, r.TotalBytes()>>20)
		}
	}
}
