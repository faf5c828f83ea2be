package frame

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame/arrowipc"
	"glueline/pipeline/testfile"
)

// twoSources declares a strain node of 1 kHz and a temperature logger of 1 Hz.
func twoSources() *testfile.Test {
	word := func(s string) testfile.Word { return testfile.Word{Text: s} }
	hertz := func(f float64) testfile.Quantity { return testfile.Quantity{Value: f, Unit: "Hz", Given: true} }
	t := &testfile.Test{}
	t.Sources.Entries = []testfile.Entry[testfile.Source]{
		{Name: "NODE1", Value: testfile.Source{Rate: hertz(1000), Unit: word("mV/V")}},
		{Name: "TEMP", Value: testfile.Source{Rate: hertz(1), Unit: word("degC")}},
	}
	t.Wiring = []testfile.Wire{
		{Input: word("NODE1/A1"), Position: word("p1"), Gauge: word("g1")},
		{Input: word("NODE1/A2"), Position: word("p2"), Gauge: word("g2")},
	}
	t.Temperatures.Entries = []testfile.Entry[testfile.Temperature]{{Name: "skin", Value: testfile.Temperature{Input: word("TEMP/T1")}}}
	return t
}

func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// copyOf is a frame with memory of its own.
func copyOf(f *Frame) *Frame {
	c := &Frame{Source: f.Source, Boot: f.Boot, Number: f.Number, Counter: f.Counter, Time: slices.Clone(f.Time)}
	for _, column := range f.Columns {
		column.Float, column.Counts, column.Valid = slices.Clone(column.Float), slices.Clone(column.Counts), slices.Clone(column.Valid)
		c.Columns = append(c.Columns, column)
	}
	return c
}

// readAll reads every frame, releasing each late, and checks that frames and
// counters of each source follow each other.
func readAll(t *testing.T, r *Reader) []*Frame {
	t.Helper()
	defer func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}()
	var all, held []*Frame
	numbers, counters := map[string]uint64{}, map[string]uint64{}
	for {
		f, err := r.Next()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		if f.Number != numbers[f.Source] || f.Counter != counters[f.Source] {
			t.Fatalf("%s: frame %d counter %d, want %d and %d", f.Source, f.Number, f.Counter, numbers[f.Source], counters[f.Source])
		}
		numbers[f.Source]++
		counters[f.Source] += uint64(f.Rows())
		all = append(all, copyOf(f))
		if held = append(held, f); len(held) > 8 {
			held[0].Release()
			held = held[1:]
		}
	}
}

func open(t *testing.T, test *testfile.Test, paths ...string) *Reader {
	t.Helper()
	r, err := Open(test, paths, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// sameFrames compares bit for bit, a NaN being any NaN.
func sameFrames(t *testing.T, got, want []*Frame) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d frames, want %d", len(got), len(want))
	}
	for i := range got {
		g, w := got[i], want[i]
		if g.Source != w.Source || g.Boot != w.Boot || g.Number != w.Number || g.Counter != w.Counter || !slices.Equal(g.Time, w.Time) || len(g.Columns) != len(w.Columns) {
			t.Fatalf("frame %d: %s %d at %d, want %s %d at %d", i, g.Source, g.Number, g.Time[0], w.Source, w.Number, w.Time[0])
		}
		for j := range g.Columns {
			a, b := g.Columns[j], w.Columns[j]
			if a.Name != b.Name || a.Unit != b.Unit {
				t.Fatalf("frame %d: column %q [%s], want %q [%s]", i, a.Name, a.Unit, b.Name, b.Unit)
			}
			if !slices.EqualFunc(a.Float, b.Float, func(x, y float64) bool {
				return x != x && y != y || math.Float64bits(x) == math.Float64bits(y)
			}) {
				t.Fatalf("frame %d column %s: %v, want %v", i, a.Name, a.Float, b.Float)
			}
			for row := range a.Counts {
				x, y := a.Valid == nil || a.Valid[row], b.Valid == nil || b.Valid[row]
				if x != y || x && a.Counts[row] != b.Counts[row] {
					t.Fatalf("frame %d column %s row %d: %d (%v), want %d (%v)", i, a.Name, row, a.Counts[row], x, b.Counts[row], y)
				}
			}
			if len(a.Counts) != len(b.Counts) {
				t.Fatalf("frame %d column %s: %d counts, want %d", i, a.Name, len(a.Counts), len(b.Counts))
			}
		}
	}
}

