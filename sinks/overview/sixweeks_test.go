package overview

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"math"
	"os"
	"path/filepath"
	"testing"

	"glueline/sinks/segment"
)

// Six weeks of one source of 20 columns at 1 kHz, 4,500 files of some 13 minutes.
// Their lowest levels are holes in the files, but for those that are read.
func sixWeeks(b *testing.B) *Archive {
	b.Helper()
	const files, rows, columns = 4500, 806_400, 20
	cache := b.TempDir()
	a, err := Open(b.TempDir(), cache)
	if err != nil {
		b.Fatal(err)
	}
	var names []string
	for c := range columns {
		names = append(names, fmt.Sprintf("c%d [m/m]", c))
		a.known[names[c]] = true
	}
	for i := range files {
		f := segment.File{Name: fmt.Sprintf("main.%08d.s.arrow", i), Rows: rows, SHA256: "x", FirstTime: int64(i) * rows * 1e6, LastTime: (int64(i+1)*rows - 1) * 1e6}
		h := header{Segment: f.Name, SHA256: "x", Rows: rows, Columns: names}
		text, err := json.Marshal(h)
		if err != nil {
			b.Fatal(err)
		}
		out := binary.LittleEndian.AppendUint32([]byte(magic), uint32(len(text)))
		out = binary.LittleEndian.AppendUint32(append(out, text...), crc32.Checksum(text, castagnoli))
		disk, err := os.Create(filepath.Join(cache, f.Name+suffix))
		if err != nil {
			b.Fatal(err)
		}
		put := func(at int64, block []byte) {
			block = binary.LittleEndian.AppendUint32(block, crc32.Checksum(block, castagnoli))
			if _, err := disk.WriteAt(block, at); err != nil {
				b.Fatal(err)
			}
		}
		if _, err := disk.WriteAt(out, 0); err != nil {
			b.Fatal(err)
		}
		for level := range levelsOf(rows) {
			n, size := binsOf(rows, level), int64(rowsABin)
			for range level {
				size *= fan
			}
			if level < 2 && i > 40 {
				continue
			}
			at, _ := h.place(int64(len(out)), level, -1)
			var times, values []byte
			for k := range n {
				first := f.FirstTime + k*size*1e6
				times = binary.LittleEndian.AppendUint64(binary.LittleEndian.AppendUint64(times, uint64(first)), uint64(min(first+(size-1)*1e6, f.LastTime)))
				for range 3 {
					values = binary.LittleEndian.AppendUint64(values, math.Float64bits(1e-6*float64(k)))
				}
				values = binary.LittleEndian.AppendUint64(values, uint64(size))
			}
			put(at, times)
			at, _ = h.place(int64(len(out)), level, 7)
			put(at, values)
		}
		end, _ := h.place(int64(len(out)), levelsOf(rows), -1)
		if err := disk.Truncate(end); err != nil {
			b.Fatal(err)
		}
		if err := disk.Close(); err != nil {
			b.Fatal(err)
		}
		a.files = append(a.files, &file{File: f})
	}
	return a
}

func BenchmarkSixWeeks(b *testing.B) {
	a := sixWeeks(b)
	last := a.files[len(a.files)-1].LastTime
	for _, x := range []struct {
		name string
		to   int64
	}{{"opened", last}, {"all", last}, {"week", last / 6}, {"day", last / 42}, {"hour", last / 42 / 24}} {
		b.Run(x.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if x.name == "opened" { // as a service that has just begun
					for _, f := range a.files {
						f.pyramid = nil
					}
				}
				t, err := a.Trace(context.Background(), "c7 [m/m]", 0, x.to, 1200)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(float64(len(t.Bins)), "bins")
			}
		})
	}
}
