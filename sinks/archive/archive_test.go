package archive

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/worker"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

var program = segment.Program{Version: "test", Architecture: "any"}

// given is a mix of what a journal brings: two sources, a boot that ends, a
// frame that is late, counts with gaps, columns that change, events between.
func given() (items []worker.Item) {
	place := uint64(0)
	at := int64(1_700_000_000_000_000_000)
	add := func(f *frame.Frame) {
		place++
		items = append(items, worker.Item{Place: place, Frame: f})
	}
	rows := func(n int) (times []int64, values []float64, counts []int32) {
		for i := range n {
			at += 1e6
			times = append(times, at)
			values = append(values, float64(i)/3)
			counts = append(counts, int32(i*i))
		}
		return times, values, counts
	}
	for i, numbers := range [][]uint64{{0, 1, 2, 4, 5}, {3}, {0, 1}} {
		boot := []string{"a", "a", "b"}[i]
		for _, number := range numbers {
			times, values, _ := rows(5)
			values[1] = math.NaN()
			add(&frame.Frame{Source: "node", Boot: boot, Number: number, Late: i == 1, Time: times, Columns: []frame.Column{{Name: "A1", Unit: "mV/V", Float: values}}})
			times, _, counts := rows(3 + int(number))
			f := &frame.Frame{Source: "other", Boot: boot, Number: number, Late: i == 1, Counted: true, Counter: 100 * number, Time: times, Columns: []frame.Column{{Name: "B1", Unit: "count", Counts: counts}}}
			if number == 2 {
				f.Columns[0].Valid = []bool{true, false, true, true, false}
			}
			if number == 5 {
				f.Columns = append(f.Columns, frame.Column{Name: "B2", Unit: "V", Float: make([]float64, len(times))})
			}
			add(f)
			if number == 1 {
				place++
				items = append(items, worker.Item{Place: place, Event: &worker.PlacedEvent{Place: place, ID: fmt.Sprint("e", place), Event: event.Event{Event: "note", Text: "x", Time: time.Unix(0, at).UTC()}}})
			}
		}
	}
	return items
}

func fill(t *testing.T, s *Sink, items []worker.Item) worker.End {
	t.Helper()
	for _, i := range items {
		if i.Event != nil {
			s.Event(*i.Event)
		} else if err := s.Append(i.Frame, i.Place); err != nil {
			t.Fatal(err)
		}
	}
	return worker.End{
		Journal: worker.Range{Identity: "me", First: 2, Last: 99, LastHash: "ff"}, First: 1, Last: uint64(len(items)),
		Refused: []worker.Refused{{Sequence: 7, Reason: "malformed"}}, State: json.RawMessage(`{"a": [1, 2]}`),
	}
}

func newSink(t *testing.T, dir string, newest *Record) *Sink {
	t.Helper()
	s, err := NewSink(disk.At(dir), "test", "main", program, newest)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestWhatGoesInComesOut(t *testing.T) {
	dir := t.TempDir()
	s := newSink(t, dir, nil)
	want := given()
	if err := s.Cut(fill(t, s, want)); err != nil {
		t.Fatal(err)
	}
	record, err := Newest(dir, "main")
	if err != nil {
		t.Fatal(err)
	}
	r, err := Open(dir, record)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, w := range want {
		got, err := r.Next()
		if err != nil {
			t.Fatalf("place %d: %v", w.Place, err)
		}
		if got.Place != w.Place || (got.Frame == nil) != (w.Frame == nil) {
			t.Fatalf("place %d, want %d", got.Place, w.Place)
		}
		if w.Event != nil {
			if got.Event.ID != w.Event.ID || got.Event.Event.Text != "x" || !got.Event.Event.Time.Equal(w.Event.Event.Time) {
				t.Fatalf("event %+v, want %+v", got.Event, w.Event)
			}
			continue
		}
		compare(t, got.Frame, w.Frame)
	}
	if _, err := r.Next(); !errors.Is(err, io.EOF) {
		t.Fatalf("behind the last: %v", err)
	}
}

func compare(t *testing.T, got, want *frame.Frame) {
	t.Helper()
	name := fmt.Sprintf("%s %s %d", want.Source, want.Boot, want.Number)
	if got.Source != want.Source || got.Boot != want.Boot || got.Number != want.Number || got.Late != want.Late || got.Counted != want.Counted || got.Counter != want.Counter {
		t.Fatalf("%s: %+v", name, got)
	}
	if !slices.Equal(got.Time, want.Time) || len(got.Columns) != len(want.Columns) {
		t.Fatalf("%s: times %v, want %v", name, got.Time, want.Time)
	}
	for i, w := range want.Columns {
		g := got.Columns[i]
		same := func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) || a != a && b != b }
		if g.Name != w.Name || g.Unit != w.Unit || !slices.EqualFunc(g.Float, w.Float, same) || len(g.Counts) != len(w.Counts) {
			t.Fatalf("%s: column %+v, want %+v", name, g, w)
		}
		for row, c := range w.Counts {
			valid := w.Valid == nil || w.Valid[row]
			if (g.Valid == nil || g.Valid[row]) != valid || valid && g.Counts[row] != c {
				t.Fatalf("%s row %d: %+v, want %+v", name, row, g, w)
			}
		}
	}
}

