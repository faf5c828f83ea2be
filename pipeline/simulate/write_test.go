package simulate

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"glueline/pipeline/frame"
)

// short is a test with one filling.
func short() Options {
	return Options{Seed: 7, Duration: 3 * time.Hour, Rate: 0.5, Faults: NoFaults}
}

func write(t *testing.T, o Options) (Truth, map[string][]byte) {
	t.Helper()
	dir := t.TempDir()
	truth, err := Write(dir, o, nil)
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{}
	for _, path := range append([]string{truth.TestFile, truth.Events}, truth.Files...) {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		files[filepath.Base(path)] = text
	}
	return truth, files
}

// TestSameOptionsSameBytes, and another seed gives others.
func TestSameOptionsSameBytes(t *testing.T) {
	for _, format := range []string{"csv", "arrow"} {
		o := short()
		o.Format, o.Faults = format, nil
		_, one := write(t, o)
		_, two := write(t, o)
		if len(one) != 6 {
			t.Errorf("%d files, want test file, events and four raw ones", len(one))
		}
		for name, text := range one {
			if !bytes.Equal(text, two[name]) {
				t.Errorf("%s differs between two runs", name)
			}
		}
		o.Seed++
		_, other := write(t, o)
		if bytes.Equal(one["skin."+format], other["skin."+format]) {
			t.Errorf("another seed gave the same skin.%s", format)
		}
	}
}

// TestFaultsStayWhereTheyAre: a fault changes its own channel from its own time
// on, and nothing else.
func TestFaultsStayWhereTheyAre(t *testing.T) {
	o := short()
	_, healthy := table(t, o, "skin")
	for _, f := range []Fault{
		{Kind: Open, Channel: "skin-3", At: time.Hour},
		{Kind: Saturated, Channel: "skin-8", At: 30 * time.Minute, Value: 20},
		{Kind: Moisture, Channel: "skin-6", At: 40 * time.Minute, Over: time.Hour, Value: 1e6},
	} {
		o.Faults = []Fault{f}
		clock, faulty := table(t, o, "skin")
		changed := map[int]bool{}
		for k := range faulty {
			for i := range clock {
				if faulty[k][i] != healthy[k][i] {
					changed[k] = true
					if after := time.Duration(clock[i] - DefaultStart.UnixNano()); after < f.At {
						t.Fatalf("%s: input %d changes after %v already", f, k, after)
					}
				}
			}
		}
		index := slices.IndexFunc(channels(), func(c channel) bool { return c.name == f.Channel })
		if len(changed) != 1 || !changed[index] {
			t.Errorf("%s: inputs %v change, want %d only", f, changed, index)
		}
	}
}

