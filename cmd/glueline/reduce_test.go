package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/simulate"
	"glueline/sinks/segment"
)

// reduced is what the segments of one source hold, over all cuts.
type reduced struct {
	fields  []segment.Field // behind time and sample
	time    []int64
	sample  []uint64
	columns map[string][]float64   // by name with unit; NaN where null
	flags   map[string][]flag.Mask // by name
	about   map[string]string      // metadata of the schema
}

// column returns a column that must be there.
func (r *reduced) column(t *testing.T, name string) []float64 {
	t.Helper()
	c, ok := r.columns[name]
	if !ok {
		t.Fatalf("no column %q", name)
	}
	return c
}

// readSegments reads a folder of results, every batch against its checksum.
func readSegments(t *testing.T, dir string) map[string]*reduced {
	t.Helper()
	records, err := filepath.Glob(filepath.Join(dir, "*.commit.json"))
	if err != nil || len(records) == 0 {
		t.Fatalf("%d commit records in %s: %v", len(records), dir, err)
	}
	slices.Sort(records)
	all := map[string]*reduced{}
	for _, path := range records {
		record, err := segment.ReadCommit(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range record.Files {
			appendSegment(t, all, dir, f)
		}
	}
	return all
}

func appendSegment(t *testing.T, all map[string]*reduced, dir string, f segment.File) {
	t.Helper()
	s, err := segment.ReadCommitted(dir, f)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	about := map[string]string{}
	for _, m := range s.Metadata {
		about[m[0]] = m[1]
	}
	r := all[about["source"]]
	if r == nil {
		r = &reduced{fields: s.Fields[2:], about: about, columns: map[string][]float64{}, flags: map[string][]flag.Mask{}}
		all[about["source"]] = r
	}
	for {
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		r.time = append(r.time, b.Time...)
		r.sample = append(r.sample, b.Counter...)
		for i, field := range r.fields {
			if field.Kind == segment.Flags {
				for _, m := range b.Columns[i].Flags {
					r.flags[field.Name] = append(r.flags[field.Name], flag.Mask(m))
				}
			} else {
				r.columns[field.Name] = append(r.columns[field.Name], b.Columns[i].Float...)
			}
		}
	}
}

// glueline runs a command as from a shell, in this process.
func glueline(ctx context.Context, args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(ctx, args, streams{&o, &e})
	return status, o.String(), e.String()
}

// reduceTo reduces raw files into a new folder and returns it.
func reduceTo(t *testing.T, args ...string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "out")
	status, out, errs := glueline(t.Context(), append(append([]string{"reduce"}, args...), "--out", dir, "--quiet")...)
	if status != 0 || out != "" || errs != "" {
		t.Fatalf("status %d: %s%s", status, out, errs)
	}
	return dir
}

// write makes a file in a folder and returns its path.
func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// edit changes a file in one place that must be there.
func edit(t *testing.T, path, old, new string) {
	t.Helper()
	text := read(t, path)
	if !strings.Contains(text, old) {
		t.Fatalf("%s has no %q", path, old)
	}
	if err := os.WriteFile(path, []byte(strings.ReplaceAll(text, old, new)), 0o644); err != nil {
		t.Fatal(err)
	}
}

// window is how long around an instant reduced values are averaged.
const window = time.Minute

