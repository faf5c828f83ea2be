package frame

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/testfile"
)

// instantOf reads an instant for comparison, by the time package.
func instantOf(t *testing.T, s string) int64 {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		t.Fatal(err)
	}
	return at.UnixNano()
}

// csvTest is the two sources with a form for NODE1's files.
func csvTest(form testfile.CSV, zone string) *testfile.Test {
	test := twoSources()
	test.Sources.Entries[0].Value.CSV = form
	test.About.Zone.Text = zone
	return test
}

func word(s string) testfile.Word { return testfile.Word{Text: s} }

var startAtEight = testfile.Time{Time: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC), Given: true}

func TestFormsOfCSV(t *testing.T) {
	nan := math.NaN()
	two := []string{"2026-03-01T08:00:00Z", "2026-03-01T08:00:00.001Z"}
	for _, test := range []struct {
		name, text string
		form       testfile.CSV
		zone       string
		times      []string
		a1, a2     []float64
		unit       string
	}{
		{name: "plain", text: "time,A1,A2\n2026-03-01T08:00:00Z,1.5,-2e-3\n2026-03-01T08:00:00.001Z,3,4\n", times: two, a1: []float64{1.5, 3}, a2: []float64{-2e-3, 4}},
		{name: "CRLF, blank lines at the end", text: "time,A1,A2\r\n2026-03-01T08:00:00Z,1,2\r\n2026-03-01T08:00:00.001Z,3,4\r\n\r\n\r\n", times: two, a1: []float64{1, 3}, a2: []float64{2, 4}},
		{name: "byte order mark, comments, units", text: "\xEF\xBB\xBF# bench 3\n# source: NODE1\n\ntime,A1 [mV/V],A2 (mV/V)\n2026-03-01T08:00:00Z,1,2\n", times: two[:1], a1: []float64{1}, a2: []float64{2}, unit: "mV/V"},
		{name: "missing readings", text: "time,A1,A2\n2026-03-01T08:00:00Z,,NaN\n2026-03-01T08:00:00.001Z,-,nan\n", times: two, a1: []float64{nan, nan}, a2: []float64{nan, nan}},
		{name: "semicolon, decimal comma", text: "time;A1;A2\n2026-03-01T08:00:00,000Z;1,5;-2,25e-3\n2026-03-01T08:00:00,001Z;3;4\n", times: two, a1: []float64{1.5, 3}, a2: []float64{-2.25e-3, 4}},
		{name: "semicolon, decimal point", text: "time;A1;A2\n2026-03-01T08:00:00Z;1.5;2\n", times: two[:1], a1: []float64{1.5}, a2: []float64{2}},
		{name: "tab, decimal comma found in a later row", text: "time\tA1\tA2\n2026-03-01T08:00:00Z\t1\t2\n2026-03-01T08:00:00.001Z\t3\t4,5\n", times: two, a1: []float64{1, 3}, a2: []float64{2, 4.5}},
		{name: "blanks, also in units", text: "time  A1 [mV/V]   A2 [mV/V]\n2026-03-01T08:00:00Z   1.5     2 \n", times: two[:1], a1: []float64{1.5}, a2: []float64{2}, unit: "mV/V"},
		{name: "blanks around fields", text: "time , A1 , A2\n2026-03-01T08:00:00Z ,  1.5 ,\t2 \n", times: two[:1], a1: []float64{1.5}, a2: []float64{2}},
		{name: "quotes", text: "\"time\",\"A1\",\"A2\"\n\"2026-03-01T08:00:00Z\",\"1.5\",\"\"\n", times: two[:1], a1: []float64{1.5}, a2: []float64{nan}},
		{name: "commas and quoted decimal commas", form: testfile.CSV{Decimal: word("comma")}, text: "time,A1,A2\n2026-03-01T08:00:00Z,\"1,5\",2\n", times: two[:1], a1: []float64{1.5}, a2: []float64{2}},
		{name: "declared delimiter and time column, not the first", form: testfile.CSV{Delimiter: word("semicolon"), Time: word("Zeit")}, text: "A1;Zeit;A2\n1;2026-03-01T08:00:00Z;2\n", times: two[:1], a1: []float64{1}, a2: []float64{2}},
		{name: "blank instead of T, offset", text: "time,A1,A2\n2026-03-01 09:00:00+01:00,1,2\n2026-03-01 13:30:00.001 +0530,3,4\n", times: two, a1: []float64{1, 3}, a2: []float64{2, 4}},
		{name: "minutes only", text: "time,A1,A2\n2026-03-01T08:00Z,1,2\n", times: two[:1], a1: []float64{1}, a2: []float64{2}},
		{name: "nanoseconds", text: "time,A1,A2\n2026-03-01T08:00:00.123456789Z,1,2\n2026-03-01T08:00:00.12345679000Z,1,2\n", times: []string{"2026-03-01T08:00:00.123456789Z", "2026-03-01T08:00:00.12345679Z"}, a1: []float64{1, 1}, a2: []float64{2, 2}},
		{name: "zone of the source", form: testfile.CSV{Zone: word("Europe/Berlin")}, zone: "UTC", text: "time,A1,A2\n2026-03-01 09:00:00,1,2\n2026-07-01 10:00:00,3,4\n", times: []string{two[0], "2026-07-01T08:00:00Z"}, a1: []float64{1, 3}, a2: []float64{2, 4}},
		{name: "zone of the test", zone: "+01:00", text: "time,A1,A2\n2026-03-01 09:00:00,1,2\n", times: two[:1], a1: []float64{1}, a2: []float64{2}},
		{name: "offset beats zone", zone: "Europe/Berlin", text: "time,A1,A2\n2026-03-01 08:00:00Z,1,2\n", times: two[:1], a1: []float64{1}, a2: []float64{2}},
		{name: "zone in the header", text: "time (UTC),A1,A2\n2026-03-01 08:00:00,1,2\n", times: two[:1], a1: []float64{1}, a2: []float64{2}},
		{name: "seconds", form: testfile.CSV{Start: startAtEight}, text: "time,A1,A2\n0,1,2\n1e-3,3,4\n", times: two, a1: []float64{1, 3}, a2: []float64{2, 4}},
		{name: "seconds, as arrays are saved", form: testfile.CSV{Start: startAtEight}, text: "time A1 A2\n0.000000000000000000e+00 1 2\n1.000000000000000021e-03 3 4\n", times: two, a1: []float64{1, 3}, a2: []float64{2, 4}},
		{name: "milliseconds", form: testfile.CSV{Start: startAtEight}, text: "time [ms];A1;A2\n0;1;2\n1,0;3,5;4\n", times: two, a1: []float64{1, 3.5}, a2: []float64{2, 4}},
		{name: "a million years before the epoch is not needed: negative seconds", form: testfile.CSV{Start: startAtEight}, text: "time,A1,A2\n-0.5,1,2\n", times: []string{"2026-03-01T07:59:59.5Z"}, a1: []float64{1}, a2: []float64{2}},
	} {
		t.Run(test.name, func(t *testing.T) {
			r := open(t, csvTest(test.form, test.zone), "NODE1="+write(t, "raw.csv", test.text))
			columns, _ := r.Columns("NODE1")
			if columns[0].Unit != test.unit || columns[1].Unit != test.unit {
				t.Errorf("units %q and %q, want %q", columns[0].Unit, columns[1].Unit, test.unit)
			}
			var times []int64
			var a1, a2 []float64
			for _, f := range readAll(t, r) {
				times, a1, a2 = append(times, f.Time...), append(a1, f.Columns[0].Float...), append(a2, f.Columns[1].Float...)
			}
			var want []int64
			for _, s := range test.times {
				want = append(want, instantOf(t, s))
			}
			if !slices.Equal(times, want) {
				t.Errorf("times %v, want %v", times, want)
			}
			same := func(x, y float64) bool { return x == y || x != x && y != y }
			if !slices.EqualFunc(a1, test.a1, same) || !slices.EqualFunc(a2, test.a2, same) {
				t.Errorf("read %v and %v, want %v and %v", a1, a2, test.a1, test.a2)
			}
		})
	}
}