func TestRecordsAreAChainAndARepeatedCutIsNone(t *testing.T) {
	dir := t.TempDir()
	s := newSink(t, dir, nil)
	for range 2 {
		if err := s.Cut(fill(t, s, given())); err != nil {
			t.Fatal(err)
		}
	}
	first, err := Read(dir, "main", 0)
	if err != nil {
		t.Fatal(err)
	}
	second, err := Read(dir, "main", 1)
	if err != nil {
		t.Fatal(err)
	}
	// A sink that goes on behind the first cut makes the second again.
	again := newSink(t, dir, first)
	if err := again.Cut(fill(t, again, given())); err != nil {
		t.Fatal(err)
	}
	if again.previous != newSink(t, dir, second).previous {
		t.Error("the chain goes on from another hash after a restart")
	}
	// With other contents it stops.
	other := newSink(t, dir, first)
	if err := other.Cut(fill(t, other, given()[1:])); !errors.Is(err, segment.ErrConflict) {
		t.Errorf("another second cut: %v", err)
	}
	if err := os.Remove(filepath.Join(dir, name("main", 0))); err != nil {
		t.Fatal(err)
	}
	if _, err := Newest(dir, "main"); !errors.Is(err, ErrRecord) {
		t.Errorf("without the first record: %v", err)
	}
}

func TestAbortLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	s := newSink(t, dir, nil)
	fill(t, s, given())
	if err := s.Abort(); err != nil {
		t.Fatal(err)
	}
	if entries, _ := os.ReadDir(dir); len(entries) > 0 {
		t.Errorf("left over: %v", entries)
	}
	if r, err := Newest(dir, "main"); r != nil || err != nil {
		t.Errorf("%v %v", r, err)
	}
}

