package revise_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/revise"
	"glueline/sinks/segment"
)

func replace(t *testing.T, pairs ...string) string {
	t.Helper()
	text := quay
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("the test file has no %q", pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	return text
}

// results are the files that readers see, by name.
func results(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") || strings.HasSuffix(e.Name(), ".state.json") {
			continue
		}
		if files[e.Name()], err = os.ReadFile(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	return files
}

func sameFiles(t *testing.T, got, want map[string][]byte) {
	t.Helper()
	for _, name := range slices.Sorted(maps.Keys(want)) {
		switch text, ok := got[name]; {
		case !ok:
			t.Errorf("%s is missing", name)
		case !bytes.Equal(text, want[name]):
			t.Errorf("%s is another: %s, want %s", name, short(text), short(want[name]))
		}
	}
	for name := range got {
		if _, ok := want[name]; !ok {
			t.Errorf("%s is too many", name)
		}
	}
}

// short is a record as it can be compared by eye.
func short(text []byte) string {
	if !bytes.HasPrefix(text, []byte("{")) {
		return fmt.Sprint(len(text), " bytes")
	}
	return string(text)
}

func order(dir, out string, timeline, was revise.Timeline) revise.Order {
	return revise.Order{
		Group: "main", Test: "quay", Raw: filepath.Join(dir, "raw"), Base: filepath.Join(dir, "r1"), Out: out, Program: program,
		Timeline: timeline, Was: was, Cuts: cuts, Workers: 2,
	}
}

// changes are what a person may find wrong, and how many of the 32 files stay
// those of the revision before.
var changes = []struct {
	name   string
	pairs  []string
	linked int // few where the change reaches into the state: all behind it is made again
}{
	{"nothing", nil, 32},
	{"a lot of one node", []string{"gauge-factor: 2.11", "gauge-factor: 2.17"}, 11},
	{"a lot of the other node", []string{"gauge-factor: 2.08", "gauge-factor: 2.05"}, 10},
	{"a lead", []string{"resistance: 0.8 ohm", "resistance: 8 ohm"}, 11},
	{"thermal output of a lot", []string{"[-20, 2, -0.05]", "[-25, 2.2, -0.06]"}, 10},
	{"the order of a rosette's grids", []string{"[knee-a, knee-b, knee-c]", "[knee-c, knee-b, knee-a]", "grid-a: 0 deg", "grid-a: 90 deg, numbering: clockwise", "knee-b: {material: plate, angle: 45 deg}", "knee-b: {material: plate, angle: 45 deg}"}, 11},
	{"the angle of a rosette", []string{"grid-a: 0 deg", "grid-a: 10 deg", "angle: 0 deg", "angle: 10 deg", "angle: 45 deg", "angle: 55 deg", "angle: 90 deg", "angle: 100 deg"}, 11},
	{"a clock", []string{"west: {rate: 10 Hz", "west: {clock-ahead: 0.35 s, rate: 10 Hz"}, 1},
	{"a clock that is behind", []string{"logger: {rate: 1 Hz", "logger: {clock-ahead: -0.7 s, rate: 1 Hz"}, 0},
	{"the load", []string{"[0, 100]", "[0, 104]"}, 0},
	{"a limit that flags readings of a zero", []string{"strain: 1500 um/m", "strain: 2 um/m"}, 0},
	{"a thermometer", []string{"r0: 100 ohm", "r0: 100.2 ohm"}, 0},
	{"two wires of one node", []string{"gauge: g1, input: east/A1", "gauge: g1, input: east/A2", "gauge: g2, input: east/A2", "gauge: g2, input: east/A1"}, 1},
	{"the zero of the test file", []string{"first: 1 s", "first: 3 s"}, 0},
}

// Whatever a change reaches, the results are those of reducing from the first
// frame on under it, byte for byte.
func TestChangedResultsAreThoseOfAFreshReduction(t *testing.T) {
	dir := t.TempDir()
	was := planOf(t, quay)
	reduceLive(t, dir, was, recorded(t))
	for _, c := range changes {
		t.Run(c.name, func(t *testing.T) {
			now := planOf(t, replace(t, c.pairs...))
			fresh, out := t.TempDir(), t.TempDir()
			reduceLive(t, fresh, now, recorded(t))
			done := atomic.Int64{}
			o := order(dir, out, revise.Timeline{{Plan: now}}, revise.Timeline{{Plan: was}})
			o.Done = func(uint64, int64) { done.Add(1) }
			if err := revise.Run(t.Context(), o); err != nil {
				t.Fatal(err)
			}
			sameFiles(t, results(t, out), results(t, filepath.Join(fresh, "r1")))
			t.Logf("%d cuts were made for %d", done.Load(), cuts)
			if got := linked(t, filepath.Join(dir, "r1"), out); got != c.linked {
				t.Errorf("%d files are those of the revision before, want %d", got, c.linked)
			}
		})
	}
}

// linked counts the Arrow files that two folders have together.
func linked(t *testing.T, a, b string) (n int) {
	t.Helper()
	for name := range results(t, a) {
		x, errX := os.Stat(filepath.Join(a, name))
		y, errY := os.Stat(filepath.Join(b, name))
		if strings.HasSuffix(name, ".arrow") && errX == nil && errY == nil && os.SameFile(x, y) {
			n++
		}
	}
	return n
}

// Stopped anywhere, and worked at by several at once, the end is the same.
func TestStoppedAndShared(t *testing.T) {
	dir := t.TempDir()
	was := planOf(t, quay)
	reduceLive(t, dir, was, recorded(t))
	random := rand.New(rand.NewPCG(1, uint64(time.Now().UnixNano())))
	for _, c := range changes {
		now := planOf(t, replace(t, c.pairs...))
		fresh, out := t.TempDir(), t.TempDir()
		reduceLive(t, fresh, now, recorded(t))
		o := order(dir, out, revise.Timeline{{Plan: now}}, revise.Timeline{{Plan: was}})
		for range 6 {
			ctx, stop := context.WithTimeout(t.Context(), time.Duration(random.Int64N(int64(20*time.Millisecond))))
			if err := revise.Run(ctx, o); err != nil && !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
				t.Fatal(c.name, err)
			}
			stop()
		}
		var all sync.WaitGroup
		for range 3 {
			all.Go(func() {
				if err := revise.Run(t.Context(), o); err != nil {
					t.Error(c.name, err)
				}
			})
		}
		all.Wait()
		sameFiles(t, results(t, out), results(t, filepath.Join(fresh, "r1")))
	}
}

