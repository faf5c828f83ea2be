package segment_test

import (
	"fmt"
	"math"
	"os"

	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// A segment is written, committed and read back.
func ExampleCreate() {
	dir, err := os.MkdirTemp("", "segments")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	w, err := segment.Create(disk.At(dir), "main.NODE1.arrow", []segment.Field{
		{Name: "time", Kind: segment.Time},
		{Name: "sample", Kind: segment.Counter},
		{Name: "skin-1 [m/m]", Unit: "m/m", Kind: segment.Float},
		{Name: "skin-1 flags", Kind: segment.Flags},
	}, [][2]string{{"test", "Hollin Lock"}}, 65536)
	if err != nil {
		fmt.Println(err)
		return
	}
	err = w.Append(segment.Batch{
		Rows:    2,
		Time:    []int64{0, 1e6},
		Counter: []uint64{0, 1},
		Columns: []segment.Column{{Float: []float64{12e-6, math.NaN()}}, {Flags: []uint32{0, 1}}},
	})
	if err != nil {
		fmt.Println(err, w.Abort())
		return
	}
	file, err := w.Commit()
	if err != nil {
		fmt.Println(err)
		return
	}
	s, err := segment.ReadCommitted(dir, file)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer s.Close()
	b, err := s.Next()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(s.Fields[2].Name, s.Fields[2].Unit, b.Columns[0].Float, b.Columns[1].Flags)
	// Output: skin-1 [m/m] m/m [1.2e-05 NaN] [0 1]
}
