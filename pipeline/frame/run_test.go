package frame

import (
	"errors"
	"io"
	"testing"
	"time"
)

func TestRunsAreTheFramesInTheirOrder(t *testing.T) {
	times1, columns1 := record(20_000, time.Millisecond, 3)
	times2, slow := record(20, time.Second, 4)
	path1, path2 := writeCSV(t, "NODE1", times1, columns1), writeArrow(t, "TEMP", times2, []Column{{Name: "T1", Unit: "degC", Float: slow[0].Float}})
	want := readAll(t, open(t, twoSources(), path1, path2))

	r := open(t, twoSources(), path2, path1)
	runs := 0
	for at := 0; ; runs++ {
		run, err := r.NextRun()
		if errors.Is(err, io.EOF) {
			if at != len(want) {
				t.Fatalf("runs end after %d of %d frames", at, len(want))
			}
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for from := 0; from < run.Rows(); at++ {
			rows := want[at].Rows()
			if run.Source != want[at].Source || from+rows > run.Rows() {
				t.Fatalf("frame %d is of %s with %d rows; the run of %s has %d rows left", at, want[at].Source, rows, run.Source, run.Rows()-from)
			}
			part := run.Slice(from, from+rows)
			if from > 0 {
				part.Number = want[at].Number
			}
			sameFrames(t, []*Frame{&part}, want[at:at+1])
			from += rows
		}
		run.Release()
	}
	if runs*2 > len(want) {
		t.Errorf("%d runs of %d frames: hardly any were joined", runs, len(want))
	}
}
