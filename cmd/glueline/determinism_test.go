package main

import (
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/simulate"
)

// built is where the program itself goes, for tests of a whole process.
var built string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "glueline-test-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	built = dir
	status := m.Run()
	os.RemoveAll(dir)
	os.Exit(status)
}

// builtProgram builds the program once and returns its path.
var builtProgram = sync.OnceValues(func() (string, error) {
	path := filepath.Join(built, "glueline")
	out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the program: %w\n%s", err, out)
	}
	return path, nil
})

// process is a run of the program in surroundings of its own.
func process(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	path, err := builtProgram()
	if err != nil {
		t.Fatal(err)
	}
	return exec.Command(path, args...)
}

// digests returns the SHA-256 of every file of a folder.
func digests(t *testing.T, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, e := range entries {
		sum := sha256.Sum256([]byte(read(t, filepath.Join(dir, e.Name()))))
		all[e.Name()] = hex.EncodeToString(sum[:])
	}
	return all
}

// The same input gives the same bytes, wherever and however it is reduced.
func TestSameBytesInAnySurroundings(t *testing.T) {
	t.Parallel()
	options := simulate.Options{Seed: 9, Duration: time.Hour, Rate: 1.5}
	truth, err := simulate.Write(t.TempDir(), options, nil)
	if err != nil {
		t.Fatal(err)
	}
	options.Format = "arrow"
	arrow, err := simulate.Write(t.TempDir(), options, nil)
	if err != nil {
		t.Fatal(err)
	}
	backwards := slices.Clone(truth.Files)
	slices.Reverse(backwards)
	mixed := []string{arrow.Files[2], truth.Files[0], truth.Files[3], arrow.Files[1]}
	for _, format := range []string{"arrow", "csv"} {
		var want map[string]string
		for _, c := range []struct {
			name  string
			files []string
			env   []string
			umask string
			dir   string
		}{
			{name: "as it is", files: truth.Files},
			{name: "again", files: truth.Files},
			{name: "one processor", files: truth.Files, env: []string{"GOMAXPROCS=1"}},
			{name: "two processors", files: truth.Files, env: []string{"GOMAXPROCS=2"}},
			{name: "four processors", files: truth.Files, env: []string{"GOMAXPROCS=4"}},
			{name: "garbage collected all the time", files: truth.Files, env: []string{"GOGC=1"}},
			{name: "time zone", files: truth.Files, env: []string{"TZ=Pacific/Chatham"}},
			{name: "impossible time zone", files: truth.Files, env: []string{"TZ=Nowhere/Atall"}},
			{name: "locale", files: truth.Files, env: []string{"LC_ALL=de_DE.UTF-8", "LANG=de_DE.UTF-8"}},
			{name: "umask", files: truth.Files, umask: "077"},
			{name: "working folder", files: truth.Files, dir: filepath.Dir(truth.TestFile)},
			{name: "order of inputs", files: backwards},
			{name: "arrow input", files: arrow.Files},
			{name: "arrow and csv input", files: mixed},
		} {
			out := filepath.Join(t.TempDir(), "out")
			testFile, events, files := truth.TestFile, truth.Events, c.files
			if c.dir != "" {
				testFile, events = filepath.Base(testFile), filepath.Base(events)
				files = nil
				for _, f := range c.files {
					files = append(files, filepath.Base(f))
				}
			}
			cmd := process(t, append([]string{"reduce", testFile, "--events", events, "--out", out, "--format", format, "--quiet"}, files...)...)
			if c.umask != "" {
				cmd = exec.Command("sh", append([]string{"-c", `umask "$0" && exec "$@"`, c.umask}, cmd.Args...)...)
			}
			cmd.Dir = c.dir
			cmd.Env = append(os.Environ(), c.env...)
			if text, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("%s: %v: %s", c.name, err, text)
			}
			got := digests(t, out)
			if want == nil {
				want = got
				continue
			}
			if len(got) != len(want) {
				t.Errorf("%s, %s: %d files, before %d", format, c.name, len(got), len(want))
			}
			for name, sum := range want {
				if got[name] != sum {
					t.Errorf("%s, %s: %s is another file", format, c.name, name)
				}
			}
		}
		if len(want) < 4 {
			t.Errorf("%s: only %d files were compared", format, len(want))
		}
	}
}

