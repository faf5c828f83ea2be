package feed

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/testfile"
)

const bracket = `
test: {name: bracket, zone: UTC, zero: {first: 1 s}}
sources:
  node: {rate: 50 Hz, unit: mV/V}
lots:
  foil: {resistance: 350 ohm, gauge-factor: 2.08}
gauges:
  g1: {lot: foil}
  g2: {lot: foil}
positions:
  p1: {material: carbon-steel}
  p2: {material: carbon-steel}
wiring:
  - {input: node/A1, gauge: g1, position: p1}
  - {input: node/A2, gauge: g2, position: p2}
channels:
  p1: {bridge: quarter_3wire, leads: {size: 0.14 mm2, length: 12 m}}
  p2: {bridge: quarter_3wire, leads: {size: 0.14 mm2, length: 12 m}}
`

func load(t testing.TB) *testfile.Test {
	t.Helper()
	path := filepath.Join(t.TempDir(), "bracket.yaml")
	if err := os.WriteFile(path, []byte(bracket), 0o644); err != nil {
		t.Fatal(err)
	}
	test, err := testfile.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return test
}

// decode runs text through a decoder: "time-in-ms: readings" a row, "! error" a
// refused line.
func decode(d *Decoder, text string) []string {
	var all []string
	for _, line := range strings.SplitAfter(text, "\n") {
		if line == "" {
			continue
		}
		at, readings, ok, err := d.Line([]byte(line))
		switch {
		case err != nil:
			all = append(all, "! "+err.Error())
		case ok:
			all = append(all, fmt.Sprint(at/1e6%1000, ": ", readings))
		}
	}
	return all
}

func TestDecoder(t *testing.T) {
	test := load(t)
	tests := []struct {
		name, text string
		want       []string // a refusal by a part of its words
	}{
		{"CSV", "# from the bench\n\ntime,A1 [mV/V],A2\n2026-05-04T06:00:00.02Z,0.5,-1e-3\n2026-05-04T06:00:00.04Z,,7\n",
			[]string{"20: [0.5 -0.001]", "40: [NaN 7]"}},
		{"CSV of Windows, semicolons and decimal commas", "\xEF\xBB\xBFtime;A1;A2\r\n2026-05-04 06:00:00,020;0,5;1\r\n\r\n2026-05-04 06:00:00,040;0,25;2\r\n",
			[]string{"20: [0.5 1]", "40: [0.25 2]"}},
		{"CSV goes on behind bad lines", "time,A1,A2\n2026-05-04T06:00:00.02Z,1,2\nyesterday,1,2\n2026-05-04T06:00:00.04Z,1\n2026-05-04T06:00:00.06Z,one,2\n2026-05-04T06:00:00.08Z,3,4\n",
			[]string{"20: [1 2]", `! x:3: column "time": found "yesterday"`, "! x:4: found 2 fields", `! x:5: column "A1": found "one"`, "80: [3 4]"}},
		{"CSV without an input", "time,A1\n2026-05-04T06:00:00Z,1\n2026-05-04T06:00:01Z,1\n",
			[]string{"! the lines cannot be read: x:1: found the columns A1; the test file also has inputs A2", "! the lines cannot be read: x:1"}},
		{"JSON", `{"time":"2026-05-04T06:00:00.02Z","A1":0.5,"A2":null}` + "\n" + `{"A2":3,"time":"2026-05-04T08:00:00.04+02:00"}` + "\n",
			[]string{"20: [0.5 NaN]", "40: [NaN 3]"}},
		{"JSON with units", `{"units":{"A1":"V/V"}}` + "\n" + `{"time":"2026-05-04T06:00:00.02Z","A1":1,"A2":2}` + "\n", []string{"20: [1 2]"}},
		{"JSON goes on behind bad lines", `{"time":"2026-05-04T06:00:00.02Z","A1":1,"A2":2}
{"time":"2026-05-04T06:00:00.04Z","A3":1}
{"time":"2026-05-04T06:00:00.04Z","A1":"1"}
{"time":"2026-05-04T06:00:00.04Z","A1":[1]}
{"time":"2026-05-04T06:00:00.04Z","A1":1e999}
{"time":"2026-05-04T06:00:00.04Z","A1":1,"A1":2}
{"time":"2026-05-04T06:00:00.04Z","A1":{"a":{"b":1}}}
{"time":1777874400,"A1":1}
{"A1":1}
{"time":"2026-05-04T06:00:00.04Z","A1":1
{"time":"2026-05-04T06:00:00.04Z","A1":1} {}
{"time":"2026-05-04T06:00:00.04Z","A1":true}
[1]
{"time":"2026-05-04T06:00:00.06Z","A1":3,"A2":4}
`, []string{"20: [1 2]", `! x:2: the input "A3", which the first row has not`, `! x:3: "A1" holds no number`, `! x:4: "A1" holds an array`,
			"! x:5: not one JSON object: \"A1\" holds 1e999", `! x:6: not one JSON object: the key "A1" twice`, `! x:7: not one JSON object: "a" holds objects`,
			`! x:8: "time" holds no text`, `! x:9: no "time"`, "! x:10: not one JSON object: it is cut off", "! x:11: not one JSON object: something follows",
			`! x:12: not one JSON object: "A1" holds true`, "! x:13: not one JSON object: it does not begin", "60: [3 4]"}},
		{"JSON whose first row lacks an input", `{"time":"2026-05-04T06:00:00Z","A1":1}` + "\n" + `{"time":"2026-05-04T06:00:00.02Z","A1":1,"A2":2}` + "\n",
			[]string{"! x:1: no A2; the first row names all inputs", "20: [1 2]"}},
		{"units of an input that does not come", `{"units":{"B9":"V/V"}}` + "\n" + `{"time":"2026-05-04T06:00:00Z","A1":1,"A2":2}` + "\n", []string{"! x:2: no B9"}},
	}
	for _, c := range tests {
		t.Run(c.name, func(t *testing.T) {
			got := decode(NewDecoder("x", test, "node"), c.text)
			if len(got) != len(c.want) {
				t.Fatalf("got %d: %q", len(got), got)
			}
			for i := range got {
				if !strings.HasPrefix(got[i], c.want[i]) {
					t.Errorf("line %d: got %q, want %q", i, got[i], c.want[i])
				}
			}
		})
	}
}

