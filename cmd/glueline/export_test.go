package main

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/simulate"
)

const testJS = "../../testdata/js"

// outsideJS is what a Node program with libraries that are not ours prints.
func outsideJS(t *testing.T, dir, program string, args ...string) string {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		t.Fatalf("Node.js is missing (%v): install it, then run npm ci --prefix testdata/js", err)
	}
	if _, err := os.Stat(filepath.Join(testJS, "node_modules", "hyparquet")); err != nil {
		t.Fatalf("hyparquet is missing: run npm ci --prefix testdata/js")
	}
	c := exec.Command(node, append([]string{program}, args...)...)
	c.Dir = dir
	var errs strings.Builder
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s: %v: %s", program, err, errs.String())
	}
	return string(out)
}

func absolute(t *testing.T, path string) string {
	t.Helper()
	whole, err := filepath.Abs(path)
	if err != nil {
		t.Fatal(err)
	}
	return whole
}

// seenParquet is what read-parquet.mjs prints.
type seenParquet struct {
	Rows     int
	Metadata [][2]string
	Columns  []struct {
		Name, Type  string
		Logical     *string
		Nanoseconds bool
		UTC         *bool
		Values      []any
	}
}

func exported(t *testing.T, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "tables")
	status, text, errs := glueline(t.Context(), append([]string{"export", "--out", out, "--quiet"}, args...)...)
	if status != 0 || errs != "" || !strings.Contains(text, "not a protective system") {
		t.Fatalf("%d %s%s", status, text, errs)
	}
	return out
}

// A reader that is not ours finds in a Parquet file every value that the segments
// hold, bit for bit, with its time, its flags and the names with units.
func TestParquetIsWhatTheSegmentsHold(t *testing.T) {
	raw := t.TempDir()
	truth, err := simulate.Write(raw, simulate.Options{Seed: 4, Duration: 30 * time.Minute}, nil)
	if err != nil {
		t.Fatal(err)
	}
	results := reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...)
	tables := exported(t, results, "--format", "parquet")
	values, nulls := 0, 0
	for source, want := range readSegments(t, results) {
		var got seenParquet
		if err := json.Unmarshal([]byte(outsideJS(t, "", filepath.Join(testJS, "read-parquet.mjs"), filepath.Join(tables, source+".parquet"))), &got); err != nil {
			t.Fatal(err)
		}
		if got.Rows != len(want.time) || len(got.Columns) != 2+len(want.fields) {
			t.Fatalf("%s: %d rows, %d columns", source, got.Rows, len(got.Columns))
		}
		var said saidExport
		if len(got.Metadata) != 1 || json.Unmarshal([]byte(got.Metadata[0][1]), &said) != nil || said.Tables[0].Columns[2].Unit == "" || said.Note != exportSays {
			t.Errorf("%s: metadata %v", source, got.Metadata)
		}
		if c := got.Columns[0]; c.Name != "time" || c.Logical == nil || *c.Logical != "TIMESTAMP" || !c.Nanoseconds || c.UTC == nil || !*c.UTC || got.Columns[1].Name != "sample" {
			t.Errorf("%s: %+v", source, c)
		}
		for _, c := range got.Columns {
			for i, v := range c.Values {
				same := false
				switch {
				case c.Name == "time":
					same = v == strconv.FormatInt(want.time[i], 10)
				case c.Name == "sample":
					same = v == strconv.FormatUint(want.sample[i], 10)
				case strings.HasSuffix(c.Name, " flags"):
					same = v == float64(want.flags[c.Name][i])
				default:
					x := want.column(t, c.Name)[i]
					number, ok := v.(float64)
					same = ok && math.Float64bits(number) == math.Float64bits(x) || v == nil && x != x || ok && number == 0 && x == 0
					values++
					if v == nil {
						nulls++
					}
				}
				if !same {
					t.Fatalf("%s of %s, row %d: %v", c.Name, source, i, v)
				}
			}
		}
	}
	if values < 50000 || nulls == 0 || nulls == values {
		t.Errorf("%d values, %d of them null", values, nulls)
	}
}