// The same over several cuts, with more processors than there are, and with the
// rows in one file or in two.
func TestSameBytesOverSeveralCuts(t *testing.T) {
	const columns, rows = 60, 300_000 // 146 MB: two cuts and the end
	wiring, channels := "wiring:\n", "channels:\n"
	var names []frame.Column
	for k := range columns {
		names = append(names, frame.Column{Name: fmt.Sprint("I", k), Unit: "mV/V"})
		if k < 3 {
			wiring += fmt.Sprintf("  - {position: c%d, gauge: g%d, input: node/I%d}\n", k, k, k)
			channels += fmt.Sprintf("  c%d: {bridge: quarter_3wire, transverse: none}\n", k)
		}
	}
	dir := t.TempDir()
	test := write(t, dir, "test.yaml", strings.Replace(benchTest("clock-tolerance: 1 ms", 3, wiring+channels), "rate: 10 Hz", "rate: 500 Hz", 1))
	part := func(name string, from, to int) string {
		folder := filepath.Join(dir, name)
		if err := os.Mkdir(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		times, made := make([]int64, to-from), slices.Clone(names)
		readings := make([]float64, to-from)
		for i := range times {
			times[i] = benchStart.UnixNano() + int64(from+i)*2e6
			readings[i] = float64((from+i)%9973) / 1e4
		}
		for k := range made {
			made[k].Float = readings
		}
		return writeArrow(t, folder, times, made...)
	}
	whole := []string{part("whole", 0, rows)}
	halves := []string{part("end", 123_457, rows), part("begin", 0, 123_457)}
	var want map[string]string
	for name, c := range map[string]struct {
		processors string
		files      []string
	}{
		"one processor":               {"1", whole},
		"eight processors":            {"8", whole},
		"two files, three processors": {"3", halves},
	} {
		out := filepath.Join(t.TempDir(), "out")
		cmd := process(t, append(append([]string{"reduce", test}, c.files...), "--out", out, "--quiet")...)
		cmd.Env = append(os.Environ(), "GOMAXPROCS="+c.processors)
		if text, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v: %s", name, err, text)
		}
		got := digests(t, out)
		if len(got) != 6 {
			t.Errorf("%s: %d files, want a segment and a record for each of 3 cuts", name, len(got))
		}
		if want == nil {
			want = got
		}
		for file, sum := range want {
			if got[file] != sum {
				t.Errorf("%s: %s is another file", name, file)
			}
		}
	}
}

const goldenDir = "../../testdata/golden"

// The results of a small test stand in the repository, to the last bit. Another
// processor may give other last bits: there values are compared to 1e-12.
func TestGolden(t *testing.T) {
	out := reduceTo(t, filepath.Join(goldenDir, "test.yaml"), filepath.Join(goldenDir, "node.csv"), filepath.Join(goldenDir, "logger.csv"),
		"--events", filepath.Join(goldenDir, "events.jsonl"))
	values := goldenValues(readSegments(t, out))
	var lines []string
	for name, sum := range digests(t, out) {
		lines = append(lines, sum+"  "+name+"\n")
	}
	slices.SortFunc(lines, func(a, b string) int { return strings.Compare(a[64:], b[64:]) })
	sums := strings.Join(lines, "")
	if *update {
		if runtime.GOARCH != "amd64" {
			t.Fatal("digests are those of amd64: update them there")
		}
		write(t, goldenDir, "values.csv", values)
		write(t, goldenDir, "digests.txt", sums)
	}
	if runtime.GOARCH == "amd64" {
		if want := read(t, filepath.Join(goldenDir, "digests.txt")); sums != want {
			t.Errorf("digests are\n%swant\n%s", sums, want)
		}
	}
	compareGolden(t, values, read(t, filepath.Join(goldenDir, "values.csv")))
}

// goldenValues writes one row in sixteen of every source as text, a value a
// line, in the order of the files.
func goldenValues(all map[string]*reduced) string {
	var b strings.Builder
	b.WriteString("source,sample,column,value\n")
	for _, source := range []string{"logger", "node"} {
		r := all[source]
		for row := 0; row < len(r.time); row += 16 {
			for _, f := range r.fields {
				text := ""
				if masks, ok := r.flags[f.Name]; ok {
					text = strings.ReplaceAll(masks[row].String(), ",", " ")
				} else if v := r.columns[f.Name][row]; !math.IsNaN(v) {
					text = strconv.FormatFloat(v, 'g', -1, 64)
				}
				fmt.Fprintf(&b, "%s,%d,%s,%s\n", source, r.sample[row], f.Name, text)
			}
		}
	}
	return b.String()
}

// compareGolden compares numbers to 1e-12 strain (and the stress of that), all
// else literally.
func compareGolden(t *testing.T, got, want string) {
	t.Helper()
	g, err := csv.NewReader(strings.NewReader(got)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	w, err := csv.NewReader(strings.NewReader(want)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(g) != len(w) || len(w) < 100 {
		t.Fatalf("%d values, want %d", len(g), len(w))
	}
	for i := range w {
		if slices.Equal(g[i], w[i]) {
			continue
		}
		allowed := 1e-12
		switch column := w[i][2]; {
		case strings.HasSuffix(column, "[Pa]"):
			allowed = 0.2
		case strings.HasSuffix(column, "[rad]"):
			allowed = 1e-6 // of noise: the axis of hardly any strain
		}
		a, aErr := strconv.ParseFloat(g[i][3], 64)
		b, bErr := strconv.ParseFloat(w[i][3], 64)
		if !slices.Equal(g[i][:3], w[i][:3]) || aErr != nil || bErr != nil || !(math.Abs(a-b) <= allowed) {
			t.Errorf("line %d: %q, want %q", i+1, g[i], w[i])
		}
	}
}

// The golden set again, by the second program: its logger's clock is behind, its
// frames hold five rows and the node's three, and a gauge is replaced.
func TestGoldenAgreesWithIndependentProgram(t *testing.T) {
	compareWithOracle(t, filepath.Join(goldenDir, "test.yaml"), filepath.Join(goldenDir, "events.jsonl"),
		[]string{filepath.Join(goldenDir, "node.csv"), filepath.Join(goldenDir, "logger.csv")}, 1, 4)
}
