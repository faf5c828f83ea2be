package overview

import (
	"context"
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// column is what is written, to be compared with what is answered.
type column struct {
	times  []int64
	values []float64
	flags  []uint32
}

const name = "a [m/m]"

// segments writes cuts of random lengths, with gaps, missing values and flags.
func segments(t testing.TB, dir string, rows ...int) *column {
	t.Helper()
	random := rand.New(rand.NewPCG(3, 4))
	all := &column{}
	fields := []segment.Field{{Name: "time", Kind: segment.Time}, {Name: "sample", Kind: segment.Counter},
		{Name: name, Unit: "m/m", Kind: segment.Float, Metadata: [][2]string{{"of", "a"}}}, {Name: "a flags", Kind: segment.Flags, Metadata: [][2]string{{"of", "a"}}}}
	at := int64(1_700_000_000_000_000_000)
	for cut, n := range rows {
		w, err := segment.Create(disk.At(dir), fileName(cut), fields, [][2]string{{"source", "s"}}, 500)
		if err != nil {
			t.Fatal(err)
		}
		b := segment.Batch{Rows: n, Columns: make([]segment.Column, 2)}
		for i := range n {
			at += 1_000_000
			if random.IntN(300) == 0 {
				at += int64(random.IntN(5)) * 1e9
			}
			v, f := random.NormFloat64()*1e-4, uint32(0)
			if random.IntN(20) == 0 || i > 300 && i < 700 {
				v = math.NaN()
			}
			if random.IntN(50) == 0 {
				f = 1 << random.IntN(32)
			}
			b.Time, b.Counter = append(b.Time, at), append(b.Counter, uint64(i))
			b.Columns[0].Float, b.Columns[1].Flags = append(b.Columns[0].Float, v), append(b.Columns[1].Flags, f)
		}
		all.times, all.values, all.flags = append(all.times, b.Time...), append(all.values, b.Columns[0].Float...), append(all.flags, b.Columns[1].Flags...)
		if err := w.Append(b); err != nil {
			t.Fatal(err)
		}
		f, err := w.Commit()
		if err != nil {
			t.Fatal(err)
		}
		r := segment.CommitRecord{Version: segment.RecordVersion, Test: "t", Group: "g", Cut: uint64(cut), Files: []segment.File{f}, Zeros: []segment.Zero{}}
		if err := segment.WriteCommit(dir, r); err != nil {
			t.Fatal(err)
		}
	}
	return all
}

func fileName(cut int) string { return string(rune('a'+cut)) + ".arrow" }

func open(t testing.TB, dir string) *Archive {
	t.Helper()
	a, err := Open(dir, filepath.Join(dir, "overview"))
	if err == nil {
		err = a.Refresh()
	}
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// Whatever is asked, the bins hold all samples in the stretch, at most the few
// beside its ends more, and their least, greatest, mean and flags are those of the
// samples in them.
func TestTraceIsThatOfBruteForce(t *testing.T) {
	dir := t.TempDir()
	all := segments(t, dir, 1, 127, 128, 129, 40_000, 3_000, 20_001)
	a := open(t, dir)
	if names, first, last := a.Columns(); len(names) != 1 || names[0] != name || first != all.times[0] || last != all.times[len(all.times)-1] {
		t.Fatalf("%v from %d to %d", names, first, last)
	}
	random := rand.New(rand.NewPCG(5, 6))
	whole := all.times[len(all.times)-1] - all.times[0]
	for i := range 300 {
		from, to := all.times[0], all.times[0]+whole
		if i > 0 {
			from += random.Int64N(whole)
			to = from + int64(float64(whole)*math.Pow(10, -6*random.Float64()))
		}
		points := 10 + random.IntN(400)
		trace, err := a.Trace(context.Background(), name, from, to, points)
		if err != nil {
			t.Fatal(err)
		}
		if len(trace.Bins) > 2*points+1 {
			t.Fatalf("%d bins for %d points", len(trace.Bins), points)
		}
		var n, within int64
		covered := 0
		for k, b := range trace.Bins {
			if k > 0 && b.First < trace.Bins[k-1].First {
				t.Fatal("bins are out of order")
			}
			least, greatest, sum, count, flags := math.Inf(1), math.Inf(-1), 0.0, uint32(0), uint32(0)
			for j, at := range all.times {
				if at < b.First || at > b.Last {
					continue
				}
				covered++
				flags |= all.flags[j]
				if v := all.values[j]; v == v {
					least, greatest, sum, count = min(least, v), max(greatest, v), sum+v, count+1
				}
			}
			if count != b.N || flags != b.Flags {
				t.Fatalf("bin %d holds %d samples with flags %x, want %d with %x", k, b.N, b.Flags, count, flags)
			}
			if count > 0 && (least != b.Min || greatest != b.Max || !(math.Abs(sum/float64(count)-b.Mean) <= 1e-15)) {
				t.Fatalf("bin %d: %g %g %g, want %g %g %g", k, b.Min, b.Max, b.Mean, least, greatest, sum/float64(count))
			}
			n += int64(b.N)
		}
		rows := 0
		for j, at := range all.times {
			if at >= from && at <= to {
				rows++
				if all.values[j] == all.values[j] {
					within++
				}
			}
		}
		if n != trace.Rows || n < within || trace.Raw && (covered != rows || n != within) {
			t.Fatalf("%d samples in bins over %d rows, told %d; the stretch has %d in %d rows, raw %v", n, covered, trace.Rows, within, rows, trace.Raw)
		}
		if rows <= points && !trace.Raw {
			t.Fatalf("%d rows for %d points are not shown one by one", rows, points)
		}
	}
}

func TestTheSameBytesAndDamageIsMended(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	segments(t, dir, 30_000)
	segments(t, other, 30_000)
	for _, d := range []string{dir, other} {
		if err := open(t, d).Build(context.Background(), nil); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(dir, "overview", fileName(0)+suffix)
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(filepath.Join(other, "overview", fileName(0)+suffix)); err != nil || string(got) != string(want) {
		t.Errorf("the same segment gave other bytes: %v", err)
	}
	for _, harm := range []func([]byte) []byte{
		func(b []byte) []byte { b[3]++; return b },
		func(b []byte) []byte { b[40]++; return b },
		func(b []byte) []byte { return b[:len(b)-1] },
		func(b []byte) []byte { return append(b, 0) },
		func(b []byte) []byte { return nil },
		func(b []byte) []byte { binary.LittleEndian.PutUint32(b[len(magic):], 1<<31); return b },
	} {
		if err := os.WriteFile(path, harm(append([]byte(nil), want...)), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := open(t, dir).Build(context.Background(), nil); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != string(want) {
			t.Errorf("a damaged overview was not made again: %v", err)
		}
	}
	// A block that is damaged is found when it is read, and the file made again.
	spoilt := append([]byte(nil), want...)
	spoilt[len(spoilt)-20]++ // of the top level
	if err := os.WriteFile(path, spoilt, 0o644); err != nil {
		t.Fatal(err)
	}
	a := open(t, dir)
	ask := func() error {
		_, err := a.Trace(context.Background(), name, 0, math.MaxInt64, 10)
		return err
	}
	p, err := openPyramid(filepath.Join(dir, "overview"), a.files[0].File)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.read(levelsOf(p.Rows)-1, 0); !errors.Is(err, ErrDamaged) {
		t.Errorf("damage of a block: %v", err)
	}
	if err := a.forget(a.files[0], ErrDamaged); !errors.Is(err, ErrDamaged) {
		t.Fatal(err)
	}
	if err := ask(); err != nil {
		t.Error(err)
	}
	if got, err := os.ReadFile(path); err != nil || string(got) != string(want) {
		t.Errorf("it was not made again: %v", err)
	}
}

func TestWhatIsNotThere(t *testing.T) {
	dir := t.TempDir()
	segments(t, dir, 100)
	a := open(t, dir)
	if _, err := a.Trace(context.Background(), "b", 0, 1, 10); !errors.Is(err, ErrNoColumn) {
		t.Error(err)
	}
	if got, err := a.Trace(context.Background(), name, 0, 1, 10); err != nil || len(got.Bins) != 0 {
		t.Errorf("%+v, %v", got, err)
	}
	ended, stop := context.WithCancel(context.Background())
	stop()
	if err := a.Build(ended, nil); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}