// What the simulator put in comes out of the files: strain at every instant of
// the truth, by the rows that no flag stands on. The allowance is for the drift
// of amplifiers, up to 1.2 um/m, beside noise and resolution.
func TestReduceRecoversTheTruth(t *testing.T) {
	truth, err := simulate.Write(t.TempDir(), simulate.Options{Seed: 3, Duration: 24 * time.Hour, Rate: 0.2}, nil)
	if err != nil {
		t.Fatal(err)
	}
	all := readSegments(t, reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...))
	// Moisture and a gain that somebody turned alter strain without a mark on any
	// one sample: they show over time only.
	altered := map[string]time.Time{}
	for _, f := range truth.Faults {
		if f.Kind == simulate.Moisture || f.Kind == simulate.Saturated {
			altered[f.Channel] = simulate.DefaultStart.Add(f.At)
		}
	}
	compared := map[string]int{}
	for _, in := range truth.Instants {
		for name, want := range in.Strain {
			if since, ok := altered[name]; ok && in.Time.After(since) {
				continue
			}
			got, rows := unflaggedMean(all, name, in.Time)
			if rows == 0 {
				continue
			}
			compared[name]++
			if !(math.Abs(got-want) <= 2.5e-6+1e-4*math.Abs(want)) {
				t.Errorf("%s at %s: %.4g, true %.4g", name, in.Time.Format(time.DateTime), got, want)
			}
		}
	}
	full := 0
	for _, n := range compared {
		if n == len(truth.Instants) {
			full++
		}
	}
	if len(compared) != 32 || full < 20 {
		t.Errorf("%d channels were compared, %d of them at all %d instants: %v", len(compared), full, len(truth.Instants), compared)
	}
}

// unflaggedMean averages a channel over the rows around an instant that no flag
// of the sample stands on; that of the installation's record stands on all.
func unflaggedMean(all map[string]*reduced, name string, at time.Time) (mean float64, rows int) {
	for _, r := range all {
		masks, ok := r.flags[name+" flags"]
		if !ok {
			continue
		}
		first, _ := slices.BinarySearch(r.time, at.Add(-window/2).UnixNano())
		end, _ := slices.BinarySearch(r.time, at.Add(window/2).UnixNano())
		for i := first; i < end; i++ {
			if masks[i]&^flag.InstallationRule == 0 {
				mean += r.columns[name+" [m/m]"][i]
				rows++
			}
		}
	}
	return mean / float64(rows), rows
}

// In the files, as to whoever opens them: the copper part's missed ten minutes
// on all of its samples, the cyanoacrylate's heat on the dark plate in one
// afternoon and, as "has been since", until the signed check; nowhere else.
func TestReduceFlagsTheInstallations(t *testing.T) {
	truth, err := simulate.Write(t.TempDir(), simulate.Options{Seed: 2, Rate: 0.05, Faults: simulate.NoFaults, Format: "arrow"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	all := readSegments(t, reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...))
	channels := 0
	for _, r := range all {
		for name, masks := range r.flags {
			if r.columns[strings.TrimSuffix(name, " flags")+" [m/m]"] == nil {
				continue // of a rosette
			}
			channels++
			count := map[flag.Mask]int{}
			for _, m := range masks {
				for _, f := range []flag.Mask{flag.InstallationRule, flag.AdhesiveRange, flag.WasOutside} {
					if m&f != 0 {
						count[f]++
					}
				}
			}
			rule, hot, since := count[flag.InstallationRule], count[flag.AdhesiveRange], count[flag.WasOutside]
			switch name {
			case "bush flags":
				if rule != len(masks) || hot+since != 0 {
					t.Errorf("%s: installation-rule on %d of %d samples, %d hot, %d since", name, rule, len(masks), hot, since)
				}
			case "skin-1 flags":
				if rule != 0 || hot < 180 || since < 1800 || since > 3600 {
					t.Errorf("%s: installation-rule on %d samples, %d hot, %d since", name, rule, hot, since)
				}
			default:
				if rule+hot+since != 0 {
					t.Errorf("%s: installation-rule on %d samples, %d hot, %d since", name, rule, hot, since)
				}
			}
		}
	}
	if channels != 32 {
		t.Errorf("flags of %d channels", channels)
	}
}

// benchTest is a test file of one source, quarter bridges of gauge factor 2.1
// without leads or thermal output, and what a test adds.
func benchTest(source string, gauges int, more string) string {
	var b strings.Builder
	b.WriteString("test: {name: bench, zero: {first: 2 s}}\n")
	fmt.Fprintf(&b, "sources:\n  node: {rate: 10 Hz, %s}\n", source)
	b.WriteString("lots:\n  one: {resistance: 350 ohm, gauge-factor: 2.1, transverse-sensitivity: 1.3 %}\n")
	b.WriteString("materials:\n  plate: {young: 200 GPa, poisson: 0.3, expansion: 12e-6 /K}\n")
	b.WriteString("gauges:\n")
	for i := range gauges {
		fmt.Fprintf(&b, "  g%d: {lot: one}\n", i)
	}
	b.WriteString("positions:\n")
	for i := range gauges {
		fmt.Fprintf(&b, "  c%d: {material: plate}\n", i)
	}
	b.WriteString(more)
	return b.String()
}

// oneChannel wires g0 to the input A and calls it c0.
const oneChannel = `
wiring:
  - {position: c0, gauge: g0, input: node/A}
channels:
  c0: {bridge: quarter_3wire, transverse: none}
`

const benchRows = 300

// benchRatio is a bridge ratio in V/V that is still for the two seconds of the
// zero, and an excitation in V that is not.
func benchRatio(row int) (ratio, excitation float64) {
	t := float64(row) / 10
	ratio = 0.31e-3
	if row >= 20 {
		ratio += 1.7e-3 * math.Sin(t/4-0.5)
	}
	return ratio, 5 * (1 + 2e-3*math.Sin(t))
}

// benchStrain is what a quarter bridge of equal arms makes of it: r = GF e / (4
// + 2 GF e) solved for e.
func benchStrain(row int) float64 {
	zero, _ := benchRatio(0)
	r, _ := benchRatio(row)
	return 4 * (r - zero) / (2.1 * (1 - 2*(r-zero)))
}

var benchStart = time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC)