// From a moment in the past on: the same as going through all cuts one after the
// other, each from what the one before ended with.
func TestFromAPlaceOn(t *testing.T) {
	dir := t.TempDir()
	was := planOf(t, quay)
	reduceLive(t, dir, was, recorded(t))
	random := rand.New(rand.NewPCG(5, uint64(time.Now().UnixNano())))
	last, err := archive.Read(filepath.Join(dir, "raw"), "main", cuts-1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range changes {
		now := planOf(t, replace(t, c.pairs...))
		from := 1 + random.Uint64N(last.Last)
		to := from + 1 + random.Uint64N(last.Last)
		timeline := revise.Timeline{{0, "", was}, {from, "", now}, {to, "", was}}
		out, fresh := t.TempDir(), t.TempDir()
		if err := revise.Run(t.Context(), order(dir, out, timeline, revise.Timeline{{Plan: was}})); err != nil {
			t.Fatal(c.name, err)
		}
		oneAfterTheOther(t, filepath.Join(dir, "raw"), fresh, timeline)
		sameFiles(t, results(t, out), results(t, fresh))
		if t.Failed() {
			t.Fatalf("%s from place %d to %d of %d", c.name, from, to, last.Last)
		}
	}
}

func oneAfterTheOther(t *testing.T, raw, out string, timeline revise.Timeline) {
	t.Helper()
	sink := segment.NewSink(disk.At(out), "quay", timeline[0].Plan, program)
	var state json.RawMessage
	for cut := range uint64(cuts) {
		record, err := archive.Read(raw, "main", cut)
		if err != nil {
			t.Fatal(err)
		}
		var plans []worker.Switch
		for i, e := range timeline {
			if i+1 < len(timeline) && timeline[i+1].From <= record.First {
				continue
			}
			plans = append(plans, worker.Switch{From: e.From, Plan: e.Plan})
		}
		sink.Use(plans[0].Plan)
		var before json.RawMessage
		if cut > 0 {
			r, err := archive.Read(raw, "main", cut-1)
			if err != nil {
				t.Fatal(err)
			}
			if before, err = worker.WithGroupState(r.State, state); err != nil {
				t.Fatal(err)
			}
		}
		frames, err := archive.Open(raw, record)
		if err != nil {
			t.Fatal(err)
		}
		if state, err = worker.RecomputeBy(plans, before, frames.Next, []worker.Sink{sink}); err != nil {
			t.Fatal(err)
		}
		if err := frames.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// The archive tells which calibration its cuts were reduced by.
func TestTimelineOfTheArchive(t *testing.T) {
	dir := t.TempDir()
	plan := planOf(t, quay)
	reduceLive(t, dir, plan, recorded(t))
	timeline, err := revise.ArchiveTimeline(filepath.Join(dir, "raw"), "main", 0, cuts, func(digest string) (*group.Plan, error) {
		if digest != "" {
			t.Errorf("digest %q", digest)
		}
		return plan, nil
	})
	if err != nil || len(timeline) != 1 || timeline[0].From != 0 {
		t.Errorf("%v %v", timeline, err)
	}
}