var dayStart = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC).UnixNano()

// record makes n rows of two columns at a period, with gaps in the readings.
func record(n int, period time.Duration, seed uint64) ([]int64, []Column) {
	random := rand.New(rand.NewPCG(seed, 1))
	times := make([]int64, n)
	a, b := make([]float64, n), make([]float64, n)
	for i := range times {
		times[i] = dayStart + int64(i)*int64(period)
		a[i], b[i] = random.NormFloat64(), random.NormFloat64()*1e-5
		if random.IntN(10) == 0 {
			b[i] = math.NaN()
		}
	}
	return times, []Column{{Name: "A1", Unit: "mV/V", Float: a}, {Name: "A2", Unit: "mV/V", Float: b}}
}

func slice(columns []Column, from, to int) (part []Column) {
	for _, c := range columns {
		part = append(part, c.Slice(from, to))
	}
	return part
}

func writeCSV(t *testing.T, source string, times []int64, columns []Column) string {
	t.Helper()
	var text strings.Builder
	w := NewCSVWriter(&text, source, columns)
	if err := errors.Join(w.Write(times, columns), w.Close()); err != nil {
		t.Fatal(err)
	}
	return write(t, source+".csv", text.String())
}

func writeArrow(t *testing.T, source string, times []int64, columns []Column) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), source+".arrow")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w, err := NewArrowWriter(f, source, columns)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Write(times, columns), w.Close(), f.Close()); err != nil {
		t.Fatal(err)
	}
	return path
}

// wanted cuts rows into frames as the definition says.
func wanted(source string, times []int64, columns []Column, frameRows int) (frames []*Frame) {
	for from := 0; from < len(times); from += frameRows {
		to := min(from+frameRows, len(times))
		frames = append(frames, &Frame{Source: source, Boot: "file", Number: uint64(len(frames)), Counter: uint64(from), Time: times[from:to], Columns: slice(columns, from, to)})
	}
	return frames
}

func TestCSVAndArrowGiveTheSameFrames(t *testing.T) {
	times, columns := record(50_123, time.Millisecond, 1)
	want := wanted("NODE1", times, columns, 50) // 50 ms at 1 kHz
	sameFrames(t, readAll(t, open(t, twoSources(), writeCSV(t, "NODE1", times, columns))), want)
	sameFrames(t, readAll(t, open(t, twoSources(), writeArrow(t, "NODE1", times, columns))), want)
}

func TestFramesDoNotDependOnHowARecordIsCutIntoFiles(t *testing.T) {
	times, columns := record(20_000, time.Millisecond, 2)
	want := wanted("NODE1", times, columns, 50)
	random := rand.New(rand.NewPCG(5, 6))
	for range 5 {
		var paths []string
		for from := 0; from < len(times); {
			to := min(from+1+random.IntN(4000), len(times))
			writer := writeCSV
			if random.IntN(2) == 0 {
				writer = writeArrow
			}
			paths = append(paths, writer(t, "NODE1", times[from:to], slice(columns, from, to)))
			from = to
		}
		random.Shuffle(len(paths), func(i, j int) { paths[i], paths[j] = paths[j], paths[i] })
		sameFrames(t, readAll(t, open(t, twoSources(), paths...)), want)
	}
}