// benchTime is the time of a row.
func benchTime(row int) time.Time { return benchStart.Add(time.Duration(row) * 100 * time.Millisecond) }

// rawText writes rows as CSV, numbers with all their digits.
func rawText(header string, rows int, row func(i int) []float64) string {
	var b strings.Builder
	b.WriteString(header + "\n")
	for i := range rows {
		b.WriteString(benchTime(i).Format(time.RFC3339Nano))
		for _, v := range row(i) {
			b.WriteString("," + strconv.FormatFloat(v, 'g', -1, 64))
		}
		b.WriteString("\n")
	}
	return b.String()
}

// strainOf reduces one raw file by a test file and returns the strain of c0.
func strainOf(t *testing.T, test, raw string) []float64 {
	t.Helper()
	dir := t.TempDir()
	out := reduceTo(t, write(t, dir, "test.yaml", test), write(t, dir, "node.csv", raw))
	return readSegments(t, out)["node"].column(t, "c0 [m/m]")
}

// The same bridge in every form that an instrument may log it in gives the same
// strain, within the form's resolution.
func TestEveryRawFormGivesTheSameStrain(t *testing.T) {
	const exact = 1e-13
	for _, c := range []struct {
		name, source, header string
		row                  func(ratio, excitation float64) []float64
		within               float64
	}{
		{"ratio", "unit: V/V", "time,A", func(r, _ float64) []float64 { return []float64{r} }, exact},
		{"ratio, unit in the header", "clock-tolerance: 1 ms", "time,A [V/V]", func(r, _ float64) []float64 { return []float64{r} }, exact},
		{"per mille", "unit: V/V", "time,A (mV/V)", func(r, _ float64) []float64 { return []float64{r * 1e3} }, exact},
		{"volts, nominal excitation", "unit: V, excitation: 2.5 V", "time,A", func(r, _ float64) []float64 { return []float64{r * 2.5} }, exact},
		{"volts, measured excitation", "excitation-input: X", "time,A [V],X [V]", func(r, x float64) []float64 { return []float64{r * x, x} }, exact},
		{"millivolts, measured excitation", "excitation-input: X", "time,X [V],A [mV]", func(r, x float64) []float64 { return []float64{x, r * x * 1e3} }, exact},
		// One count is 0.95 nm/m; reading and zero are off by half of one each.
		{"counts", "scale: 0.5 nV/V", "time,A [count]", func(r, _ float64) []float64 { return []float64{math.Round(r / 0.5e-9)} }, 0.96e-9},
		{"counts of volts", "unit: count, scale: 2 nV, excitation: 4 V", "time,A", func(r, _ float64) []float64 { return []float64{math.Round(r * 4 / 2e-9)} }, 0.96e-9},
		{"a logger's microstrain", "logger: {gauge-factor: 2}", "time,A [microstrain]",
			func(r, _ float64) []float64 { return []float64{4 * r / 2 * 1e6} }, exact},
		{"a logger's microstrain, compression positive", "logger: {gauge-factor: 2.05, bridge-factor: 2, sign: tension-negative}", "time,A [microstrain]",
			func(r, _ float64) []float64 { return []float64{-4 * r / (2.05 * 2) * 1e6} }, exact},
		{"a logger's microstrain, linearised", "logger: {gauge-factor: 2, linearised: yes}", "time,A [microstrain]",
			func(r, _ float64) []float64 { return []float64{4 * r / (2 * (1 - 2*r)) * 1e6} }, exact},
	} {
		t.Run(c.name, func(t *testing.T) {
			raw := rawText(c.header, benchRows, func(i int) []float64 { return c.row(benchRatio(i)) })
			compareStrain(t, strainOf(t, benchTest(c.source, 1, oneChannel), raw), c.within)
		})
	}
	t.Run("counts in Arrow", func(t *testing.T) {
		dir := t.TempDir()
		counts, times := make([]int32, benchRows), make([]int64, benchRows)
		for i := range counts {
			r, _ := benchRatio(i)
			counts[i], times[i] = int32(math.Round(r/0.5e-9)), benchTime(i).UnixNano()
		}
		path := writeArrow(t, dir, times, frame.Column{Name: "A", Unit: "count", Counts: counts})
		out := reduceTo(t, write(t, dir, "test.yaml", benchTest("scale: 0.5 nV/V", 1, oneChannel)), path)
		compareStrain(t, readSegments(t, out)["node"].column(t, "c0 [m/m]"), 0.96e-9)
	})
}

