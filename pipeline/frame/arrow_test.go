package frame

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame/arrowipc"
)

// arrowBytes is a file of one batch.
func arrowBytes(t testing.TB, fields []arrowipc.Field, rows int, columns ...arrowipc.Column) string {
	t.Helper()
	var out strings.Builder
	w, err := arrowipc.NewFileWriter(&out, arrowipc.Schema{Fields: fields, Metadata: arrowipc.Metadata{{"source", "NODE1"}}})
	if err != nil {
		t.Fatal(err)
	}
	if rows >= 0 {
		if _, _, err = w.Write(rows, columns); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

var (
	timeField = arrowipc.Field{Name: "time", Kind: arrowipc.Timestamp, Zone: "UTC"}
	a1Field   = arrowipc.Field{Name: "A1", Kind: arrowipc.Float64, Nullable: true}
)

func times(t ...int64) arrowipc.Column            { return arrowipc.Column{Data: arrowipc.Bytes(t)} }
func floats(v ...float64) arrowipc.Column         { return arrowipc.Column{Data: arrowipc.Bytes(v)} }
func fields(f ...arrowipc.Field) []arrowipc.Field { return f }

func TestBadArrowIsRefusedWithItsPlace(t *testing.T) {
	good := arrowBytes(t, fields(timeField, a1Field), 2, times(1, 2), floats(1, 2))
	naive := timeField
	naive.Zone = ""
	for _, test := range []struct {
		name, text, zone string
		row              int
		column           string
		want             []string
	}{
		{name: "no time column", text: arrowBytes(t, fields(a1Field), 1, floats(1)), want: []string{"the columns A1", `one must be "time"`}},
		{name: "time of another type", text: arrowBytes(t, fields(arrowipc.Field{Name: "time", Kind: arrowipc.Float64}, a1Field), 1, floats(1), floats(1)), column: "time", want: []string{"the type float64", "timestamp[ns, UTC]"}},
		{name: "only time", text: arrowBytes(t, fields(timeField), 1, times(1)), want: []string{"no column but the time"}},
		{name: "readings of another type", text: arrowBytes(t, fields(timeField, arrowipc.Field{Name: "A1", Kind: arrowipc.Uint64}), 1, times(1), times(1)), column: "A1", want: []string{"the type uint64"}},
		{name: "a name twice", text: arrowBytes(t, fields(timeField, a1Field, a1Field), 1, times(1), floats(1), floats(1)), column: "A1", want: []string{"the name twice"}},
		{name: "no batch", text: arrowBytes(t, fields(timeField, a1Field), -1), want: []string{"no rows"}},
		{name: "no rows", text: arrowBytes(t, fields(timeField, a1Field), 0, times(), floats()), want: []string{"no rows"}},
		{name: "no zone", text: arrowBytes(t, fields(naive, a1Field), 1, times(1), floats(1)), column: "time", want: []string{"times without zone", "csv.zone"}},
		{name: "an hour that is skipped", zone: "Europe/Berlin", text: arrowBytes(t, fields(naive, a1Field), 1, times(instantOf(t, "2026-03-29T02:30:00Z")), floats(1)), row: 1, column: "time", want: []string{"skip this hour"}},
		{name: "time goes backwards", text: arrowBytes(t, fields(timeField, a1Field), 3, times(1, 2, 1), floats(1, 2, 3)), row: 3, column: "time", want: []string{"1970-01-01T00:00:00.000000001Z, earlier than the row before; the row before is of 1970-01-01T00:00:00.000000002Z"}},
		{name: "time stands still", text: arrowBytes(t, fields(timeField, a1Field), 2, times(1, 1), floats(1, 2)), row: 2, column: "time", want: []string{"the same time as the row before"}},
		{name: "no time in a row", text: arrowBytes(t, fields(timeField, a1Field), 2, arrowipc.Column{Data: arrowipc.Bytes([]int64{1, 2}), Validity: []byte{1}, Nulls: 1}, floats(1, 2)), row: 2, column: "time", want: []string{"no time"}},
		{name: "cut off", text: good[:len(good)-10], want: []string{"the end is missing"}},
		{name: "cut off in its first bytes", text: good[:7], want: []string{"cut off after 7 bytes"}},
		{name: "a damaged footer", text: good[:len(good)-10] + "\xFF\xFF\xFF\x7F" + good[len(good)-6:], want: []string{"damaged Arrow file", "footer claims"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			declared := twoSources()
			declared.About.Zone.Text = test.zone
			path := write(t, "raw.arrow", test.text)
			r, err := Open(declared, []string{"NODE1=" + path}, nil)
			for err == nil {
				_, err = r.Next()
			}
			var input *InputError
			if !errors.As(err, &input) {
				t.Fatalf("%v, want an InputError", err)
			}
			if input.File != path || input.Row != test.row || input.Column != test.column {
				t.Errorf("at %s:%d column %q, want row %d column %q", input.File, input.Row, input.Column, test.row, test.column)
			}
			for _, s := range test.want {
				if !strings.Contains(err.Error(), s) {
					t.Errorf("%v: does not say %q", err, s)
				}
			}
		})
	}
}

// Units of times that the arrow writer of this package does not write.
func TestTimesOfOtherResolutionsAreExact(t *testing.T) {
	for _, test := range []struct {
		resolution, in, want int64
		wrong                bool
	}{
		{resolution: 1, in: math.MaxInt64, want: math.MaxInt64},
		{resolution: 1e3, in: 1_772_352_000_000_001, want: 1_772_352_000_000_001_000},
		{resolution: 1e6, in: -1, want: -1_000_000},
		{resolution: 1e9, in: 9_223_372_036, want: 9_223_372_036e9},
		{resolution: 1e9, in: 9_223_372_037, wrong: true},
		{resolution: 1e6, in: math.MinInt64, wrong: true},
	} {
		r := &arrowRows{path: "x", form: &arrowForm{resolution: test.resolution}, last: math.MinInt64}
		r.batch.Columns = []arrowipc.Column{times(test.in)}
		b := (&blockPool{rows: 1}).get(1)
		err := r.times(b, 0, 1)
		if (err != nil) != test.wrong || err == nil && b.time[0] != test.want {
			t.Errorf("%d at %d ns: %v, %v, want %d", test.in, test.resolution, b.time, err, test.want)
		}
	}
}

func TestArrowFormsOfReadings(t *testing.T) {
	naive := timeField
	naive.Zone = ""
	eight := instantOf(t, "2026-03-01T09:00:00Z") // as read off a clock in Berlin
	text := arrowBytes(t, fields(naive,
		arrowipc.Field{Name: "A1 [mV/V]", Kind: arrowipc.Float32, Nullable: true},
		arrowipc.Field{Name: "A2", Kind: arrowipc.Int16, Nullable: true, Metadata: arrowipc.Metadata{{"unit", "count"}}},
		arrowipc.Field{Name: "B [x]", Kind: arrowipc.Float64, Metadata: arrowipc.Metadata{{"unit", "degC"}}},
	), 3,
		times(eight, eight+1e9, eight+2e9),
		arrowipc.Column{Data: arrowipc.Bytes([]float32{0.5, 0, -0.25}), Validity: []byte{0b101}, Nulls: 1},
		arrowipc.Column{Data: arrowipc.Bytes([]int16{-32768, 0, 32767}), Validity: []byte{0b101}, Nulls: 1},
		floats(1, 2, math.NaN()))
	declared := twoSources()
	declared.Sources.Entries[0].Value.CSV.Zone = word("Europe/Berlin")
	frames := readAll(t, open(t, declared, write(t, "raw.arrow", text)))
	want := &Frame{Source: "NODE1", Boot: "file", Columns: []Column{
		{Name: "A1", Unit: "mV/V", Float: []float64{0.5, math.NaN(), -0.25}},
		{Name: "A2", Unit: "count", Counts: []int32{-32768, 0, 32767}, Valid: []bool{true, false, true}},
		{Name: "B [x]", Unit: "degC", Float: []float64{1, 2, math.NaN()}},
	}}
	first := instantOf(t, "2026-03-01T08:00:00Z")
	want.Time = []int64{first, first + 1e9, first + 2e9}
	sameFrames(t, frames, []*Frame{want})
}

func TestArrowMemoryDoesNotGrowWithTheInput(t *testing.T) {
	measure := func(rows int) (m meter) {
		at, columns := record(rows, time.Millisecond, 9)
		r := open(t, twoSources(), writeArrow(t, "NODE1", at, columns))
		defer r.Close()
		m.start()
		for {
			f, err := r.Next()
			if errors.Is(err, io.EOF) {
				return m
			}
			if err != nil {
				t.Fatal(err)
			}
			m.count(f.Rows())
			f.Release()
		}
	}
	checkGrowth(t, measure(50_000), measure(500_000))
}

func FuzzArrow(f *testing.F) {
	f.Add([]byte(arrowBytes(f, fields(timeField, a1Field), 2, times(1, 2), floats(1, 2))))
	counts := arrowipc.Field{Name: "A2", Kind: arrowipc.Int32, Nullable: true}
	f.Add([]byte(arrowBytes(f, fields(timeField, a1Field, counts), 2, times(1, 2),
		arrowipc.Column{Data: arrowipc.Bytes([]float64{1, 2}), Validity: []byte{1}, Nulls: 1},
		arrowipc.Column{Data: arrowipc.Bytes([]int32{1, 2}), Validity: []byte{2}, Nulls: 1})))
	declared := twoSources()
	declared.About.Zone.Text = "Europe/Berlin"
	f.Fuzz(func(t *testing.T, text []byte) {
		if !arrowipc.Looks(text) {
			return
		}
		path := filepath.Join(t.TempDir(), "raw.arrow")
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
		r, err := Open(declared, []string{"NODE1=" + path}, nil)
		if err != nil {
			checkInputError(t, err)
			return
		}
		defer r.Close()
		last := int64(math.MinInt64)
		for {
			frame, err := r.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				checkInputError(t, err)
				return
			}
			for _, at := range frame.Time {
				if at < last {
					t.Fatal("time goes backwards")
				}
				last = at
			}
			sum := 0.0
			for _, c := range frame.Columns {
				for _, v := range c.Float {
					sum += v
				}
				for _, v := range c.Counts {
					sum += float64(v)
				}
				if n := len(c.Float) + len(c.Counts); n != frame.Rows() || c.Valid != nil && len(c.Valid) != n {
					t.Fatalf("%d readings for %d rows", n, frame.Rows())
				}
			}
			frame.Release()
		}
	})
}