// writeBatches writes an Arrow file or stream in batches of the sizes given.
func writeBatches(t *testing.T, stream bool, times []int64, columns []Column, sizes func() int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "NODE1.arrow")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	schema := arrowipc.Schema{Metadata: arrowipc.Metadata{{"source", "NODE1"}},
		Fields: []arrowipc.Field{{Name: "time", Kind: arrowipc.Timestamp, Zone: "UTC"}}}
	for _, c := range columns {
		field := arrowipc.Field{Name: c.Name, Kind: arrowipc.Float64, Nullable: true, Metadata: arrowipc.Metadata{{"unit", c.Unit}}}
		if c.Counts != nil {
			field.Kind = arrowipc.Int32
		}
		schema.Fields = append(schema.Fields, field)
	}
	begin := arrowipc.NewFileWriter
	if stream {
		begin = arrowipc.NewStreamWriter
	}
	w, err := begin(f, schema)
	if err != nil {
		t.Fatal(err)
	}
	for from := 0; from < len(times); {
		to := min(from+sizes(), len(times))
		batch := []arrowipc.Column{{Data: arrowipc.Bytes(times[from:to])}}
		for _, c := range slice(columns, from, to) {
			out := arrowipc.Column{Data: arrowipc.Bytes(c.Float), Validity: make([]byte, (to-from+7)/8)}
			if c.Counts != nil {
				out.Data = arrowipc.Bytes(c.Counts)
			}
			for row := range to - from {
				if c.Counts != nil && (c.Valid == nil || c.Valid[row]) || c.Counts == nil && c.Float[row] == c.Float[row] {
					out.Validity[row/8] |= 1 << (row % 8)
				} else {
					out.Nulls++
				}
			}
			batch = append(batch, out)
		}
		if _, _, err := w.Write(to-from, batch); err != nil {
			t.Fatal(err)
		}
		from = to
	}
	if err := errors.Join(w.Close(), f.Close()); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestFramesDoNotDependOnArrowBatches(t *testing.T) {
	times, columns := record(20_000, time.Millisecond, 3)
	random := rand.New(rand.NewPCG(7, 8))
	counts, valid := make([]int32, len(times)), make([]bool, len(times))
	for i := range counts {
		// Missing counts in some stretches only, so that batches with and
		// without nulls meet inside a frame.
		counts[i], valid[i] = random.Int32(), i/777%2 == 0 || random.IntN(5) > 0
	}
	columns = append(columns, Column{Name: "N1", Unit: "count", Counts: counts, Valid: valid})
	want := wanted("NODE1", times, columns, 50)
	sizes := map[string]func() int{
		"one row":         func() int { return 1 },
		"one batch":       func() int { return len(times) },
		"random":          func() int { return random.IntN(3000) },
		"just off frames": func() int { return 499 },
	}
	for name, size := range sizes {
		for _, stream := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, stream %v", name, stream), func(t *testing.T) {
				sameFrames(t, readAll(t, open(t, twoSources(), writeBatches(t, stream, times, columns, size))), want)
			})
		}
	}
}

func TestSourcesAreMergedInTheCanonicalOrder(t *testing.T) {
	times, columns := record(10_000, time.Millisecond, 4)
	slowTimes, slow := record(10, time.Second, 5)
	slow = []Column{{Name: "T1", Unit: "degC", Float: slow[0].Float}}
	node, temp := writeCSV(t, "NODE1", times, columns), writeArrow(t, "TEMP", slowTimes, slow)

	want := append(wanted("NODE1", times, columns, 50), wanted("TEMP", slowTimes, slow, 1)...)
	slices.SortStableFunc(want, func(a, b *Frame) int {
		if a.Time[0] != b.Time[0] {
			return int(a.Time[0] - b.Time[0])
		}
		return strings.Compare(a.Source, b.Source)
	})
	sameFrames(t, readAll(t, open(t, twoSources(), node, temp)), want)

	// Neither the order of paths, nor processors, zone or folder matter.
	t.Setenv("TZ", "Pacific/Chatham")
	local := time.Local
	time.Local = time.FixedZone("odd", 12345)
	defer func() { time.Local = local }()
	before := runtime.GOMAXPROCS(1)
	defer runtime.GOMAXPROCS(before)
	t.Chdir(filepath.Dir(temp))
	sameFrames(t, readAll(t, open(t, twoSources(), filepath.Base(temp), node)), want)
}

