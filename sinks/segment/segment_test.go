package segment

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
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

	"glueline/sinks/disk"
)

var fields = []Field{
	{Name: "time", Kind: Time},
	{Name: "sample", Kind: Counter},
	{Name: "skin-1 [m/m]", Unit: "m/m", Kind: Float, Metadata: [][2]string{{"zero", "empty lock"}, {"gauge", "g-1"}}},
	{Name: "skin-1 flags", Kind: Flags},
	{Name: "level [m]", Unit: "m", Kind: Float},
}

var metadata = [][2]string{{"test", "Hollin Lock"}, {"calibration", "00ff"}, {"a", "after c on purpose"}}

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC).UnixNano()

// results makes rows of the fields above; about one value in ten is missing in
// the first column, none in the last.
func results(rows int, seed uint64) Batch {
	random := rand.New(rand.NewPCG(seed, 1))
	b := Batch{Rows: rows, Columns: []Column{{Float: make([]float64, rows)}, {Flags: make([]uint32, rows)}, {Float: make([]float64, rows)}}}
	for i := range rows {
		b.Time = append(b.Time, start+int64(i)*1e6)
		b.Counter = append(b.Counter, uint64(i)+7)
		b.Columns[0].Float[i] = random.NormFloat64() * 1e-4
		if random.IntN(10) == 0 {
			b.Columns[0].Float[i] = math.Float64frombits(0x7FF8000000000000 | uint64(random.IntN(1<<20))) // NaNs of many forms
		}
		b.Columns[1].Flags[i] = random.Uint32()
		b.Columns[2].Float[i] = float64(i)
	}
	return b
}

func part(b Batch, from, to int) Batch {
	p := Batch{Rows: to - from, Time: b.Time[from:to], Counter: b.Counter[from:to]}
	for _, c := range b.Columns {
		if c.Float != nil {
			p.Columns = append(p.Columns, Column{Float: c.Float[from:to]})
		} else {
			p.Columns = append(p.Columns, Column{Flags: c.Flags[from:to]})
		}
	}
	return p
}

