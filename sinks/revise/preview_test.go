package revise_test

import (
	"path/filepath"
	"reflect"
	"testing"

	"glueline/sinks/archive"
	"glueline/sinks/compare"
	"glueline/sinks/revise"
	"glueline/sinks/segment"
)

// filesOf are those of some cuts of a revision.
func filesOf(t *testing.T, dir string, first uint64, n int) compare.Side {
	t.Helper()
	s := compare.Side{Dir: dir}
	for cut := first; cut < min(first+uint64(n), cuts); cut++ {
		r, err := segment.ReadCommit(filepath.Join(dir, segment.CommitRecord{Group: "main", Cut: cut}.Name()))
		if err != nil {
			t.Fatal(err)
		}
		s.Files = append(s.Files, r.Files...)
	}
	return s
}

// A preview tells what the revision then holds, also where the change reaches into
// what a cut remembers, and where the revision before has states of its own.
func TestAPreviewIsWhatComes(t *testing.T) {
	const looked = 3
	dir := t.TempDir()
	was := planOf(t, quay)
	reduceLive(t, dir, was, recorded(t))
	preview := func(t *testing.T, o revise.Order) {
		t.Helper()
		reach, err := o.Reach()
		if err != nil {
			t.Fatal(err)
		}
		if len(reach.Touched) == 0 {
			return
		}
		got, err := o.Samples(t.Context(), reach.Touched[0], looked, t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		if err := revise.Run(t.Context(), o); err != nil {
			t.Fatal(err)
		}
		want, err := compare.Sides(t.Context(), filesOf(t, o.Base, reach.Touched[0], looked), filesOf(t, o.Out, reach.Touched[0], looked), compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got.Columns, want.Columns) {
			t.Error("the preview says something else than what came")
		}
	}
	for _, c := range changes {
		t.Run(c.name, func(t *testing.T) {
			preview(t, order(dir, t.TempDir(), revise.Timeline{{Plan: planOf(t, replace(t, c.pairs...))}}, revise.Timeline{{Plan: was}}))
		})
	}
	t.Run("on states of its own", func(t *testing.T) {
		swapped := []string{"gauge: g1, input: east/A1", "gauge: g1, input: east/A2", "gauge: g2, input: east/A2", "gauge: g2, input: east/A1"}
		base := order(dir, t.TempDir(), revise.Timeline{{Plan: planOf(t, replace(t, swapped...))}}, revise.Timeline{{Plan: was}})
		if err := revise.Run(t.Context(), base); err != nil {
			t.Fatal(err)
		}
		middle, err := archive.Read(base.Raw, "main", cuts/2)
		if err != nil {
			t.Fatal(err)
		}
		now := append(revise.Timeline{}, base.Timeline...)
		now = append(now, revise.Entry{From: middle.First, Plan: planOf(t, replace(t, append(swapped, "gauge-factor: 2.11", "gauge-factor: 2.17")...))})
		o := order(dir, t.TempDir(), now, base.Timeline)
		o.Base = base.Out
		preview(t, o)
	})
}