// Rows put together are the least, the largest and the mean of what no flag leaves
// out; a tare is subtracted and named; what it has no meaning for is left out.
func TestExportPutsRowsTogether(t *testing.T) {
	raw := t.TempDir()
	truth, err := simulate.Write(raw, simulate.Options{Seed: 4, Duration: 30 * time.Minute, Faults: simulate.NoFaults}, nil)
	if err != nil {
		t.Fatal(err)
	}
	results := reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...)
	all := readSegments(t, results)["skin"]
	strain, flags := all.column(t, "skin-9 [m/m]"), all.flags["skin-9 flags"]
	from, to := time.Date(2026, 5, 4, 6, 10, 0, 0, time.UTC), time.Date(2026, 5, 4, 6, 12, 0, 0, time.UTC)
	used := func(i int) bool { return strain[i] == strain[i] && flags[i]&flag.LeavesOut == 0 }
	tare, n := 0.0, 0.0
	for i, at := range all.time {
		if used(i) && at >= from.UnixNano() && at < to.UnixNano() {
			n++
			tare += (strain[i] - tare) / n
		}
	}
	of := func(args ...string) []map[string]string {
		out := exported(t, append([]string{results, "--channels", "skin-9", "--tare", "dry", "--tare-from", from.Format(time.RFC3339), "--tare-to", to.Format(time.RFC3339)}, args...)...)
		return rowsOf(t, read(t, filepath.Join(out, "skin.csv")))
	}
	check := func(rows []map[string]string, key func(i int) int64) {
		t.Helper()
		at := 0
		for _, row := range rows {
			least, most, sum, n, whole, k := math.Inf(1), math.Inf(-1), 0.0, 0, 0, key(at)
			if at == 0 && row["time"] != stamp(all.time[0]) && row["time"] != stamp(k) {
				t.Fatalf("begins at %v", row)
			}
			for ; at < len(strain) && key(at) == k; at++ {
				whole++
				if used(at) {
					v := strain[at] - tare
					least, most, sum, n = min(least, v), max(most, v), sum+v, n+1
				}
			}
			if row["rows"] != strconv.Itoa(whole) || row["skin-9 less dry used"] != strconv.Itoa(n) {
				t.Fatalf("%v: want %d rows, %d used", row, whole, n)
			}
			near := func(column string, want float64) {
				if got := number(t, row, "skin-9 less dry "+column+" [m/m]"); n > 0 && !(math.Abs(got-want) <= 1e-15) || n == 0 && got == got {
					t.Fatalf("%s is %v, want %v", column, got, want)
				}
			}
			near("min", least)
			near("max", most)
			near("mean", sum/float64(n))
		}
		if at != len(strain) || len(rows) < 10 {
			t.Errorf("%d rows of %d samples", len(rows), at)
		}
	}
	check(of("--every", "100"), func(i int) int64 { return int64(i / 100) })
	minute := int64(time.Minute)
	check(of("--every", "1m"), func(i int) int64 { return all.time[i] / minute * minute })

	// Practical units, a stretch of time, and rows left out by their flags.
	out := exported(t, results, "--channels", "skin-9", "--units", "practical", "--flagged", "drop", "--to", to.Format(time.RFC3339))
	rows := rowsOf(t, read(t, filepath.Join(out, "skin.csv")))
	k := 0
	for i, at := range all.time {
		if at >= to.UnixNano() || !used(i) {
			continue
		}
		if row := rows[k]; row["time"] != stamp(at) || number(t, row, "skin-9 [um/m]") != strain[i]*1e6 {
			t.Fatalf("%v, want %v at %s", row, strain[i]*1e6, stamp(at))
		}
		k++
	}
	if k != len(rows) || k == len(strain) {
		t.Errorf("%d rows, want %d", len(rows), k)
	}
	// A direction that goes through 90 degrees has no mean of 0.
	out = exported(t, results, "--channels", "heel-e", "--every", "1m", "--tare", "dry", "--tare-from", from.Format(time.RFC3339), "--tare-to", to.Format(time.RFC3339))
	if text := read(t, filepath.Join(out, "frame.csv")); strings.Contains(text, " e1 ") || !strings.Contains(text, "heel-e gxy less dry mean [m/m]") {
		t.Errorf("%.300s", text)
	}
}