// writeSegment writes rows in pieces of the sizes that size gives.
func writeSegment(t testing.TB, dir string, b Batch, rowsPerBatch int, size func() int) File {
	t.Helper()
	w, err := Create(disk.At(dir), "main.00000001.NODE1.arrow", fields, metadata, rowsPerBatch)
	if err != nil {
		t.Fatal(err)
	}
	for from := 0; from < b.Rows; {
		to := min(from+size(), b.Rows)
		if err := w.Append(part(b, from, to)); err != nil {
			t.Fatal(err)
		}
		from = to
	}
	f, err := w.Commit()
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func all(n int) func() int { return func() int { return n } }

func sameFloats(a, b []float64) bool {
	return slices.EqualFunc(a, b, func(x, y float64) bool {
		return x != x && y != y || math.Float64bits(x) == math.Float64bits(y)
	})
}

// checkSegment reads a segment and compares it with the rows it was made of.
func checkSegment(t *testing.T, s *Segment, want Batch, rowsPerBatch int) {
	t.Helper()
	at := 0
	for {
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if b.Rows != min(rowsPerBatch, want.Rows-at) {
			t.Fatalf("a batch of %d rows at row %d", b.Rows, at)
		}
		w := part(want, at, at+b.Rows)
		if !slices.Equal(b.Time, w.Time) || !slices.Equal(b.Counter, w.Counter) ||
			!sameFloats(b.Columns[0].Float, w.Columns[0].Float) || !slices.Equal(b.Columns[1].Flags, w.Columns[1].Flags) ||
			!sameFloats(b.Columns[2].Float, w.Columns[2].Float) {
			t.Fatalf("the batch at row %d is not what was written", at)
		}
		at += b.Rows
	}
	if at != want.Rows {
		t.Fatalf("%d rows, want %d", at, want.Rows)
	}
}

func TestWhatIsWrittenIsRead(t *testing.T) {
	for _, rows := range []int{0, 1, 7, 8, 9, 1000, 1001, 4096} {
		t.Run(fmt.Sprint(rows), func(t *testing.T) {
			dir, b := t.TempDir(), results(rows, 1)
			f := writeSegment(t, dir, b, 1000, all(300))
			path := filepath.Join(dir, f.Name)
			s, err := Read(path)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(s.Metadata, metadata) {
				t.Errorf("metadata %v, want %v", s.Metadata, metadata)
			}
			for i, field := range s.Fields {
				if w := fields[i]; field.Name != w.Name || field.Unit != w.Unit || field.Kind != w.Kind || !slices.Equal(field.Metadata, w.Metadata) {
					t.Errorf("field %d is %+v, want %+v", i, field, w)
				}
			}
			checkSegment(t, s, b, 1000)
			if err := errors.Join(s.Close(), s.Close()); err != nil {
				t.Error(err)
			}
			if s, err = ReadCommitted(dir, f); err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			checkSegment(t, s, b, 1000)

			// The record's figures, from the bytes.
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			sha := sha256.Sum256(text)
			if f.SHA256 != hex.EncodeToString(sha[:]) || f.Bytes != int64(len(text)) || f.Rows != int64(rows) {
				t.Errorf("record says %s, %d bytes, %d rows", f.SHA256, f.Bytes, f.Rows)
			}
			for i, sum := range f.Batches {
				if crc := crc32.Checksum(text[sum.Offset:sum.Offset+sum.Length], castagnoli); crc != sum.CRC32C {
					t.Errorf("batch %d: CRC %08x, record says %08x", i, crc, sum.CRC32C)
				}
			}
			if rows > 0 && (f.FirstTime != b.Time[0] || f.LastTime != b.Time[rows-1]) {
				t.Errorf("from %d to %d, want %d to %d", f.FirstTime, f.LastTime, b.Time[0], b.Time[rows-1])
			}
		})
	}
}

func TestTheSameRowsGiveTheSameBytes(t *testing.T) {
	b := results(10_000, 2)
	want := writeSegment(t, t.TempDir(), b, 1024, all(10_000))
	random := rand.New(rand.NewPCG(3, 4))
	for _, processors := range []int{1, 2, 4} {
		before := runtime.GOMAXPROCS(processors)
		for range 5 {
			got := writeSegment(t, t.TempDir(), b, 1024, func() int { return random.IntN(3000) })
			if got.SHA256 != want.SHA256 || !slices.Equal(got.Batches, want.Batches) {
				t.Errorf("%+v, want %+v", got, want)
			}
		}
		runtime.GOMAXPROCS(before)
	}
	other := results(10_000, 2)
	other.Columns[0].Float[9_999] = 1
	if got := writeSegment(t, t.TempDir(), other, 1024, all(99)); got.SHA256 == want.SHA256 {
		t.Error("other rows give the same bytes")
	}
}

func TestOnlyCompleteSegmentsHaveTheirName(t *testing.T) {
	dir := t.TempDir()
	names := func() (names []string) {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			names = append(names, e.Name())
		}
		return names
	}
	goroutines := runtime.NumGoroutine()
	w, err := Create(disk.At(dir), "s.arrow", fields, metadata, 100)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Append(results(1000, 1)); err != nil {
		t.Fatal(err)
	}
	if got := names(); len(got) != 1 || !strings.HasPrefix(got[0], ".s.arrow.tmp-") {
		t.Errorf("while it is written: %v", got)
	}
	if err := w.Abort(); err != nil {
		t.Fatal(err)
	}
	if got := names(); len(got) != 0 {
		t.Errorf("after Abort: %v", got)
	}
	if _, err := w.Commit(); !errors.Is(err, ErrEnded) {
		t.Errorf("Commit after Abort: %v", err)
	}
	if err := w.Append(results(1, 1)); !errors.Is(err, ErrEnded) {
		t.Errorf("Append after Abort: %v", err)
	}
	w, _ = Create(disk.At(dir), "s.arrow", fields, metadata, 100)
	if err := w.Append(Batch{Rows: 1}); !errors.Is(err, ErrShape) {
		t.Errorf("a batch without columns: %v", err)
	}
	if _, err := w.Commit(); !errors.Is(err, ErrShape) {
		t.Errorf("Commit after a failed Append: %v", err)
	}
	if got := names(); len(got) != 0 {
		t.Errorf("after a failed Commit: %v", got)
	}
	// A file that cannot be written to: the error arrives, nothing is left.
	w, _ = Create(disk.At(dir), "s.arrow", fields, metadata, 100)
	w.file.Close()
	if err := w.Append(results(1000, 1)); err == nil {
		t.Error("writing to a closed file succeeds")
	}
	if _, err := w.Commit(); err == nil {
		t.Error("committing it succeeds")
	}
	if got := names(); len(got) != 0 {
		t.Errorf("after a failed write: %v", got)
	}
	if n := runtime.NumGoroutine(); n > goroutines {
		t.Errorf("%d goroutines, %d before", n, goroutines)
	}
}

