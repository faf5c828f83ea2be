package main

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/simulate"
	"glueline/pipeline/testfile"
)

const rawOracle = "../../testdata/oracle/reduce_raw.py"

// pythonWithNumPy is an interpreter that the second program runs on.
func pythonWithNumPy(t *testing.T) string {
	t.Helper()
	for _, python := range []string{os.Getenv("PYTHON"), "/usr/bin/python3", "python3"} {
		if exec.Command(python, "-c", "import numpy").Run() == nil {
			return python
		}
	}
	t.Fatal("the second program needs Python 3 with NumPy: install python3-numpy")
	return ""
}

// A second program reduces the same raw files its own way (testdata/oracle):
// from the readings of all four sources, with their temperatures joined and
// zeros taken again, to strain, rosettes and stress. It is given the constants
// that the program states, and nothing else of it.
func TestReductionOfRawFilesAgreesWithIndependentProgram(t *testing.T) {
	for _, c := range []struct {
		name    string
		options simulate.Options
		every   int
	}{
		// Zeros, shunts, a filling, and all faults, some of them on rows of every
		// channel. Rows come between those of the logger.
		{"a filling", simulate.Options{Seed: 4, Duration: 2 * time.Hour, Rate: 0.25}, 1},
		// Frames of several rows: which temperature a row has depends on where
		// its frame begins.
		{"frames of three rows", simulate.Options{Seed: 5, Duration: 11 * time.Minute, Rate: 60, Faults: simulate.NoFaults}, 61},
	} {
		t.Run(c.name, func(t *testing.T) {
			truth, err := simulate.Write(t.TempDir(), c.options, nil)
			if err != nil {
				t.Fatal(err)
			}
			compareWithOracle(t, truth.TestFile, truth.Events, truth.Files, c.every, 32)
		})
	}
}

// compareWithOracle reduces with both programs and holds every value of the
// second against the first's.
func compareWithOracle(t *testing.T, testFile, events string, raw []string, every, channels int) {
	t.Helper()
	python := pythonWithNumPy(t)
	ours := readSegments(t, reduceTo(t, append([]string{testFile, "--events", events}, raw...)...))
	theirs := runRawOracle(t, python, testFile, events, raw, every)
	strains, largest := 0, map[string]float64{}
	for source, them := range theirs {
		us := ours[source]
		if us == nil {
			t.Errorf("source %s: nothing from the program", source)
			continue
		}
		for _, f := range us.fields {
			if _, ok := us.columns[f.Name]; ok && them.columns[f.Name] == nil {
				t.Errorf("source %s: the second program has no %q", source, f.Name)
			}
		}
		for name, column := range them.columns {
			if _, ok := us.columns[name]; !ok {
				t.Errorf("source %s: only the second program has %q", source, name)
				continue
			}
			if _, ok := us.flags[strings.TrimSuffix(name, " [m/m]")+" flags"]; ok {
				strains++
			}
			unit := name[strings.LastIndexByte(name, '['):]
			largest[unit] = math.Max(largest[unit], compareColumn(t, us, them, name, column))
		}
		if every == 1 && len(them.row) != len(us.time) {
			t.Errorf("source %s: %d rows, the second program has %d", source, len(us.time), len(them.row))
		}
	}
	if len(theirs) != len(ours) || strains != channels {
		t.Errorf("%d sources of %d, strain of %d channels of %d", len(theirs), len(ours), strains, channels)
	}
	for unit, d := range largest {
		t.Logf("largest difference %.2g %s", d, unit)
	}
}

// agreement is how near the two must be, by unit. The first is what counts;
// Young's modulus times it is the third, and a temperature is a root of the
// same function in both.
var agreement = map[string]float64{"[m/m]": 1e-9, "[degC]": 1e-8, "[Pa]": 300, "[m]": 1e-12}

// compareColumn returns the largest difference.
func compareColumn(t *testing.T, us *reduced, them *oracleTable, name string, column []float64) (largest float64) {
	t.Helper()
	ours, values := us.columns[name], 0
	for i, row := range them.row {
		if row >= len(ours) || us.time[row] != them.time[i] || us.sample[row] != uint64(row) {
			t.Errorf("%s: row %d is not the same row", name, row)
			return
		}
		a, b := ours[row], column[i]
		if math.IsNaN(a) != math.IsNaN(b) {
			t.Errorf("%s: row %d is %g, in the second program %g", name, row, a, b)
			return
		}
		if math.IsNaN(a) {
			continue
		}
		values++
		difference, allowed := math.Abs(a-b), agreement[name[strings.LastIndexByte(name, '['):]]
		if strings.HasSuffix(name, "angle [rad]") {
			// An axis, not a direction; the less it is defined the less the strains differ.
			difference = math.Abs(math.Remainder(a-b, math.Pi))
			allowed = 1e-9 / us.columns[strings.TrimSuffix(name, "angle [rad]")+"gmax [m/m]"][row]
		}
		largest = math.Max(largest, difference)
		if !(difference <= allowed) {
			t.Errorf("%s: row %d is %.12g, in the second program %.12g", name, row, a, b)
			return
		}
	}
	if values < len(them.row)/20 {
		t.Errorf("%s: only %d values in %d rows were compared", name, values, len(them.row))
	}
	return largest
}

// oracleTable is a file of the second program.
type oracleTable struct {
	row     []int
	time    []int64
	columns map[string][]float64
}

func runRawOracle(t *testing.T, python, testFile, events string, raw []string, every int) map[string]*oracleTable {
	t.Helper()
	test, err := testfile.Load(testFile)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	var constants []group.Calibration
	for _, p := range plans {
		for _, source := range p.Sources() {
			c, _, err := p.Calibration(source)
			if err != nil {
				t.Fatal(err)
			}
			constants = append(constants, c)
		}
	}
	text, err := json.Marshal(constants)
	if err != nil {
		t.Fatal(err)
	}
	for _, script := range []string{rawOracle, filepath.Join(filepath.Dir(rawOracle), "reduce_numpy.py")} {
		read(t, script) // so that a result is not taken from the cache when it changes
	}
	dir := t.TempDir()
	path := write(t, dir, "constants.json", string(text))
	cmd := exec.Command(python, append([]string{"-B", rawOracle, path, events, strconv.Itoa(every), dir}, raw...)...)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("the second program: %v\n%s", err, out)
	}
	tables := map[string]*oracleTable{}
	for _, c := range constants {
		tables[c.Source] = readOracleTable(t, filepath.Join(dir, c.Source+".csv"))
	}
	return tables
}

func readOracleTable(t *testing.T, path string) *oracleTable {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil || len(lines) < 2 {
		t.Fatalf("%s: %d lines: %v", path, len(lines), err)
	}
	table := &oracleTable{columns: map[string][]float64{}}
	for _, line := range lines[1:] {
		at, err := strconv.ParseInt(line[0], 10, 64)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		row, err := strconv.Atoi(line[1])
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		table.time, table.row = append(table.time, at), append(table.row, row)
		for i, name := range lines[0][2:] {
			v := math.NaN()
			if text := line[i+2]; text != "" {
				if v, err = strconv.ParseFloat(text, 64); err != nil {
					t.Fatalf("%s: %v", path, err)
				}
			}
			table.columns[name] = append(table.columns[name], v)
		}
	}
	return table
}