func TestDecoderKnowsUnits(t *testing.T) {
	test := load(t)
	for name, text := range map[string]string{
		"CSV":  "time,A1 [V/V],A2\n2026-05-04T06:00:00Z,1,2\n",
		"JSON": `{"units":{"A1":"V/V"}}` + "\n" + `{"time":"2026-05-04T06:00:00Z","A1":1,"A2":2}` + "\n",
	} {
		d := NewDecoder("x", test, "node")
		decode(d, text)
		c := d.Columns()
		if len(c) != 2 || c[0].Name != "A1" || c[0].Unit != "V/V" || c[1].Name != "A2" || c[1].Unit != "" {
			t.Errorf("%s: %+v", name, c)
		}
	}
}

func TestFramerClosesFrames(t *testing.T) {
	columns := []frame.Column{{Name: "A1"}}
	const ms = int64(time.Millisecond)
	tests := []struct {
		name  string
		rate  float64
		times []int64 // ms
		want  []int   // rows a frame
	}{
		{"by rows: 50 ms at 100 Hz are 5", 100, []int64{0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100}, []int{5, 5, 1}},
		{"by time, where rows are missing", 100, []int64{0, 10, 49, 50, 60, 200, 210}, []int{3, 2, 2}},
		{"never below one row", 1, []int64{0, 1000, 2000}, []int{1, 1, 1}},
	}
	for _, c := range tests {
		t.Run(c.name, func(t *testing.T) {
			a := NewFramer("node", "b", c.rate, columns)
			var got []int
			take := func() {
				if f := a.Take(); f != nil {
					if f.Number != uint64(len(got)) || f.Counter != a.Rows() || f.Source != "node" || f.Boot != "b" {
						t.Errorf("%+v", f)
					}
					got = append(got, f.Rows())
					a.Done()
				}
			}
			for _, at := range c.times {
				for {
					taken, err := a.Add(at*ms, []float64{float64(at)})
					if err != nil {
						t.Fatal(err)
					}
					if taken {
						break
					}
					take()
				}
				if a.Full() {
					take()
				}
			}
			take()
			if !slices.Equal(got, c.want) {
				t.Errorf("frames of %v rows, want %v", got, c.want)
			}
		})
	}
}

func TestFramerWantsRisingTimes(t *testing.T) {
	a := NewFramer("node", "b", 100, []frame.Column{{Name: "A1"}})
	for _, c := range []struct {
		at   int64
		want error
	}{{10, nil}, {10, ErrTime}, {9, ErrTime}, {11, nil}} {
		if _, err := a.Add(c.at, []float64{1}); !errors.Is(err, c.want) {
			t.Errorf("%d: %v", c.at, err)
		}
	}
	if f := a.Take(); f.Rows() != 2 {
		t.Errorf("%d rows", f.Rows())
	}
}