func TestFieldsThatAreRefused(t *testing.T) {
	for name, bad := range map[string][]Field{
		"none":        nil,
		"no counter":  {{Name: "time", Kind: Time}, {Name: "x", Kind: Float}},
		"twice":       append(slices.Clone(fields), fields[2]),
		"no name":     append(slices.Clone(fields), Field{Kind: Float}),
		"no kind":     append(slices.Clone(fields), Field{Name: "x"}),
		"second time": append(slices.Clone(fields), Field{Name: "x", Kind: Time}),
	} {
		if w, err := Create(disk.At(t.TempDir()), "s.arrow", bad, nil, 10); err == nil {
			t.Errorf("%s: accepted", name)
			w.Abort()
		}
	}
	for _, name := range []string{"", "../s.arrow", "a/b"} {
		if w, err := Create(disk.At(t.TempDir()), name, fields, nil, 10); err == nil {
			t.Errorf("name %q: accepted", name)
			w.Abort()
		}
	}
	if _, err := Create(disk.At(filepath.Join(t.TempDir(), "missing")), "s.arrow", fields, nil, 10); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing folder: %v", err)
	}
}

// Every single flipped bit, and every cut, of a committed segment is found
// before a row of its batch is used. The header, the footer and padding are
// not rows: a flip there may go unseen here, but not change a row (the SHA-256
// of the commit record covers them).
func TestDamageIsFoundBeforeItIsUsed(t *testing.T) {
	dir, b := t.TempDir(), results(40, 3)
	f := writeSegment(t, dir, b, 16, all(40))
	path := filepath.Join(dir, f.Name)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// attempt says which batches were read before an error, and checks them.
	attempt := func(text []byte) (rows int, err error) {
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
		s, err := ReadCommitted(dir, f)
		if err != nil {
			return 0, err
		}
		defer s.Close()
		for {
			got, err := s.Next()
			if errors.Is(err, io.EOF) {
				return rows, nil
			}
			if err != nil {
				return rows, err
			}
			if len(got.Columns) == 3 && got.Columns[0].Float != nil && got.Columns[2].Float != nil {
				w := part(b, rows, rows+got.Rows)
				if !sameFloats(got.Columns[0].Float, w.Columns[0].Float) || !sameFloats(got.Columns[2].Float, w.Columns[2].Float) || !slices.Equal(got.Time, w.Time) {
					t.Fatalf("damaged rows are given out as sound")
				}
			}
			rows += got.Rows
		}
	}
	inBatch := func(at int) bool {
		for _, sum := range f.Batches {
			if int64(at) >= sum.Offset && int64(at) < sum.Offset+sum.Length {
				return true
			}
		}
		return false
	}
	for at := range whole {
		text := slices.Clone(whole)
		text[at] ^= 1 << (at % 8)
		if _, err := attempt(text); err == nil && inBatch(at) {
			t.Fatalf("a flipped bit in byte %d is not found", at)
		} else if err != nil && !errors.Is(err, ErrDamaged) {
			t.Fatalf("a flipped bit in byte %d: %v, want ErrDamaged", at, err)
		}
	}
	for at := 0; at < len(whole); at += 13 {
		if _, err := attempt(whole[:at]); !errors.Is(err, ErrDamaged) {
			t.Fatalf("cut off at %d: %v, want ErrDamaged", at, err)
		}
	}
}