func TestBadCSVIsRefusedWithItsPlace(t *testing.T) {
	const head = "time,A1,A2\n2026-03-01T08:00:00Z,1,2\n"
	for _, test := range []struct {
		name, text string
		form       testfile.CSV
		zone       string
		row        int
		column     string
		want       []string // in the message
	}{
		{name: "empty", text: "", want: []string{"an empty file"}},
		{name: "only comments", text: "# source: NODE1\n", want: []string{"no header"}},
		{name: "header only", text: "time,A1,A2\n", want: []string{"a header and no rows"}},
		{name: "header and blank lines", text: "time,A1,A2\n\n\n", want: []string{"a header and no rows"}},
		{name: "text", text: head + "2026-03-01T08:00:01Z,1,open\n", row: 3, column: "A2", want: []string{`found "open"`, "leave the field empty"}},
		{name: "infinity", text: head + "2026-03-01T08:00:01Z,inf,1\n", row: 3, column: "A1", want: []string{`found "inf"`}},
		{name: "beyond float64", text: head + "2026-03-01T08:00:01Z,1e999,1\n", row: 3, column: "A1", want: []string{`found "1e999"`}},
		{name: "hexadecimal", text: head + "2026-03-01T08:00:01Z,0x1p3,1\n", row: 3, column: "A1", want: []string{`found "0x1p3"`}},
		{name: "undeclared decimal comma", text: "time;A1;A2\n2026-03-01T08:00:00Z;1.5;2\n2026-03-01T08:00:01Z;1;2,5\n", row: 3, column: "A2", want: []string{`found "2,5"`, "declare csv.decimal of the source as comma"}},
		{name: "decimal commas between commas", text: head + "2026-03-01T08:00:01Z,1,5,2,5\n", row: 3, want: []string{"5 fields; the header has 3 columns", "csv.decimal"}},
		{name: "cut off in the last row", text: head + "2026-03-01T08:00:01Z,1", row: 3, want: []string{"2 fields in the last row", "cut off"}},
		{name: "cut off inside a number", text: head + "2026-03-01T08:00:01Z,1,0.1", row: 3, want: []string{"a last line without line end", "cut off inside a number", "line feed if it is whole"}},
		{name: "cut off in the only row", text: "time,A1,A2\r\n2026-03-01T08:00:01Z,1,0.1", row: 2, want: []string{"a last line without line end"}},
		{name: "cut off inside the line end", text: head + "2026-03-01T08:00:01Z,1,0.1\r", row: 3, want: []string{"a last line without line end"}},
		{name: "too few fields", text: head + "2026-03-01T08:00:01Z,1\n2026-03-01T08:00:02Z,1,2\n", row: 3, want: []string{"2 fields; the header has 3 columns"}},
		{name: "too many fields", text: head + "2026-03-01T08:00:01Z,1,2,\n", row: 3, want: []string{"4 fields; the header has 3 columns"}},
		{name: "blanks in the time of a file of blanks", text: "time A1 A2\n2026-03-01 08:00:00Z 1 2\n", row: 2, want: []string{"4 fields", "join date and time by a T"}},
		{name: "time goes backwards", text: head + "2026-03-01T07:59:59Z,1,2\n", row: 3, column: "time", want: []string{`"2026-03-01T07:59:59Z", earlier than the row before`}},
		{name: "time stands still", text: head + "2026-03-01T08:00:00.000Z,1,2\n", row: 3, column: "time", want: []string{"the same time as the row before", "as many digits"}},
		{name: "comments count as lines", text: "# a\n# b\n" + head + "\r\n2026-03-01T08:00:01Z,1,2\n", row: 5, want: []string{"a blank line among the rows"}},
		{name: "no time", text: head + ",1,2\n", row: 3, column: "time", want: []string{`found ""`, "ISO 8601"}},
		{name: "day, month, year", text: "time,A1,A2\n04.05.2026 08:00:00,1,2\n", row: 2, column: "time", want: []string{`found "04.05.2026 08:00:00", a date whose order of day and month nothing states`, "ISO 8601"}},
		{name: "day, month, year, later on", text: head + "4/5/26 8:00,1,2\n", row: 3, column: "time", want: []string{"order of day and month"}},
		{name: "year with points", text: "time,A1,A2\n2026/05/04 08:00:00,1,2\n", row: 2, column: "time", want: []string{"a date without hyphens"}},
		{name: "a row of units", text: "time;A1;A2\n\"\";mV/V;mV/V\n2026-03-01T08:00:00Z;1;2\n", row: 2, want: []string{`a row of units below the header, ", mV/V, mV/V"`, "A1 [mV/V]"}},
		{name: "a row of units, with that of the time", text: "time,A1,A2\ns,[mV/V],%\n0.1,1,2\n", row: 2, want: []string{"a row of units below the header"}},
		{name: "no time in the first row", text: "time,A1,A2\n,1,2\n", row: 2, column: "time", want: []string{`found ""`, "ISO 8601"}},
		{name: "no such day", text: "time,A1,A2\n2026-02-29T08:00:00Z,1,2\n", row: 2, column: "time", want: []string{"no such date"}},
		{name: "no such hour", text: "time,A1,A2\n2026-02-28T24:00:00Z,1,2\n", row: 2, column: "time", want: []string{"no such date"}},
		{name: "leap second", text: "time,A1,A2\n2016-12-31T23:59:60Z,1,2\n", row: 2, column: "time", want: []string{"leap seconds"}},
		{name: "far future", text: "time,A1,A2\n9999-01-01T00:00:00Z,1,2\n", row: 2, column: "time", want: []string{"years 1678 to 2261"}},
		{name: "picoseconds", text: "time,A1,A2\n2026-03-01T08:00:00.0000000001Z,1,2\n", row: 2, column: "time", want: []string{"nine digits"}},
		{name: "no zone", text: "time,A1,A2\n2026-03-01T08:00:00,1,2\n", row: 2, column: "time", want: []string{"without zone", "csv.zone"}},
		{name: "an hour that is skipped", zone: "Europe/Berlin", text: "time,A1,A2\n2026-03-29T02:30:00,1,2\n", row: 2, column: "time", want: []string{"skip this hour"}},
		{name: "an hour that comes twice", zone: "Europe/Berlin", text: "time,A1,A2\n2026-10-25T02:30:00,1,2\n", row: 2, column: "time", want: []string{"twice"}},
		{name: "unknown zone", zone: "Europe/Hollin", text: "time,A1,A2\n2026-10-25T02:30:00,1,2\n", row: 1, column: "time", want: []string{`zone "Europe/Hollin"`}},
		{name: "the machine's zone", zone: "Local", text: "time,A1,A2\n2026-10-25T02:30:00,1,2\n", row: 1, column: "time", want: []string{`zone "Local"`}},
		{name: "seconds and no start", text: "time,A1,A2\n0.5,1,2\n", row: 2, column: "time", want: []string{"no declared start", "csv.start", "1970-01-01T00:00:00Z"}},
		{name: "seconds, then text", form: testfile.CSV{Start: startAtEight}, text: "time,A1,A2\n0.5,1,2\nx,1,2\n", row: 3, column: "time", want: []string{`found "x"`, "plain number"}},
		{name: "seconds without end", form: testfile.CSV{Start: startAtEight}, text: "time,A1,A2\n1e30,1,2\n", row: 2, column: "time", want: []string{"64-bit nanoseconds"}},
		{name: "unknown time unit", text: "time [h],A1,A2\n1,1,2\n", row: 1, column: "time", want: []string{`the unit "h"`}},
		{name: "instants under a count's unit", form: testfile.CSV{Start: startAtEight}, text: "time [s],A1,A2\n2026-03-01T08:00:00Z,1,2\n", row: 2, column: "time", want: []string{"leave the unit out"}},
		{name: "no time column", text: "when,A1,A2\n1,1,2\n", row: 1, want: []string{`one must be "time"`, "csv.time"}},
		{name: "only a time column", text: "time\n1\n", row: 1, want: []string{"no column but the time"}},
		{name: "a name twice", text: "time,A1,A1\n1,1,2\n", row: 1, column: "A1", want: []string{"twice in the header"}},
		{name: "a column without name", text: "time,A1,A2,\n1,1,2,\n", row: 1, want: []string{"no name for column 4"}},
		{name: "open quotes in the header", text: "time,\"A1,A2\n1,1,2\n", row: 1, want: []string{"quotes that are not closed"}},
		{name: "open quotes", text: head + "2026-03-01T08:00:01Z,\"1,2\n", row: 3, column: "A1", want: []string{"quotes that are not closed"}},
		{name: "text behind quotes", text: head + "2026-03-01T08:00:01Z,\"1\"2,2\n", row: 3, column: "A1", want: []string{"after closing quotes"}},
		{name: "too many columns", text: "time" + strings.Repeat(",x", 300) + "\n", row: 1, want: []string{"301 columns", "several sources"}},
		{name: "UTF-16, little endian", text: "\xFF\xFEt\x00i\x00", want: []string{"UTF-16", "save it as UTF-8"}},
		{name: "UTF-16, big endian, no mark", text: "\x00t\x00i\x00m\x00e", want: []string{"UTF-16", "save it as UTF-8"}},
		{name: "Latin-1", text: "time,A1 [\xB5m/m],A2\n1,1,2\n", row: 1, want: []string{"not UTF-8"}},
		{name: "binary that begins with a zero", text: "\x00\x01\x00\x00time,A1\n", want: []string{"binary data (a zero byte at 0)"}},
		{name: "binary", text: "\x7FELF\x02\x01\x01\x00\x00", want: []string{"binary data"}},
		{name: "spreadsheet", text: "PK\x03\x04....", want: []string{"export it as CSV"}},
		{name: "compressed", text: "\x1F\x8B\x08....", want: []string{"decompress"}},
		{name: "a line without end", text: "time,A1,A2\n2026-03-01T08:00:00Z,1," + strings.Repeat("1", 2<<20), row: 2, want: []string{"a line of more than 1048576 bytes"}},
		{name: "a header without end", text: strings.Repeat("time,", 1<<19), row: 1, want: []string{"a line of more than 1048576 bytes"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			path := write(t, "raw.csv", test.text)
			r, err := Open(csvTest(test.form, test.zone), []string{"NODE1=" + path}, nil)
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

func TestBadPathsAreAllReported(t *testing.T) {
	dir := t.TempDir()
	good := write(t, "good.csv", "# source: NODE1\ntime,A1,A2\n2026-03-01T08:00:00Z,1,2\n")
	_, err := Open(twoSources(), []string{dir, filepath.Join(dir, "missing.csv"), good, good, os.DevNull}, nil)
	if err == nil {
		t.Fatal("accepted")
	}
	for _, want := range []string{"a directory", "missing.csv; give the path", "the same file twice", "no regular file"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%v: does not say %q", err, want)
		}
	}
	if !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%v is not os.ErrNotExist", err)
	}
	if _, err := Open(twoSources(), nil, nil); err == nil {
		t.Error("no paths: accepted")
	}
}

func TestFilesOfOneSourceMustFitTogether(t *testing.T) {
	one := write(t, "1.csv", "# source: NODE1\ntime,A1,A2\n2026-03-01T08:00:00Z,1,2\n2026-03-01T08:00:02Z,1,2\n")
	overlapping := write(t, "2.csv", "# source: NODE1\ntime,A1,A2\n2026-03-01T08:00:01Z,1,2\n")
	other := write(t, "3.csv", "# source: NODE1\ntime,A1,A2 [V]\n2026-03-01T08:00:03Z,1,2\n")
	r, err := Open(twoSources(), []string{overlapping, one}, nil)
	for err == nil {
		_, err = r.Next()
	}
	if !strings.Contains(err.Error(), "2.csv: found rows from 2026-03-01T08:00:01Z on") || !strings.Contains(err.Error(), "1.csv of the same source goes on until 2026-03-01T08:00:02Z") {
		t.Errorf("overlap: %v", err)
	}
	if _, err = Open(twoSources(), []string{one, other}, nil); err == nil || !strings.Contains(err.Error(), "all files of a source have the same; ") {
		t.Errorf("other columns: %v", err)
	}
}

// rowGenerator is an endless file of rows that nobody has to store.
type rowGenerator struct {
	left int
	at   int64
	text []byte
	row  []byte // what of text is not read yet
	line TimeFormatter
}

func (g *rowGenerator) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		if len(g.row) == 0 {
			if g.left == 0 {
				break
			}
			g.left--
			g.at += 1e6
			g.text = append(g.line.Append(g.text[:0], g.at), ",0.123456,-0.00123,1.5e-3,17\n"...)
			g.row = g.text
		}
		c := copy(p[n:], g.row)
		g.row = g.row[c:]
		n += c
	}
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

func (g *rowGenerator) Close() error { return nil }

// readGenerated reads rows and returns what it took.
func readGenerated(t *testing.T, rowCount int) (m meter, read int) {
	t.Helper()
	p := &preamble{header: []byte("time,B1,B2,B3,B4"), line: 1, sample: []byte("2026-03-01T08:00:00Z,1,2,3,4\n")}
	form, err := newCSVForm("generated", p, &testfile.CSV{}, "")
	if err != nil {
		t.Fatal(err)
	}
	file := &rawFile{path: "generated", columns: form.columns, info: fakeInfo{}}
	file.open = func() (rows, error) {
		return newCSVRows("generated", &rowGenerator{left: rowCount, at: dayStart}, p, form), nil
	}
	r := &Reader{streams: []*stream{newStream("NODE1", 1000, []*rawFile{file})}}
	m.start()
	var held []*Frame
	for {
		f, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		m.count(f.Rows())
		read += f.Rows()
		if held = append(held, f); len(held) == 8 {
			held[0].Release()
			held = append(held[:0], held[1:]...)
		}
	}
	return m, read
}

// meter measures what reading takes: the live heap, a few times on the way,
// and how often memory was asked for. (What was asked for in all is no measure
// under the race detector, where pools lose a part of what they are given.)
type meter struct {
	before  runtime.MemStats
	rows    int
	next    int
	live    uint64 // highest live heap
	mallocs uint64
}

func (m *meter) start() {
	runtime.GC()
	runtime.ReadMemStats(&m.before)
	m.next = 1
}

func (m *meter) count(rows int) {
	if m.rows += rows; m.rows < m.next {
		return
	}
	var now runtime.MemStats
	runtime.ReadMemStats(&now)
	m.mallocs = now.Mallocs - m.before.Mallocs
	runtime.GC()
	runtime.ReadMemStats(&now)
	if now.HeapAlloc > m.before.HeapAlloc {
		m.live = max(m.live, now.HeapAlloc-m.before.HeapAlloc)
	}
	m.next = m.rows + 40_000
}

// checkGrowth compares a record with one of ten times its length.
func checkGrowth(t *testing.T, short, long meter) {
	t.Helper()
	t.Logf("%d rows: %d kB live; %d rows: %d kB live, %d allocations", short.rows, short.live>>10, long.rows, long.live>>10, long.mallocs)
	// Pools and the collector's timing move this by a megabyte or so; a row that
	// is kept, however small, would move it by eight.
	if long.live > short.live+4<<20 {
		t.Errorf("%d bytes are live for %d rows, %d for %d", short.live, short.rows, long.live, long.rows)
	}
	if long.mallocs > uint64(long.rows)/10 {
		t.Errorf("%d allocations for %d rows: memory is asked for by row", long.mallocs, long.rows)
	}
}

type fakeInfo struct{ os.FileInfo }

func (fakeInfo) Size() int64 { return 1 }

func TestMemoryDoesNotGrowWithTheInput(t *testing.T) {
	short, rows := readGenerated(t, 100_000)
	if rows != 100_000 {
		t.Fatalf("%d rows", rows)
	}
	long, rows := readGenerated(t, 1_000_000)
	if rows != 1_000_000 {
		t.Fatalf("%d rows", rows)
	}
	checkGrowth(t, short, long)
}

func FuzzCSV(f *testing.F) {
	f.Add([]byte("time,A1,A2\n2026-03-01T08:00:00Z,1.5,-2e-3\n"), "", "", false)
	f.Add([]byte("# source: NODE1\ntime;A1 [mV/V];A2\r\n0,5;1,5;\"2\"\r\n\r\n"), "semicolon", "comma", true)
	f.Add([]byte("time A1 A2\n1e-3 - NaN\n"), "space", "", true)
	f.Add([]byte("time,A1,A2\n2026-10-25 02:30:00,1,2\n"), "", "", false)
	f.Fuzz(func(t *testing.T, text []byte, delimiter, decimal string, start bool) {
		form := testfile.CSV{Delimiter: word(delimiter), Decimal: word(decimal)}
		if start {
			form.Start = startAtEight
		}
		var p preamble
		if err := p.find("fuzz", text, true); err != nil {
			checkInputError(t, err)
			return
		}
		made, err := newCSVForm("fuzz", &p, &form, "Europe/Berlin")
		if err != nil {
			checkInputError(t, err)
			return
		}
		r := newCSVRows("fuzz", io.NopCloser(bytes.NewReader(text[p.offset:])), &p, made)
		pool := &blockPool{rows: 7}
		last := int64(math.MinInt64)
		for {
			b := pool.get(len(made.columns))
			if err := r.next(b, 7); errors.Is(err, io.EOF) {
				return
			} else if err != nil {
				checkInputError(t, err)
				return
			}
			for row, at := range b.time {
				if at <= last {
					t.Fatalf("time %d after %d", at, last)
				}
				last = at
				for _, c := range b.columns {
					if math.IsInf(c.Float[row], 0) {
						t.Fatal("an infinity came through")
					}
				}
			}
		}
	})
}

func checkInputError(t *testing.T, err error) {
	t.Helper()
	var input *InputError
	if !errors.As(err, &input) || input.Found == "" && input.Err == nil {
		t.Fatalf("%v is no InputError that says what was found", err)
	}
}

func BenchmarkCSV(b *testing.B) {
	const rowCount, columns = 50_000, 32
	times := make([]int64, rowCount)
	var data []Column
	for c := range columns {
		values := make([]float64, rowCount)
		for i := range values {
			times[i] = dayStart + int64(i)*1e6
			values[i] = math.Round(math.Sin(float64(i*(c+1)))*1e6) / 1e6
		}
		data = append(data, Column{Name: fmt.Sprintf("A%d", c+1), Unit: "mV/V", Float: values})
	}
	path := filepath.Join(b.TempDir(), "raw.csv")
	out, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	w := NewCSVWriter(out, "NODE1", data)
	if err := errors.Join(w.Write(times, data), w.Close(), out.Close()); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		r, err := Open(twoSources(), []string{path}, nil)
		if err != nil {
			b.Fatal(err)
		}
		for {
			f, err := r.Next()
			if err != nil {
				break
			}
			f.Release()
		}
		if err := r.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rowCount/columns, "ns/value")
}
