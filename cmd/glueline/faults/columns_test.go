package faults

import (
	"iter"
	"math"
	"path/filepath"
	"testing"

	"glueline/sinks/segment"
)

// columnPart is what a batch of a file has of a column.
type columnPart struct {
	segment.Field
	segment.Column
	time []int64
}

// bits are its values as bits.
func (p *columnPart) bits() (all []uint64) {
	for _, v := range p.Float {
		all = append(all, math.Float64bits(v))
	}
	for _, v := range p.Flags {
		all = append(all, uint64(v))
	}
	return all
}

// partsOf are the columns of all files of a revision but time and counter, cut by
// cut, batch by batch.
func partsOf(t testing.TB, dir string) iter.Seq[columnPart] {
	return func(yield func(columnPart) bool) {
		t.Helper()
		for _, path := range must(filepath.Glob(filepath.Join(dir, "*.commit.json")))(t) {
			for _, file := range must(segment.ReadCommit(path))(t).Files {
				seg := must(segment.ReadCommitted(dir, file))(t)
				for range file.Batches {
					b := must(seg.Next())(t)
					for i, f := range seg.Fields[2:] {
						if !yield(columnPart{f, b.Columns[i], b.Time}) {
							return
						}
					}
				}
				if err := seg.Close(); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// columns are all columns of a revision over all cuts, as bits: for each cut the
// values, source by source.
func columns(t testing.TB, dir string) map[string][]uint64 {
	t.Helper()
	all := map[string][]uint64{}
	for p := range partsOf(t, dir) {
		all[p.Name] = append(all[p.Name], p.bits()...)
	}
	return all
}