func TestLinesComeWholeHoweverTheyArrive(t *testing.T) {
	text := "one\ntwo\r\n\n" + strings.Repeat("x", MaxLine) + "\n" + strings.Repeat("y", MaxLine+1) + "\nthree\ncut"
	want := []string{"one true", "two\r true", " true", "1048576 true", "1048576 false", "three true", "cut false"}
	for _, size := range []int{1, 2, 3, 7, 4096, 65536, len(text)} {
		var got []string
		add := func(text []byte, whole bool) {
			shown := string(text)
			if len(text) > 100 {
				shown = fmt.Sprint(len(text))
			}
			got = append(got, fmt.Sprint(shown, " ", whole))
		}
		var l Lines
		for piece := range slices.Chunk([]byte(text), size) {
			l.Push(piece, add)
		}
		l.End(add)
		l.End(add)
		if !slices.Equal(got, want) {
			t.Errorf("pieces of %d: %q", size, got)
		}
	}
}

func TestMessage(t *testing.T) {
	test := load(t)
	m, err := ParseMessage([]byte(`{"boot":"b","counter":9007199254740993,"units":{"A1":"V/V"},
		"time":["2026-05-04T06:00:00Z","2026-05-04T06:00:00.02Z"],"A1":[1,null],"A2":[3,4]}`), test, "node")
	if err != nil {
		t.Fatal(err)
	}
	if m.Boot != "b" || m.Counter != 1<<53+1 || len(m.Time) != 2 || m.Time[1]-m.Time[0] != 20e6 ||
		m.Columns[0].Unit != "V/V" || m.Columns[1].Unit != "" || m.Columns[0].Float[0] != 1 || !math.IsNaN(m.Columns[0].Float[1]) || m.Columns[1].Float[1] != 4 {
		t.Errorf("%+v", m)
	}
	m, err = ParseMessage([]byte(`{"time":"2026-05-04T06:00:00Z","A1":1,"A2":2}`), test, "node")
	if err != nil || m.Boot != "" || len(m.Time) != 1 {
		t.Errorf("one row: %+v, %v", m, err)
	}
	for text, want := range map[string]string{
		`{"boot":"b","time":"2026-05-04T06:00:00Z","A1":1,"A2":2}`:                       "go together",
		`{"counter":1,"time":"2026-05-04T06:00:00Z","A1":1,"A2":2}`:                      "go together",
		`{"boot":"","counter":1,"time":"2026-05-04T06:00:00Z","A1":1,"A2":2}`:            `"boot" is no text`,
		`{"boot":"b","counter":1.5,"time":"2026-05-04T06:00:00Z","A1":1,"A2":2}`:         "not a whole number",
		`{"boot":"b","counter":-1,"time":"2026-05-04T06:00:00Z","A1":1,"A2":2}`:          "not a whole number",
		`{"boot":"b","counter":null,"time":"2026-05-04T06:00:00Z","A1":1,"A2":2}`:        "no whole number",
		`{"time":"2026-05-04T06:00:00Z","A1":1}`:                                         `no "A2"`,
		`{"A1":1,"A2":2}`:                                                                `no "time"`,
		`{"time":["2026-05-04T06:00:01Z","2026-05-04T06:00:00Z"],"A1":[1,2],"A2":[1,2]}`: "not later",
		`{"time":["2026-05-04T06:00:00Z","2026-05-04T06:00:01Z"],"A1":[1,2],"A2":2}`:     `"A2" has 1 readings at 2 times`,
		`{"time":["2026-05-04T06:00:00Z",1],"A1":[1,2],"A2":[1,2]}`:                      "mixes text and numbers",
		`{"time":"2026-05-04T06:00:00Z","A1":1,"A2":2,"units":{"A1":1}}`:                 "the unit of",
		`{"time":"2026-05-04T06:00:00Z","A1":1,"A2":2,"units":"V/V"}`:                    `"units" is no object`,
		`{"time":"2026-05-04T06:00:00Z","A1":"x","A2":2}`:                                `"A1" holds no number`,
		`{"time":[],"A1":[],"A2":[]}`:                                                    "holds no",
		``:                                                                               "cut off",
	} {
		if _, err := ParseMessage([]byte(text), test, "node"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}

// Whatever comes: no panic, and what is taken is what a frame may hold.
func FuzzLines(f *testing.F) {
	test := load(f)
	f.Add([]byte("time,A1,A2\n2026-05-04T06:00:00Z,1,2\n2026-05-04T06:00:01Z,,x\n"))
	f.Add([]byte(`{"units":{"A1":"mV/V"}}` + "\n" + `{"time":"2026-05-04T06:00:00Z","A1":1,"A2":null}` + "\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		var l Lines
		d := NewDecoder("x", test, "node")
		var a *Framer
		taken := func(text []byte, whole bool) {
			at, readings, ok, err := d.Line(text)
			if err != nil && ok {
				t.Fatalf("%q is refused and taken", text)
			}
			if !ok {
				return
			}
			if len(readings) != len(d.Columns()) || len(readings) < 2 {
				t.Fatalf("%d readings of %d columns", len(readings), len(d.Columns()))
			}
			for _, v := range readings {
				if math.IsInf(v, 0) {
					t.Fatalf("an infinity from %q", text)
				}
			}
			if a == nil {
				a = NewFramer("node", "b", 50, d.Columns())
			}
			if ok, err := a.Add(at, readings); !ok && err == nil {
				if _, err := frame.EncodeWire(nil, a.Take()); err != nil {
					t.Fatal(err)
				}
				a.Done()
			}
		}
		l.Push(text, taken)
		l.End(taken)
	})
}

func FuzzMessage(f *testing.F) {
	test := load(f)
	f.Add([]byte(`{"boot":"b","counter":7,"units":{"A1":"V/V"},"time":["2026-05-04T06:00:00Z","2026-05-04T06:00:00.02Z"],"A1":[1,null],"A2":[3,4]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := ParseMessage(text, test, "node")
		if err != nil {
			return
		}
		fr := &frame.Frame{Source: "node", Boot: "b", Time: m.Time, Columns: m.Columns}
		_, err = frame.EncodeWire(nil, fr)
		var wire *frame.WireError
		if err != nil && !errors.As(err, &wire) {
			t.Fatal(err)
		}
	})
}

// A damaged time stamp far ahead takes no other row with it; a clock that was set is
// followed from its second row on.
func TestALeapOfTime(t *testing.T) {
	const year = int64(365 * 24 * time.Hour)
	a := NewFramer("node", "one", 10, []frame.Column{{Name: "ch1", Unit: "mV/V"}})
	for i, c := range []struct {
		at   int64
		want error
	}{
		{100, nil}, {73 * year, ErrLeap}, {200, nil}, {200, ErrTime}, {math.MaxInt64, ErrLeap}, {300, nil},
		{50 * year, ErrLeap}, {49 * year, ErrLeap}, {49*year + 1, nil}, {49*year + 2, nil}, {400, ErrTime},
	} {
		taken, err := a.Add(c.at, []float64{1})
		for !taken {
			a.Take()
			a.Done()
			taken, err = a.Add(c.at, []float64{1})
		}
		if !errors.Is(err, c.want) {
			t.Errorf("row %d at %d: %v, want %v", i, c.at, err, c.want)
		}
	}
	if rows := a.Rows() + uint64(len(a.Take().Time)); rows != 5 {
		t.Errorf("%d rows, want 5", rows)
	}
}

// What is other about columns that cannot follow is said column by column.
func TestColumnsThatCannotFollow(t *testing.T) {
	a := NewFramer("node", "one", 10, []frame.Column{{Name: "A1", Unit: "mV/V"}, {Name: "A2", Unit: "mV/V"}})
	for _, c := range []struct {
		columns []frame.Column
		says    string
	}{
		{[]frame.Column{{Name: "A1", Unit: "mV/V"}, {Name: "A2", Unit: "mV/V"}}, ""},
		{[]frame.Column{{Name: "A1", Unit: "V/V"}, {Name: "A2", Unit: "mV/V"}}, "not the columns before: the unit of A1 changed from mV/V to V/V"},
		{[]frame.Column{{Name: "A1", Unit: "mV/V"}}, "A2 is missing"},
		{[]frame.Column{{Name: "A1", Unit: "mV/V"}, {Name: "B", Unit: "V"}, {Name: "A2", Unit: "mV/V"}}, "not the columns before: B is new"},
		{[]frame.Column{{Name: "A2", Unit: "mV/V"}, {Name: "A1", Unit: "mV/V"}}, "A2 is column 1, was 2, A1 is column 2, was 1"},
	} {
		err := a.Fits(c.columns)
		if c.says == "" && err != nil || c.says != "" && (!errors.Is(err, ErrColumns) || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%v: %v, want %q", c.columns, err, c.says)
		}
	}
}