func TestSourceIsFound(t *testing.T) {
	const rows = "2026-03-01T08:00:00Z,1,2\n"
	for _, test := range []struct {
		name, prefix, text, want, problem string
	}{
		{name: "stated on the command line", prefix: "TEMP=", text: "time,A1,A2\n" + rows, want: "TEMP"},
		{name: "stated in a comment", text: "# source: TEMP\n# made by hand\ntime,A1,A2\n" + rows, want: "TEMP"},
		{name: "by its inputs", text: "time,A1,A2\n" + rows, want: "NODE1"},
		{name: "by its inputs, among others", text: "time,T1,humidity\n" + rows, want: "TEMP"},
		{name: "unknown", text: "# source: NODE7\ntime,A1,A2\n" + rows, problem: `found the source "NODE7"; the test file declares NODE1, TEMP`},
		{name: "fits none", text: "time,A1,B2\n" + rows, problem: "NODE1 needs A2; TEMP needs T1; state it as NAME=FILE"},
		{name: "fits two", text: "time,A1,A2,T1\n2026-03-01T08:00:00Z,1,2,3\n", problem: "fits several sources: NODE1, TEMP; state it as NAME=FILE"},
		{name: "no such source in the argument", prefix: "NODE9=", text: "time,A1,A2\n" + rows, problem: `no source is called "NODE9"; the test file declares NODE1, TEMP`},
	} {
		t.Run(test.name, func(t *testing.T) {
			r, err := Open(twoSources(), []string{test.prefix + write(t, "raw.csv", test.text)}, nil)
			if test.problem != "" {
				var input *InputError
				if !errors.As(err, &input) || !strings.Contains(err.Error(), test.problem) {
					t.Fatalf("%v, want an InputError with %q", err, test.problem)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if frames := readAll(t, r); frames[0].Source != test.want {
				t.Fatalf("source %q, want %q", frames[0].Source, test.want)
			}
			if _, ok := r.Columns(test.want); !ok {
				t.Fatalf("no columns of %q", test.want)
			}
		})
	}
}

func TestProgressEndsAtTheTotal(t *testing.T) {
	times, columns := record(30_000, time.Millisecond, 6)
	for _, path := range []string{writeCSV(t, "NODE1", times, columns), writeArrow(t, "NODE1", times, columns)} {
		var seen []int64
		r, err := Open(twoSources(), []string{path}, func(n int64) { seen = append(seen, n) })
		if err != nil {
			t.Fatal(err)
		}
		readAll(t, r)
		if !slices.IsSorted(seen) || len(seen) < 3 || seen[len(seen)-1] != r.TotalBytes() {
			t.Errorf("%s: progress %v of %d", path, seen, r.TotalBytes())
		}
	}
}

func TestErrorsStayAndCloseEndsReading(t *testing.T) {
	path := write(t, "raw.csv", "time,A1,A2\n2026-03-01T08:00:00Z,1,2\n2026-03-01T07:00:00Z,1,2\n")
	r := open(t, twoSources(), path)
	_, first := r.Next()
	_, second := r.Next()
	if first == nil || !errors.Is(second, first) {
		t.Errorf("%v, then %v: want the same error twice", first, second)
	}
	if err := errors.Join(r.Close(), r.Close()); err != nil {
		t.Error(err)
	}
	r = open(t, twoSources(), write(t, "raw.csv", "time,A1,A2\n2026-03-01T08:00:00Z,1,2\n"))
	r.Close()
	if _, err := r.Next(); err == nil || errors.Is(err, io.EOF) {
		t.Errorf("after Close: %v, want an error", err)
	}
}

// A frame that is still held keeps its readings while others are read and
// released.
func TestHeldFramesKeepTheirReadings(t *testing.T) {
	times, columns := record(40_000, time.Millisecond, 7)
	for _, path := range []string{writeCSV(t, "NODE1", times, columns), writeArrow(t, "NODE1", times, columns)} {
		r := open(t, twoSources(), path)
		var held, copies []*Frame
		for i := 0; ; i++ {
			f, err := r.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if i%37 == 0 {
				held, copies = append(held, f), append(copies, copyOf(f))
			} else {
				f.Release()
			}
		}
		sameFrames(t, held, copies)
		for _, f := range held {
			f.Release()
			f.Release() // twice does nothing
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