func writeArrow(t *testing.T, dir string, times []int64, columns ...frame.Column) string {
	t.Helper()
	path := filepath.Join(dir, "node.arrow")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := frame.NewArrowWriter(f, "node", columns)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Write(times, columns), w.Close()); err != nil {
		t.Fatal(err)
	}
	return path
}

func compareStrain(t *testing.T, got []float64, within float64) {
	t.Helper()
	if len(got) != benchRows {
		t.Fatalf("%d rows", len(got))
	}
	for i, e := range got {
		switch {
		case i < 20:
			if !math.IsNaN(e) {
				t.Fatalf("row %d is %g before the end of the zero", i, e)
			}
		case !(math.Abs(e-benchStrain(i)) <= within):
			t.Fatalf("row %d is %.12g, want %.12g", i, e, benchStrain(i))
		}
	}
}

// The same numbers give the same bytes however their text is written.
func TestEveryFormOfTextGivesTheSameSegments(t *testing.T) {
	raw := rawText("time,A [V/V]", benchRows, func(i int) []float64 { r, _ := benchRatio(i); return []float64{r} })
	replace := func(pairs ...string) string { return strings.NewReplacer(pairs...).Replace(raw) }
	var seconds strings.Builder
	for i, line := range strings.SplitAfter(raw, "\n") {
		if _, rest, ok := strings.Cut(line, ","); ok && i > 0 {
			line = fmt.Sprintf("%d.%d,%s", (i-1)/10, (i-1)%10, rest)
		}
		seconds.WriteString(line)
	}
	var times []int64
	var ratios []float64
	for i := range benchRows {
		r, _ := benchRatio(i)
		ratios, times = append(ratios, r), append(times, benchTime(i).UnixNano())
	}
	arrow := read(t, writeArrow(t, t.TempDir(), times, frame.Column{Name: "A", Unit: "V/V", Float: ratios}))
	var want map[string]string
	for _, c := range []struct{ name, csv, raw string }{
		{"plain", "", raw},
		{"semicolons and decimal commas", "", strings.ReplaceAll(decimalComma(raw), "e-", "E-")},
		{"the same, declared", "csv: {delimiter: semicolon, decimal: comma}", decimalComma(raw)},
		{"tabs", "", replace(",", "\t")},
		{"quotes and blanks", "", replace("Z,", `Z , "`, "\n2", "\"\n2", "[V/V]\n", "[V/V] \n")},
		{"carriage returns, byte order mark", "", "\xef\xbb\xbf" + replace("\n", "\r\n")},
		{"another header of the time", "csv: {time: Zeit}", replace("time,", "Zeit,")},
		{"seconds from a start", "csv: {start: 2026-02-03T04:05:06Z}", seconds.String()},
		{"local time of a zone", "csv: {zone: Europe/Berlin}", replace("T04:", "T05:", "Z,", ",")},
		{"offset", "", replace("T04:", "T06:", "Z,", "+02:00,")},
		{"Arrow", "", arrow},
	} {
		source := "clock-tolerance: 5 ms"
		if c.csv != "" {
			source += ", " + c.csv
		}
		if c.name == "quotes and blanks" {
			c.raw = strings.Replace(strings.TrimSuffix(c.raw, "\n")+"\"\n", "]\"", "]", 1)
			c.raw = strings.Replace(c.raw, "] \"", "]", 1)
		}
		dir := t.TempDir()
		got := digests(t, reduceTo(t, write(t, dir, "test.yaml", benchTest(source, 1, oneChannel)), write(t, dir, "node.raw", c.raw)))
		if want == nil {
			want = got
			if len(want) != 2 {
				t.Errorf("files %v", want)
			}
			continue
		}
		for name, sum := range want {
			if got[name] != sum {
				t.Errorf("%s: %s is another file", c.name, name)
			}
		}
	}
}