func TestExportSaysWhatIsWrong(t *testing.T) {
	raw := t.TempDir()
	truth, err := simulate.Write(raw, simulate.Options{Seed: 4, Duration: 10 * time.Minute, Faults: simulate.NoFaults}, nil)
	if err != nil {
		t.Fatal(err)
	}
	results := reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...)
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"no such channel", []string{"--channels", "nobody"}, `no channel "nobody"`},
		{"no zone", []string{"--from", "2026-05-04T06:00:00"}, "write it with its zone"},
		{"backwards", []string{"--from", "2026-05-04T07:00:00Z", "--to", "2026-05-04T06:00:00Z"}, "is not before"},
		{"one row", []string{"--every", "1"}, "puts nothing together"},
		{"below zero", []string{"--every=-5s"}, "puts nothing together"},
		{"no unit", []string{"--every", "soon"}, "a time with its unit"},
		{"a tare without a name", []string{"--tare-from", "2026-05-04T06:00:00Z"}, "a tare has a name"},
		{"a tare of nothing", []string{"--channels", "skin-9", "--tare", "x", "--tare-from", "2027-05-04T06:00:00Z", "--tare-to", "2027-05-04T06:01:00Z"}, "no reading to tare by"},
		{"another time", []string{"--from", "2030-01-01T00:00:00Z"}, "has nothing from"},
	} {
		dir := t.TempDir()
		status, _, errs := glueline(t.Context(), append([]string{"export", results, "--out", filepath.Join(dir, "x")}, c.args...)...)
		if status != 1 || !strings.Contains(errs, c.want) {
			t.Errorf("%s: %d, want %q in %s", c.name, status, c.want, errs)
		}
		if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
			t.Errorf("%s left %v", c.name, left)
		}
	}
	full := filepath.Dir(write(t, t.TempDir(), "mine.txt", "x"))
	if status, _, errs := glueline(t.Context(), "export", results, "--out", full); status != 1 || !strings.Contains(errs, "name a new folder") {
		t.Errorf("%d %s", status, errs)
	}
}

// The recipes of deploy/READING.md run as they stand there, and find what the
// segments hold.
func TestRecipesOfReading(t *testing.T) {
	raw := t.TempDir()
	truth, err := simulate.Write(raw, simulate.Options{Seed: 4, Duration: 2 * time.Hour, Faults: simulate.NoFaults}, nil)
	if err != nil {
		t.Fatal(err)
	}
	results := reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...)
	dir := t.TempDir()
	for name, format := range map[string]string{"tables": "parquet", "text": "csv"} {
		if status, _, errs := glueline(t.Context(), "export", results, "--out", filepath.Join(dir, name), "--format", format, "-q"); status != 0 {
			t.Fatal(errs)
		}
	}
	if err := os.Symlink(absolute(t, filepath.Join(testJS, "node_modules")), filepath.Join(dir, "node_modules")); err != nil {
		t.Fatal(err)
	}
	all := readSegments(t, results)["skin"]
	largest, good := math.Inf(-1), 0
	for i, v := range all.column(t, "skin-9 [m/m]") {
		if all.flags["skin-9 flags"][i] == 0 && v == v {
			largest, good = max(largest, v), good+1
		}
	}
	recipes := map[string][]string{}
	for _, m := range regexp.MustCompile("(?s)```(sql|js|python)\n(.*?)```").FindAllStringSubmatch(read(t, "../../deploy/READING.md"), -1) {
		recipes[m[1]] = append(recipes[m[1]], m[2])
	}
	if len(recipes["sql"]) != 3 || len(recipes["js"]) != 1 || len(recipes["python"]) != 1 {
		t.Fatalf("%d, %d and %d recipes", len(recipes["sql"]), len(recipes["js"]), len(recipes["python"]))
	}
	var answers [3][]map[string]any
	for i, sql := range recipes["sql"] {
		if err := json.Unmarshal([]byte(outsideJS(t, dir, absolute(t, filepath.Join(testJS, "query.mjs")), sql)), &answers[i]); err != nil {
			t.Fatal(err)
		}
	}
	most, samples := math.Inf(-1), 0
	for _, row := range answers[0] {
		most = max(most, row["microstrain"].(float64))
		n, _ := strconv.Atoi(row["samples"].(string))
		samples += n
	}
	if len(answers[0]) != 2 || !(math.Abs(most-largest*1e6) <= 1e-9) || samples != good {
		t.Errorf("hours: %v; want %v in %d samples", answers[0], largest*1e6, good)
	}
	if len(answers[1]) != good || answers[1][good-1]["level"] == nil {
		t.Errorf("%d rows beside the level, want %d", len(answers[1]), good)
	}
	if a := answers[2]; len(a) != 1 || a[0]["n"] != strconv.Itoa(good) {
		t.Errorf("CSV: %v", a)
	}
	var found struct{ Strain float64 }
	program := write(t, dir, "recipe.mjs", recipes["js"][0])
	if err := json.Unmarshal([]byte(outsideJS(t, dir, program)), &found); err != nil || found.Strain != largest {
		t.Errorf("JavaScript: %v, %v, want %v", found, err, largest)
	}
	python := exec.Command(pythonWithNumPy(t), "-c", recipes["python"][0])
	python.Dir = dir
	said, err := python.CombinedOutput()
	if v, bad := strconv.ParseFloat(strings.TrimSpace(string(said)), 64); err != nil || bad != nil || v != largest {
		t.Errorf("NumPy: %s, %v, want %v", said, err, largest)
	}
}