// rowsOf returns the rows of a source of a test.
func rowsOf(t *testing.T, o Options, name string) rows {
	t.Helper()
	o, err := o.filled()
	if err != nil {
		t.Fatal(err)
	}
	sky := newWeather(o.Start, o.Duration, schedule{o.Duration})
	if name == "logger" {
		return newLogger(o, sky)
	}
	i := slices.IndexFunc(sources, func(s source) bool { return s.name == name })
	n, err := newNode(sources[i], channels(), o, newPlan(o.Start, o.Duration), sky)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// table returns all readings of a source, a column an input.
func table(t *testing.T, o Options, name string) (clock []int64, columns [][]float64) {
	t.Helper()
	r := rowsOf(t, o, name)
	clock = make([]int64, r.count())
	columns = make([][]float64, len(r.columns()))
	for first := 0; first < r.count(); first += blockRows {
		block := clock[first:min(first+blockRows, r.count())]
		for k, c := range r.fill(first, block) {
			columns[k] = append(columns[k], c.Float...)
			for _, n := range c.Counts {
				columns[k] = append(columns[k], float64(n))
			}
		}
	}
	return clock, columns
}

// TestNoise: in the quiet before filling, readings scatter by the amplifier's
// noise: differences of successive readings have sqrt(2) times its standard
// deviation, whatever drifts. 300 differences settle it to about 5 % (chi
// squared); the band is four times that.
func TestNoise(t *testing.T) {
	for _, s := range sources {
		clock, columns := table(t, Options{Seed: 3, Duration: 20 * time.Minute, Faults: NoFaults}, s.name)
		unit := map[string]float64{"mV/V": 1e-3, "count": countSize, "V": 1 / s.excitation}[s.unit]
		for k := range channels() {
			if k >= len(columns) || s.excitation > 0 && k >= len(columns)-2 {
				break
			}
			var sum float64
			const n = 300
			for i := 60; i < 60+n; i++ {
				d := (columns[k][i+1] - columns[k][i]) * unit
				sum += d * d
			}
			if got := math.Sqrt(sum / n / 2); !(math.Abs(got/s.noise-1) <= 0.2) {
				t.Errorf("%s input %d: noise %.3g V/V, want %.3g", s.name, k+1, got, s.noise)
			}
		}
		if len(clock) != 1200 {
			t.Errorf("%s: %d rows in 20 minutes at 1 Hz", s.name, len(clock))
		}
	}
}

// TestRange: an open gauge reads the end of the range, and no reading is beyond.
func TestRange(t *testing.T) {
	o := Options{Seed: 1, Duration: 30 * time.Minute, Faults: []Fault{
		{Kind: Open, Channel: "skin-4", At: 10 * time.Minute},
		{Kind: Open, Channel: "strap-b", At: 10 * time.Minute},
		{Kind: Open, Channel: "tail", At: 10 * time.Minute},
	}}
	for name, input := range map[string]int{"skin": 3, "frame": 7, "rod": 6} {
		_, columns := table(t, o, name)
		i := slices.IndexFunc(sources, func(s source) bool { return s.name == name })
		end := sources[i].fullScale
		for row, x := range columns[input] {
			if open := row >= 600; open != (x == end) || math.Abs(x) > end {
				t.Fatalf("%s input %d row %d reads %v, range %v", name, input+1, row, x, end)
			}
		}
	}
}

// TestTruth holds a few readings against strain by hand: the change of a
// quarter bridge's ratio between idle and hold is about F e / 4, within what
// leads, temperature and nonlinearity do (a few per cent).
func TestTruth(t *testing.T) {
	o := short()
	truth, _ := write(t, o)
	if len(truth.Instants) != 2 || truth.Instants[0].Idle || !truth.Instants[1].Idle || math.Abs(truth.Instants[0].Level-2.4) > 0.01 {
		t.Fatalf("instants of one filling: %+v", truth.Instants)
	}
	hold := truth.Instants[0]
	clock, columns := table(t, o, "skin")
	at := slices.IndexFunc(clock, func(ns int64) bool { return ns >= hold.Time.UnixNano() })
	for k, c := range channels()[:12] {
		if c.at != lowPlate { // whose temperature hardly moves
			continue
		}
		change := (columns[k][at] - columns[k][5]) * 1e-3 / c.gain
		want := hold.Strain[c.name]
		if got := 4 * change / linear.factor; !(math.Abs(got-want) <= 0.05*math.Abs(want)+4e-6) {
			t.Errorf("%s: reads about %.1f um/m, true %.1f um/m", c.name, got*1e6, want*1e6)
		}
	}
	for name, angle := range map[string][3]float64{"heel-e": {0, 45, 90}, "heel-w": {90, 45, 0}, "strap": {15, 75, 135}} {
		p := hold.Plane[name]
		for i, grid := range "abc" {
			a := angle[i] * math.Pi / 180
			// Strain along the grid, from the double angle; Kt adds at most 1.2 % of that across.
			along := (p[0]+p[1])/2 + (p[0]-p[1])/2*math.Cos(2*a) + p[2]/2*math.Sin(2*a)
			across := p[0] + p[1] - along
			if got := hold.Strain[name+"-"+string(grid)]; !(math.Abs(got-along) <= 0.013*(math.Abs(along)+math.Abs(across))) {
				t.Errorf("%s-%c: %g, by Mohr's circle %g", name, grid, got, along)
			}
		}
	}
}

// TestShuntReallyIsConnected: during a shunt check the reading steps, in the
// direction of its place, and returns.
func TestShuntReallyIsConnected(t *testing.T) {
	_, columns := table(t, short(), "skin")
	row := func(m float64) int { return int(m * 60 * 0.5) }
	for _, c := range []struct {
		input int
		at    float64 // minutes
		sign  float64
	}{{0, 10.25, -1}, {4, 11.25, 1}} {
		x := columns[c.input]
		step := x[row(c.at)] - x[row(c.at-0.5)]
		if want := 350.0 / 100e3 / 4 * 1e3; !(math.Abs(c.sign*step/want-1) < 0.05) {
			t.Errorf("input %d: shunt step %.4f mV/V, want about %.4f", c.input+1, step, c.sign*want)
		}
		if back := x[row(c.at+0.5)] - x[row(c.at-0.5)]; !(math.Abs(back) < 0.002) {
			t.Errorf("input %d: %.4f mV/V are left after the shunt", c.input+1, back)
		}
	}
}

// TestThermocoupleLost: from its time on the logger reads nothing on that input.
func TestThermocoupleLost(t *testing.T) {
	o := short()
	o.Faults = []Fault{{Kind: LostThermocouple, Channel: "tc-low", At: time.Hour}}
	clock, columns := table(t, o, "logger")
	for k := range columns {
		for i, x := range columns[k] {
			after := time.Duration(clock[i] - DefaultStart.UnixNano())
			if lost := k == 2 && after >= time.Hour; lost != math.IsNaN(x) {
				t.Fatalf("input %d reads %v after %v", k, x, after)
			}
		}
	}
}

// TestPlacement: every seed gives one fault of each kind, on channels of their
// own that nothing else is shown on, and seeds differ.
func TestPlacement(t *testing.T) {
	places := map[string]int{}
	for seed := range uint64(200) {
		faults := PlaceFaults(seed)
		if err := checkFaults(faults); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(faults, PlaceFaults(seed)) {
			t.Fatal("the same seed gives other faults")
		}
		var kinds, on []string
		for _, f := range faults {
			kinds, on = append(kinds, f.Kind), append(on, f.Channel)
			if f.At <= firstFill || f.At > 40*time.Hour {
				t.Errorf("seed %d: %s is too early or too late to show", seed, f)
			}
			places[f.Kind+" "+f.Channel]++
		}
		slices.Sort(on)
		if !slices.Equal(kinds, []string{Open, Saturated, Moisture, LostThermocouple}) || len(slices.Compact(on)) != 4 {
			t.Errorf("seed %d: %v", seed, faults)
		}
		for _, c := range untouched {
			if slices.Contains(on, c) {
				t.Errorf("seed %d: a fault on %s", seed, c)
			}
		}
	}
	if len(places) < 50 {
		t.Errorf("200 seeds place faults in %d ways only", len(places))
	}
}

// TestScaled: in a test of another duration faults happen at the same share of it.
func TestScaled(t *testing.T) {
	placed := PlaceFaults(5)
	for _, share := range []float64{1, 0.5, 7} {
		for i, f := range scaled(placed, time.Duration(share*float64(DefaultDuration))) {
			if want := time.Duration(share * float64(placed[i].At)); (f.At - want).Abs() > time.Microsecond {
				t.Errorf("%v of the duration: %s, want it after %v", share, f, want)
			}
		}
	}
}

func TestOptionsRefused(t *testing.T) {
	for name, o := range map[string]Options{
		"rate":     {Rate: math.NaN()},
		"duration": {Duration: time.Second},
		"format":   {Format: "xls"},
	} {
		if _, err := Write(t.TempDir(), o, nil); !errors.Is(err, ErrOptions) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, f := range map[string]Fault{
		"kind":    {Kind: "rust", Channel: "skin-1"},
		"channel": {Kind: Open, Channel: "skin-99"},
		"value":   {Kind: Moisture, Channel: "skin-2"},
	} {
		if _, err := Write(t.TempDir(), Options{Faults: []Fault{f}}, nil); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := Write(filepath.Join(t.TempDir(), "nowhere"), short(), nil); err == nil {
		t.Error("no error for a folder that is not there")
	}
}

// TestRowCost: making rows allocates a little a block, nothing a sample.
func TestRowCost(t *testing.T) {
	r := rowsOf(t, Options{Duration: 3 * time.Hour, Faults: NoFaults}, "frame")
	clock := make([]int64, blockRows)
	if got := testing.AllocsPerRun(3, func() { r.fill(0, clock) }); got > 20 {
		t.Errorf("%v allocations for a block of %d rows", got, blockRows)
	}
}

func BenchmarkRows(b *testing.B) {
	o, _ := Options{Duration: 3 * time.Hour, Faults: NoFaults}.filled()
	sky := newWeather(o.Start, o.Duration, schedule{o.Duration})
	n, err := newNode(sources[0], channels(), o, newPlan(o.Start, o.Duration), sky)
	if err != nil {
		b.Fatal(err)
	}
	w := frame.NewCSVWriter(io.Discard, "skin", n.columns())
	clock := make([]int64, blockRows)
	for b.Loop() {
		if err := w.Write(clock, n.fill(0, clock)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/blockRows/float64(len(n.channels)), "ns/sample")
}