func FuzzSegment(f *testing.F) {
	dir := f.TempDir()
	for _, rows := range []int{0, 5, 40} {
		file := writeSegment(f, dir, results(rows, 1), 16, all(40))
		text, err := os.ReadFile(filepath.Join(dir, file.Name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), "s.arrow")
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
		s, err := Read(path)
		if err != nil {
			return
		}
		defer s.Close()
		for {
			b, err := s.Next()
			if err != nil {
				return
			}
			sum := 0.0
			for _, c := range b.Columns {
				if n := len(c.Float) + len(c.Flags); n != b.Rows {
					t.Fatalf("%d values for %d rows", n, b.Rows)
				}
				for _, v := range c.Float {
					sum += v
				}
			}
			if len(b.Time) != b.Rows || len(b.Counter) != b.Rows {
				t.Fatalf("%d times for %d rows", len(b.Time), b.Rows)
			}
		}
	})
}

func TestCommitIsIdempotentAndExclusive(t *testing.T) {
	dir := t.TempDir()
	file := writeSegment(t, dir, results(100, 1), 64, all(100))
	r := CommitRecord{Version: RecordVersion, Test: "Hollin Lock", Group: "main", Cut: 1, Files: []File{file}, Calibration: "00ff", Program: "dev", Architecture: "amd64"}
	if err := errors.Join(WriteCommit(dir, r), WriteCommit(dir, r)); err != nil {
		t.Fatal(err)
	}
	got, err := ReadCommit(filepath.Join(dir, r.Name()))
	if err != nil {
		t.Fatal(err)
	}
	if a, b := fmt.Sprintf("%+v", got), fmt.Sprintf("%+v", r); a != b {
		t.Errorf("read %s, want %s", a, b)
	}
	other := r
	other.Calibration = "0100"
	if err := WriteCommit(dir, other); !errors.Is(err, ErrConflict) {
		t.Errorf("other contents: %v, want ErrConflict", err)
	}
	if again, _ := ReadCommit(filepath.Join(dir, r.Name())); again.Calibration != "00ff" {
		t.Error("the record was changed")
	}
	entries, _ := os.ReadDir(dir)
	if len(entries) != 2 {
		t.Errorf("%d files, want the segment and its record", len(entries))
	}
	if err := os.WriteFile(filepath.Join(dir, "x.json"), []byte(`{"version": 1, "extra_key": 1}`), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadCommit(filepath.Join(dir, "x.json")); err == nil {
		t.Error("an unknown key is accepted")
	}
}

func BenchmarkWrite(b *testing.B) {
	const rows, columns = 65536, 32
	wide := []Field{fields[0], fields[1]}
	batch := Batch{Rows: rows, Time: make([]int64, rows), Counter: make([]uint64, rows)}
	for i := range columns {
		wide = append(wide, Field{Name: fmt.Sprintf("c%d [m/m]", i), Unit: "m/m", Kind: Float})
		batch.Columns = append(batch.Columns, Column{Float: make([]float64, rows)})
	}
	dir := b.TempDir()
	w, err := Create(disk.At(dir), "s.arrow", wide, nil, rows)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(rows * 8 * (columns + 2))
	for b.Loop() {
		if err := w.Append(batch); err != nil {
			b.Fatal(err)
		}
	}
	b.StopTimer()
	if err := w.Abort(); err != nil {
		b.Fatal(err)
	}
}