// decimalComma writes readings, but not times, with a comma, and separates by
// semicolons.
func decimalComma(raw string) string {
	var b strings.Builder
	for line := range strings.Lines(raw) {
		at, reading, _ := strings.Cut(line, ",")
		b.WriteString(at + ";" + strings.ReplaceAll(reading, ".", ","))
	}
	return b.String()
}

// The CSV form of results says what the segments say, to its decimals.
func TestCSVResultsAreThoseOfTheSegments(t *testing.T) {
	args := []string{filepath.Join(goldenDir, "test.yaml"), filepath.Join(goldenDir, "node.csv"), filepath.Join(goldenDir, "logger.csv"),
		"--events", filepath.Join(goldenDir, "events.jsonl")}
	all := readSegments(t, reduceTo(t, args...))
	out := reduceTo(t, append(args, "--format", "csv")...)
	units := strings.NewReplacer("[m/m]", "[um/m]", "[Pa]", "[MPa]", "[rad]", "[deg]")
	forms := map[string]struct{ scale, decimals float64 }{"[um/m]": {1e6, 3}, "[MPa]": {1e-6, 4}, "[deg]": {180 / math.Pi, 3}, "[degC]": {1, 4}}
	for source, r := range all {
		lines, err := csv.NewReader(strings.NewReader(read(t, filepath.Join(out, "main-"+source+".csv")))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		if len(lines) != len(r.time)+1 {
			t.Fatalf("%s: %d lines for %d rows", source, len(lines), len(r.time))
		}
		for i, f := range r.fields {
			name := units.Replace(f.Name)
			if lines[0][i+2] != name {
				t.Fatalf("column %q, want %q", lines[0][i+2], name)
			}
			form := forms[name[strings.LastIndexByte(name, ' ')+1:]]
			for row, line := range lines[1:] {
				text := line[i+2]
				if f.Kind == segment.Flags {
					if want := strings.ReplaceAll(r.flags[f.Name][row].String(), ",", " "); text != want {
						t.Fatalf("%s, row %d: %q, want %q", name, row, text, want)
					}
					continue
				}
				v := r.columns[f.Name][row]
				if math.IsNaN(v) {
					if text != "" {
						t.Fatalf("%s, row %d: %q for a null", name, row, text)
					}
					continue
				}
				got, err := strconv.ParseFloat(text, 64)
				if err != nil || !(math.Abs(got-v*form.scale) <= 0.50001*math.Pow(10, -form.decimals)) {
					t.Fatalf("%s, row %d: %q, want %.6f (%v)", name, row, text, v*form.scale, err)
				}
			}
		}
		for row, line := range lines[1:] {
			at, err := time.Parse(time.RFC3339Nano, line[0])
			if err != nil || at.UnixNano() != r.time[row] || line[1] != strconv.FormatUint(r.sample[row], 10) {
				t.Fatalf("row %d is %q, %q: %v", row, line[0], line[1], err)
			}
		}
	}
}

func TestReversedPolarity(t *testing.T) {
	raw := rawText("time,A [V/V]", benchRows, func(i int) []float64 { r, _ := benchRatio(i); return []float64{-r} })
	swapped := strings.Replace(oneChannel, "input: node/A", "input: node/A, polarity: reversed", 1)
	compareStrain(t, strainOf(t, benchTest("clock-tolerance: 1 ms", 1, swapped), raw), 1e-13)
}

// A gauge is replaced by one on another input: nothing is written between the
// two, nor before the new one's zero, and its strain is counted from that.
func TestGaugeReplacedInTheMiddle(t *testing.T) {
	at := func(row int) string { return benchTime(row).Format(time.RFC3339Nano) }
	test := strings.Replace(benchTest("unit: V/V", 2, `
wiring:
  - {position: c0, gauge: g0, input: node/A, to: `+at(100)+`}
  - {position: c0, gauge: g1, input: node/B, from: `+at(120)+`}
channels:
  c0: {bridge: quarter_3wire, transverse: none}
`), ", zero: {first: 2 s}", "", 1)
	test = strings.Replace(test, "  c1: {material: plate}\n", "", 1)
	const shift = 0.9e-3 // V/V, of the other gauge's bridge
	dir := t.TempDir()
	raw := write(t, dir, "node.csv", rawText("time,A,B", benchRows, func(i int) []float64 { r, _ := benchRatio(i); return []float64{r, r + shift} }))
	var events strings.Builder
	for _, w := range [][2]int{{0, 20}, {140, 160}} {
		for i, state := range []string{"begin", "end"} {
			fmt.Fprintf(&events, `{"event":"zero","state":%q,"kind":"test","time":%q}`+"\n", state, at(w[i]))
		}
	}
	out := reduceTo(t, write(t, dir, "test.yaml", test), raw, "--events", write(t, dir, "events.jsonl", events.String()))
	r := readSegments(t, out)["node"]
	strain, masks := r.column(t, "c0 [m/m]"), r.flags["c0 flags"]
	zero := 0.0 // mean ratio over the new zero
	for i := 140; i < 160; i++ {
		x, _ := benchRatio(i)
		zero += x / 20
	}
	for i, e := range strain {
		want, mask := math.NaN(), flag.Mask(0)
		switch {
		case i < 20:
			mask = flag.ZeroMissing
		case i < 100:
			want = benchStrain(i)
		case i < 120:
			mask = flag.Missing
		case i < 160:
			mask = flag.Replaced | flag.ZeroMissing
		default:
			x, _ := benchRatio(i)
			want = 4 * (x - zero) / (2.1 * (1 - 2*(x-zero)))
		}
		if math.IsNaN(e) != math.IsNaN(want) || math.Abs(e-want) > 1e-13 || masks[i] != mask {
			t.Fatalf("row %d is %g (%s), want %g (%s)", i, e, masks[i], want, mask)
		}
	}
}

// Rosettes of every form and sense give back the plane strain that their grids
// were turned into, by the sensitivity of a grid at an angle to a plane strain.
func TestRosettesGiveThePlaneStrain(t *testing.T) {
	for _, c := range []struct {
		name, form string
		angles     []float64 // degrees on the article, counterclockwise
		tee        bool      // principal directions along the grids
	}{
		{"rectangular", "form: rectangular, grid-a: 15 deg", []float64{15, 60, 105}, false},
		{"rectangular, clockwise", "form: rectangular, numbering: clockwise, grid-a: 90 deg", []float64{90, 45, 0}, false},
		{"four grids", "form: angles, angles: [0 deg, 45 deg, 90 deg, 135 deg]", []float64{0, 45, 90, 135}, false},
		{"delta", "form: delta, grid-a: -30 deg", []float64{-30, 30, 90}, false},
		{"delta, clockwise", "form: delta, numbering: clockwise, grid-a: 10 deg", []float64{10, -50, -110}, false},
		{"any angles, clockwise", "form: angles, angles: [0 deg, 20 deg, 77 deg, 140 deg, 160 deg], numbering: clockwise, grid-a: 33 deg",
			[]float64{33, 13, -44, -107, -127}, false},
		{"tee", "form: tee, grid-a: 30 deg", []float64{30, 120}, true},
		{"tee, clockwise", "form: tee, numbering: clockwise, grid-a: 30 deg", []float64{30, -60}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			plane := func(i int) (ex, ey, gxy float64) {
				if i < 20 {
					return 0, 0, 0
				}
				a, b, angle := 8e-4*math.Sin(float64(i)/40), -3e-4*math.Cos(float64(i)/55), float64(i)/100
				if c.tee {
					angle = 30 * math.Pi / 180
				}
				sin, cos := math.Sincos(angle)
				return a*cos*cos + b*sin*sin, a*sin*sin + b*cos*cos, 2 * (a - b) * sin * cos
			}
			header, wiring, channels, grids := "time", "wiring:\n", "channels:\n", ""
			for k := range c.angles {
				header += fmt.Sprintf(",I%d [V/V]", k)
				wiring += fmt.Sprintf("  - {position: c%d, gauge: g%d, input: node/I%d}\n", k, k, k)
				channels += fmt.Sprintf("  c%d: {bridge: quarter_3wire, transverse: none}\n", k)
				grids += fmt.Sprintf(", c%d", k)
			}
			raw := rawText(header, benchRows, func(i int) (row []float64) {
				ex, ey, gxy := plane(i)
				for _, degrees := range c.angles {
					sin, cos := math.Sincos(degrees * math.Pi / 180)
					along := ex*cos*cos + ey*sin*sin + gxy*sin*cos
					const kt, poisson = 0.013, 0.285
					d := 2.1 * (along + kt*(ex+ey-along)) / (1 - poisson*kt)
					row = append(row, d/(4+2*d))
				}
				return row
			})
			rosette := fmt.Sprintf("rosettes:\n  r: {grids: [%s], %s}\n", grids[2:], c.form)
			dir := t.TempDir()
			test := benchTest("clock-tolerance: 1 ms", len(c.angles), wiring+channels+rosette)
			out := reduceTo(t, write(t, dir, "test.yaml", test), write(t, dir, "node.csv", raw))
			r := readSegments(t, out)["node"]
			x, y, g := r.column(t, "r ex [m/m]"), r.column(t, "r ey [m/m]"), r.column(t, "r gxy [m/m]")
			for i := 20; i < benchRows; i++ {
				ex, ey, gxy := plane(i)
				if !(math.Abs(x[i]-ex) <= 1e-13 && math.Abs(y[i]-ey) <= 1e-13 && math.Abs(g[i]-gxy) <= 2e-13) {
					t.Fatalf("row %d: %.10g, %.10g, %.10g, want %.10g, %.10g, %.10g", i, x[i], y[i], g[i], ex, ey, gxy)
				}
			}
		})
	}
}
