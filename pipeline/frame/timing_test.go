package frame

import (
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// A record of two files, at half the declared rate, with three gaps: one of
// them between the files.
func TestTimingTellsRateAndGaps(t *testing.T) {
	times, columns := record(5000, 2*time.Millisecond, 1)
	for i := range times {
		switch {
		case i >= 4000:
			times[i] += 60e9
		case i >= 2000:
			times[i] += 50e9
		case i >= 100:
			times[i] += 2e6 // one row lost: 4 ms
		}
	}
	first := writeCSV(t, "NODE1", times[:2000], slice(columns, 0, 2000))
	second := writeCSV(t, "NODE1", times[2000:], slice(columns, 2000, 5000))
	r := open(t, twoSources(), second, first)
	readAll(t, r)
	got, ok := r.Timing("NODE1")
	want := Timing{Rows: 5000, First: times[0], Last: times[4999], Median: 2e6, Gaps: 3, Longest: times[2000] - times[1999], After: times[1999]}
	if !ok || got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if _, ok := r.Timing("TEMP"); ok {
		t.Error("timing of a source without file")
	}
	if files := r.Files("NODE1"); !slices.Equal(files, []string{first, second}) {
		t.Errorf("files %v", files)
	}
}

// The median of thinned intervals is that of all, within what a sample of at
// least 512 can miss: the band from the 40th to the 60th percentile.
func TestMedianIntervalHoldsForLongRecords(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for _, rows := range []int{1, 2, 3, 100, 1025, 1026, 100_000} {
		g := newTiming(100)
		var at int64
		var all []int64
		times := []int64{0}
		for range rows - 1 {
			d := 9e6 + random.Int64N(2e6)
			at += d
			all = append(all, d)
			times = append(times, at)
		}
		for len(times) > 0 {
			n := min(1+random.IntN(7), len(times))
			g.add(times[:n])
			times = times[n:]
		}
		got := g.timing()
		slices.Sort(all)
		if got.Rows != int64(rows) || got.Gaps != 0 || len(g.sample) > timingSample {
			t.Errorf("%d rows: %+v with %d intervals", rows, got, len(g.sample))
		}
		if rows > 1 && (got.Median < all[len(all)*2/5] || got.Median > all[min(len(all)*3/5, len(all)-1)]) {
			t.Errorf("%d rows: median %d, want about %d", rows, got.Median, all[len(all)/2])
		}
	}
}

func TestAFileAndItsArgumentNameOneSource(t *testing.T) {
	times, columns := record(10, time.Millisecond, 1)
	for _, path := range []string{writeCSV(t, "NODE1", times, columns), writeArrow(t, "NODE1", times, columns)} {
		if _, err := Open(twoSources(), []string{"NODE1=" + path}, nil); err != nil {
			t.Error(err)
		}
		_, err := Open(twoSources(), []string{"TEMP=" + path}, nil)
		var input *InputError
		if !errors.As(err, &input) || input.File != path || !strings.Contains(err.Error(), `found the source "NODE1" in its`) || !strings.Contains(err.Error(), `given as "TEMP"`) {
			t.Errorf("%v", err)
		}
	}
}