// A record does not grow with the number of frames, however sources take turns.
func TestRecordIsShortWhereSourcesTakeTurns(t *testing.T) {
	dir := t.TempDir()
	s := newSink(t, dir, nil)
	place := uint64(0)
	numbers := map[string]uint64{}
	for i := range 3000 {
		for source, every := range map[string]int{"fast": 1, "slow": 7, "slower": 50} {
			if i%every != 0 {
				continue
			}
			place++
			f := &frame.Frame{Source: source, Boot: "a", Number: numbers[source], Time: []int64{int64(i)}, Columns: []frame.Column{{Name: "A", Unit: "V", Float: []float64{1}}}}
			numbers[source]++
			if err := s.Append(f, place); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := s.Cut(worker.End{First: 1, Last: place}); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(dir, name("main", 0)))
	if err != nil {
		t.Fatal(err)
	}
	if info.Size() > 3000 {
		t.Errorf("the record of %d frames has %d bytes", place, info.Size())
	}
}

func TestRecordThatDoesNotFitItsFilesIsFound(t *testing.T) {
	for what, change := range map[string]func(*Record){
		"a frame more":    func(r *Record) { r.Runs[0].Frames++ },
		"a frame less":    func(r *Record) { r.Runs[len(r.Runs)-1].Frames-- },
		"a run more":      func(r *Record) { r.Runs = append(r.Runs, Run{Source: "node", Boot: "z", Frames: 1}) },
		"no runs":         func(r *Record) { r.Runs = nil },
		"another part":    func(r *Record) { r.Runs[0].Part = 3 },
		"another's frame": func(r *Record) { r.Runs[0].Source = "other" },
	} {
		dir := t.TempDir()
		s := newSink(t, dir, nil)
		if err := s.Cut(fill(t, s, given())); err != nil {
			t.Fatal(err)
		}
		record, err := Newest(dir, "main")
		if err != nil {
			t.Fatal(err)
		}
		change(record)
		r, err := Open(dir, record)
		for err == nil {
			_, err = r.Next()
		}
		if !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v", what, err)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A record is the same bytes however often it is read and written, and its
// state is not spread over lines.
func TestRecordsAreEncodedOneWay(t *testing.T) {
	for _, state := range []string{"", `{"a": [1, 2], "b": {"c": "null\n}"}}`, `[
 1,
 2 ]`, "null"} {
		r := &Record{Version: RecordVersion, Group: "main", State: json.RawMessage(state)}
		text, err := r.Encode()
		if err != nil {
			t.Fatal(err)
		}
		read, err := Decode(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		again, err := read.Encode()
		if err != nil || string(again) != string(text) {
			t.Errorf("written again: %v\n%s\n%s", err, again, text)
		}
		if state != "" && string(read.State) != strings.NewReplacer("\n", "", " ", "").Replace(state) {
			t.Errorf("state %s, want %s", read.State, state)
		}
	}
	if _, err := (&Record{State: json.RawMessage("{")}).Encode(); err == nil {
		t.Error("a state that is no JSON is accepted")
	}
}

// Every flipped bit of a record, and every cut, is noticed: a restart goes on
// from it.
func TestChangedRecordsAreRefused(t *testing.T) {
	r := &Record{Version: RecordVersion, Test: "beam", Group: "main", Cut: 3, State: json.RawMessage(`{"a":[1,2]}`), Previous: "ff"}
	text, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	var plain map[string]any
	if err := json.Unmarshal(text, &plain); err != nil || plain["cut"] != 3.0 {
		t.Errorf("for others it is JSON: %v, %v", plain, err)
	}
	for i := range text {
		if _, err := Decode(text[:i]); !errors.Is(err, ErrRecord) {
			t.Fatalf("cut after %d bytes: %v", i, err)
		}
		for bit := range 8 {
			changed := slices.Clone(text)
			changed[i] ^= 1 << bit
			if _, err := Decode(changed); !errors.Is(err, ErrRecord) {
				t.Fatalf("bit %d of byte %d: %v", bit, i, err)
			}
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, state := range []string{"", `{"a":[1,2]}`} {
		text, err := (&Record{Version: RecordVersion, Group: "main", State: json.RawMessage(state), Runs: []Run{{Source: "node", Frames: 3}}}).Encode()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		// Sums would keep nearly all inputs out: the fuzzer's get one of their own.
		if r, err := Decode(sealed(text)); err == nil {
			if _, err := r.Encode(); err != nil {
				t.Errorf("what was read cannot be written: %v", err)
			}
		}
		if _, err := Decode(text); err != nil && !errors.Is(err, ErrRecord) {
			t.Error(err)
		}
	})
}

// sealed gives text a right last line.
func sealed(text []byte) []byte {
	if i := bytes.LastIndex(text, []byte(sumBegins)); i >= 0 {
		text = text[:i]
	}
	sum := sha256.Sum256(text)
	return fmt.Appendf(slices.Clone(text), "%s%x%s", sumBegins, sum, sumEnds)
}

func TestReadBackFindsDamage(t *testing.T) {
	dir := t.TempDir()
	s := newSink(t, dir, nil)
	if err := s.Cut(fill(t, s, given())); err != nil {
		t.Fatal(err)
	}
	if err := ReadBack(dir, "main", 0); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "main.00000000.node.arrow")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	text[len(text)/2] ^= 1
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := ReadBack(dir, "main", 0); err == nil {
		t.Error("a flipped bit was read back as sound")
	}
	if err := ReadBack(dir, "other", 0); !errors.Is(err, ErrRecord) {
		t.Errorf("of a group without cuts: %v", err)
	}
}

// The newest cut is found without listing the folder, however many there are.
func TestNewest(t *testing.T) {
	dir := t.TempDir()
	s := newSink(t, dir, nil)
	if r, err := Newest(dir, "main"); r != nil || err != nil {
		t.Errorf("of an empty folder: %v, %v", r, err)
	}
	for cut := range uint64(70) {
		if err := s.Cut(worker.End{State: []byte("{}")}); err != nil {
			t.Fatal(err)
		}
		r, err := Newest(dir, "main")
		if err != nil || r.Cut != cut || s.Cuts() != cut+1 {
			t.Fatalf("behind cut %d: %+v, %v, %d cuts", cut, r, err, s.Cuts())
		}
	}
	if r, err := Newest(dir, "other"); r != nil || err != nil {
		t.Errorf("of a group without cuts: %v, %v", r, err)
	}
	if _, err := Newest(filepath.Join(dir, "none"), "main"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("of no folder: %v", err)
	}
	if err := os.Remove(filepath.Join(dir, name("main", 40))); err != nil {
		t.Fatal(err)
	}
	if _, err := Cuts(dir, "main"); !errors.Is(err, ErrRecord) {
		t.Errorf("with a record missing among the cuts: %v", err)
	}
}
