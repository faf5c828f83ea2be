package frame_test

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/testfile"
)

// Two files of one logger, given in the wrong order, are read as one record.
func ExampleOpen() {
	dir, err := os.MkdirTemp("", "raw")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	for name, text := range map[string]string{
		"morning.csv": "# source: TEMP\ntime;T1 [degC]\n2026-03-01 08:00:00;4,5\n2026-03-01 08:00:01;4,6\n",
		"later.csv":   "# source: TEMP\ntime;T1 [degC]\n2026-03-01 08:00:02;-\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			fmt.Println(err)
			return
		}
	}
	test := &testfile.Test{}
	test.About.Zone.Text = "+01:00"
	test.Sources.Entries = []testfile.Entry[testfile.Source]{{Name: "TEMP", Value: testfile.Source{Rate: testfile.Quantity{Value: 1}}}}

	r, err := frame.Open(test, []string{filepath.Join(dir, "later.csv"), filepath.Join(dir, "morning.csv")}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer r.Close()
	for {
		f, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			fmt.Println(err)
			return
		}
		c := f.Columns[0]
		fmt.Println(f.Source, f.Number, time.Unix(0, f.Time[0]).UTC().Format(time.RFC3339), c.Name, c.Float, c.Unit)
		f.Release()
	}
	// Output:
	// TEMP 0 2026-03-01T07:00:00Z T1 [4.5] degC
	// TEMP 1 2026-03-01T07:00:01Z T1 [4.6] degC
	// TEMP 2 2026-03-01T07:00:02Z T1 [NaN] degC
}
