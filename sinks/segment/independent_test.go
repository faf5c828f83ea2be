package segment

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
)

// seen is what read-segment.mjs prints.
type seen struct {
	Metadata [][2]string
	Rows     int
	Batches  []int
	Columns  []struct {
		Name, Type  string
		Nullable    bool
		Metadata    [][2]string
		Nulls       int
		First, Last any
		Sum         *float64
	}
}

// The apache-arrow package of npm sees the schema, units, rows, nulls and
// values that were written.
func TestAnIndependentReaderOpensSegments(t *testing.T) {
	const js = "../../testdata/js"
	const how = "run: npm ci --prefix testdata/js"
	node, err := exec.LookPath("node")
	if err != nil {
		t.Fatalf("Node.js is missing (%v): install it, then %s", err, how)
	}
	if _, err := os.Stat(filepath.Join(js, "node_modules", "apache-arrow", "package.json")); err != nil {
		t.Fatalf("the apache-arrow package is missing: %s", how)
	}
	const rows = 2500
	dir, b := t.TempDir(), results(rows, 5)
	f := writeSegment(t, dir, b, 1000, all(rows))
	printed, err := exec.Command(node, filepath.Join(js, "read-segment.mjs"), filepath.Join(dir, f.Name)).Output()
	if err != nil {
		t.Fatalf("read-segment.mjs: %v: %s", err, stderr(err))
	}
	var got seen
	if err := json.Unmarshal(printed, &got); err != nil {
		t.Fatalf("%v in %s", err, printed)
	}
	if got.Rows != rows || !slices.Equal(got.Batches, []int{1000, 1000, 500}) || !slices.Equal(got.Metadata, metadata) {
		t.Errorf("%d rows in %v, metadata %v", got.Rows, got.Batches, got.Metadata)
	}
	if len(got.Columns) != len(fields) {
		t.Fatalf("%d columns, want %d", len(got.Columns), len(fields))
	}
	nulls, sums := make([]int, 3), make([]float64, 3)
	for i, c := range b.Columns {
		for _, v := range c.Float {
			if v != v {
				nulls[i]++
			} else {
				sums[i] += v
			}
		}
		for _, v := range c.Flags {
			sums[i] += float64(v)
		}
	}
	types := map[Kind]string{Time: "Timestamp<NANOSECOND, UTC>", Counter: "Uint64", Float: "Float64", Flags: "Uint32"}
	for i, c := range got.Columns {
		f := fields[i]
		if c.Name != f.Name || c.Type != types[f.Kind] || c.Nullable != (f.Kind == Float) {
			t.Errorf("column %d is %q %s nullable %v, want %q %s", i, c.Name, c.Type, c.Nullable, f.Name, types[f.Kind])
		}
		var want [][2]string
		if f.Unit != "" {
			want = append(want, [2]string{"unit", f.Unit})
		}
		if want = append(want, f.Metadata...); !slices.Equal(c.Metadata, want) {
			t.Errorf("%s: metadata %v, want %v", c.Name, c.Metadata, want)
		}
		switch f.Kind {
		case Time:
			if c.First != fmt.Sprint(b.Time[0]) || c.Last != fmt.Sprint(b.Time[rows-1]) {
				t.Errorf("times %v to %v, want %d to %d", c.First, c.Last, b.Time[0], b.Time[rows-1])
			}
		case Counter:
			if c.First != fmt.Sprint(b.Counter[0]) || c.Last != fmt.Sprint(b.Counter[rows-1]) {
				t.Errorf("samples %v to %v, want %d to %d", c.First, c.Last, b.Counter[0], b.Counter[rows-1])
			}
		default:
			// The sum is made in the same order from the same bits.
			if c.Nulls != nulls[i-2] || c.Sum == nil || *c.Sum != sums[i-2] {
				t.Errorf("%s: %d nulls and sum %v, want %d and %v", c.Name, c.Nulls, *c.Sum, nulls[i-2], sums[i-2])
			}
		}
	}
}

func stderr(err error) []byte {
	var e *exec.ExitError
	if errors.As(err, &e) {
		return e.Stderr
	}
	return nil
}
