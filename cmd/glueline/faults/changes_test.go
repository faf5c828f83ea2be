package faults

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// mooring is an invented test: a quay whose two nodes share a logger.
const mooring = `
test: {name: mooring, load: crane, zero: {first: 1 s}, limits: {strain: 1500 um/m}}
sources:
  east: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 20 ms}
  west: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 20 ms}
  logger: {rate: 1 Hz, unit: V, inputs: {T1: {unit: ohm}}}
lots:
  A: {resistance: 350 ohm, gauge-factor: 2.08, transverse-sensitivity: 0.9 %, thermal-output: {in: microstrain, of: degC, coefficients: [-20, 2, -0.05], material-expansion: 11.5e-6 /K, from: 0 degC, to: 60 degC}}
  B: {resistance: 120 ohm, gauge-factor: 2.11, transverse-sensitivity: 0.4 %}
materials: {plate: {young: 206 GPa, poisson: 0.3, expansion: 11.5e-6 /K, source: invented}}
gauges: {g1: {lot: A}, g2: {lot: A}, g3: {lot: B}, g4: {lot: B}, ra: {lot: B}, rb: {lot: B}, rc: {lot: B}}
positions: {pile: {material: plate}, beam: {material: plate}, rail: {material: plate}, tie: {material: plate}, knee-a: {material: plate, angle: 0 deg}, knee-b: {material: plate, angle: 45 deg}, knee-c: {material: plate, angle: 90 deg}}
wiring:
  - {position: pile, gauge: g1, input: east/A1}
  - {position: beam, gauge: g2, input: east/A2}
  - {position: rail, gauge: g3, input: west/A1}
  - {position: tie, gauge: g4, input: west/A2}
  - {position: knee-a, gauge: ra, input: west/A3}
  - {position: knee-b, gauge: rb, input: west/A4}
  - {position: knee-c, gauge: rc, input: west/A5}
temperatures: {air: {input: logger/T1, sensor: pt100, r0: 100 ohm, max-age: 5 s}}
auxiliary: {crane: {quantity: load, input: logger/F1, unit: kN, polynomial: [0, 100]}}
channels:
  pile: {bridge: quarter_3wire, temperature: air, leads: {resistance: 1.1 ohm}}
  beam: {bridge: quarter_3wire, temperature: air}
  rail: {bridge: quarter_2wire, leads: {resistance: 0.8 ohm}}
  tie: {bridge: quarter_3wire, zero: {from: 2026-05-06T07:08:10Z, to: 2026-05-06T07:08:12Z}}
  knee-a: {bridge: quarter_3wire, transverse: none}
  knee-b: {bridge: quarter_3wire, transverse: none}
  knee-c: {bridge: quarter_3wire, transverse: none}
rosettes:
  knee: {grids: [knee-a, knee-b, knee-c], form: rectangular, grid-a: 0 deg}
`

var moored = time.Date(2026, 5, 6, 7, 8, 9, 0, time.UTC)

// mooringAt is a time so many seconds into it.
func mooringAt(s float64) string {
	return moored.Add(time.Duration(s * float64(time.Second))).Format(time.RFC3339Nano)
}

// mooringFiles writes so many seconds of readings, at least a minute, and what was
// said meanwhile, without cuts and with them: events begin before one and end behind it.
func mooringFiles(t testing.TB, dir string, seconds int) (files []string, events, cut string) {
	t.Helper()
	random := rand.New(rand.NewPCG(3, 4))
	for _, source := range []struct {
		name    string
		columns []string
		rate    int
		value   func(s float64, column int) float64
	}{
		{"east", []string{"A1", "A2"}, 10, func(s float64, c int) float64 { return 0.9*math.Sin(s/3+float64(c)) + 1e-4*random.NormFloat64() }},
		{"west", []string{"A1", "A2", "A3", "A4", "A5"}, 10, func(s float64, c int) float64 { return 0.6*math.Cos(s/5+float64(c)) + 1e-4*random.NormFloat64() }},
		{"logger", []string{"T1", "F1"}, 1, func(s float64, c int) float64 {
			if c == 0 {
				return 108 + s/20
			}
			return math.Abs(math.Sin(s / 9))
		}},
	} {
		var text strings.Builder
		fmt.Fprintln(&text, strings.Join(append([]string{"time"}, source.columns...), ","))
		for i := range seconds * source.rate {
			s := float64(i) / float64(source.rate)
			fmt.Fprint(&text, mooringAt(s))
			for c := range source.columns {
				fmt.Fprintf(&text, ",%.7f", source.value(s, c))
			}
			fmt.Fprintln(&text)
		}
		path := filepath.Join(dir, source.name+".csv")
		if err := os.WriteFile(path, []byte(text.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		files = append(files, source.name+"="+path)
	}
	type said struct {
		at    float64
		event string
	}
	all := []said{
		{2, `"event":"load-state","state":"idle"`},
		{8.25, `"event":"zero","state":"begin","kind":"test","name":"morning"`},
		{13.25, `"event":"zero","state":"end","kind":"test","name":"morning"`},
		{18.25, `"event":"shunt","state":"on","channel":"rail"`},
		{22.25, `"event":"shunt","state":"off","channel":"rail"`},
		{24.25, `"event":"load-state","state":"loaded"`},
		{24.35, `"event":"step","state":"begin","name":"first"`},
		{44.25, `"event":"zero","state":"begin","kind":"test","name":"noon","channel":"beam"`},
		{52.25, `"event":"zero","state":"end","kind":"test","name":"noon","channel":"beam"`},
	}
	for s := 60.25; s+40 < float64(seconds); s += 60 { // and every minute again
		name := fmt.Sprintf(`"name":"minute %.0f"`, s/60)
		all = append(all,
			said{s, `"event":"load-state","state":"idle"`},
			said{s + 2, `"event":"zero","state":"begin","kind":"test",` + name},
			said{s + 9, `"event":"zero","state":"end","kind":"test",` + name},
			said{s + 12, `"event":"shunt","state":"on","channel":"rail"`},
			said{s + 19, `"event":"shunt","state":"off","channel":"rail"`},
			said{s + 20, `"event":"load-state","state":"loaded"`})
	}
	write := func(name string) string {
		slices.SortFunc(all, func(a, b said) int { return cmp.Compare(a.at, b.at) })
		var text strings.Builder
		for _, e := range all {
			fmt.Fprintf(&text, "{\"time\":%q,\"who\":\"test\",%s}\n", mooringAt(e.at), e.event)
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	events = write("events.jsonl")
	for s := 5.0; s < float64(seconds); s += 5 {
		all = append(all, said{s + 0.55, `"event":"cut"`})
	}
	return files, events, write("cut.jsonl")
}

// kindsOfChange are what people find wrong, by what it is in the test file, and
// the columns that it may move: those that begin with one of the words.
var kindsOfChange = []struct {
	name    string
	pairs   []string
	touches string
	at      float64 // s, when it has its only effect; 0 for ever
}{
	{"nothing", nil, "", 0},
	{"a lot", []string{"gauge-factor: 2.08", "gauge-factor: 2.11"}, "pile beam", 0},
	{"thermal output of a lot", []string{"[-20, 2, -0.05]", "[-25, 2.2, -0.06]"}, "pile beam", 0},
	{"the material that thermal output was measured on", []string{"material-expansion: 11.5e-6 /K", "material-expansion: 12.1e-6 /K"}, "pile beam", 0},
	{"what the structure expands by", []string{"poisson: 0.3, expansion: 11.5e-6 /K", "poisson: 0.3, expansion: 10.9e-6 /K"}, "pile beam", 0},
	{"a gauge", []string{"g3: {lot: B}", "g3: {lot: B, resistance: 120.4 ohm}"}, "rail", 0},
	{"a gauge of another lot", []string{"g3: {lot: B}", "g3: {lot: A}", "rail: {bridge", "rail: {temperature: air, bridge"}, "rail", 0},
	{"a lead", []string{"resistance: 0.8 ohm", "resistance: 8 ohm"}, "rail", 0},
	{"the wiring map", []string{"gauge: g1, input: east/A1", "gauge: g1, input: east/A2", "gauge: g2, input: east/A2", "gauge: g2, input: east/A1"}, "pile beam", 0},
	{"polarity", []string{"input: west/A2}", "input: west/A2, polarity: reversed}"}, "tie", 0},
	{"the order of a rosette's grids", []string{"[knee-a, knee-b, knee-c]", "[knee-c, knee-b, knee-a]", "grid-a: 0 deg", "grid-a: 90 deg, numbering: clockwise"}, "knee", 0},
	{"the angle of a rosette", []string{"grid-a: 0 deg", "grid-a: 10 deg", "angle: 0 deg", "angle: 10 deg", "angle: 45 deg", "angle: 55 deg", "angle: 90 deg", "angle: 100 deg"}, "knee", 0},
	{"a zero window of the test file", []string{"to: 2026-05-06T07:08:12Z", "to: 2026-05-06T07:08:14Z"}, "tie", 2},
	{"the load", []string{"[0, 100]", "[0.5, 104]"}, "crane", 0},
	{"a thermometer", []string{"r0: 100 ohm", "r0: 100.2 ohm"}, "pile beam air", 0},
	{"the bridge", []string{"tie: {bridge: quarter_3wire", "tie: {bridge: quarter_2wire, leads: {resistance: 3 ohm}"}, "tie", 0},
	{"a limit", []string{"strain: 1500 um/m", "strain: 300 um/m"}, "pile beam rail tie knee", 0},
}

// Whatever kind of constant is found wrong, for all time, from a moment in the
// past on, or for a while: the result is that of a fresh reduction of the same
// readings under the same timeline, and columns that the change cannot reach are
// those that were there. Reduce makes one cut of its input: where the archive has
// twelve, columns are compared bit by bit, and where it has one, whole files.
func TestEveryKindOfChange(t *testing.T) {
	parallel(t)
	program, dir := must(glueline())(t), t.TempDir()
	first := filepath.Join(dir, "first.yaml")
	if err := os.WriteFile(first, []byte(mooring), 0o600); err != nil {
		t.Fatal(err)
	}
	files, events, cut := mooringFiles(t, dir, 60)
	reduce := func(out string, args ...string) string {
		t.Helper()
		run(t, program, append(append([]string{"reduce"}, args...), append([]string{"--events", events, "--out", out, "--quiet"}, files...)...)...)
		return out
	}
	served := func(name, events string) (data string) {
		t.Helper()
		o := options{testFile: first, data: filepath.Join(dir, name)}
		url := o.listening(t)
		o.args = append(o.args, "--cut-bytes", "0") // as reduce cuts
		s := start(t, o)
		s.ready()
		run(t, program, append([]string{"replay", first, "--events", events, "--nats", url, "--quiet"}, files...)...)
		s.untilCommitted()
		s.stop()
		return o.data
	}
	whole, inCuts := served("whole", events), served("cuts", cut)
	rereduce := func(data string, args ...string) string {
		t.Helper()
		to := filepath.Join(t.TempDir(), "data")
		for _, folder := range []string{"raw", "r1", "test"} {
			if err := os.CopyFS(filepath.Join(to, folder), os.DirFS(filepath.Join(data, folder))); err != nil {
				t.Fatal(err)
			}
		}
		run(t, program, append([]string{"rereduce", to, "--who", "test", "--why", "typed wrong", "--same", "--quiet"}, args...)...)
		return filepath.Join(to, "r2")
	}
	if n := len(must(filepath.Glob(filepath.Join(inCuts, "r1", "*.commit.json")))(t)); n < 12 {
		t.Fatalf("%d cuts", n)
	}
	was := columns(t, filepath.Join(inCuts, "r1"))
	const from, to = 17.123, 46.5
	for i, kind := range kindsOfChange {
		text := mooring
		for j := 0; j < len(kind.pairs); j += 2 {
			if !strings.Contains(text, kind.pairs[j]) {
				t.Fatalf("%s: the test file has no %q", kind.name, kind.pairs[j])
			}
			text = strings.ReplaceAll(text, kind.pairs[j], kind.pairs[j+1])
		}
		right := filepath.Join(dir, fmt.Sprintf("right-%d.yaml", i))
		if err := os.WriteFile(right, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, span := range []struct {
			name     string
			rereduce []string
			reduce   []string
		}{
			{"for all time", nil, []string{right}},
			{"from a moment on", []string{"--from", mooringAt(from)}, []string{first, "--then", mooringAt(from) + "=" + right}},
			{"for a while", []string{"--from", mooringAt(from), "--to", mooringAt(to)}, []string{first, "--then", mooringAt(from) + "=" + right, "--then", mooringAt(to) + "=" + first}},
		} {
			t.Run(kind.name+" "+span.name, func(t *testing.T) {
				change := append([]string{"--calibration", right}, span.rereduce...)
				anew := reduce(filepath.Join(t.TempDir(), "anew"), span.reduce...)
				now, fresh := columns(t, rereduce(inCuts, change...)), columns(t, anew)
				for name := range fresh {
					if !slices.Equal(now[name], fresh[name]) {
						t.Errorf("column %s is not that of a fresh reduction: %d values, want %d, or others", name, len(now[name]), len(fresh[name]))
					}
				}
				if len(span.rereduce) > 2 && kind.touches != "" { // reduce begins a file where the same holds on
					sameFiles(t, anew, results(t, rereduce(whole, change...)))
				}
				moved := 0
				for _, name := range slices.Sorted(maps.Keys(was)) {
					reached := slices.ContainsFunc(strings.Fields(kind.touches), func(word string) bool { return strings.HasPrefix(name, word) })
					switch same := slices.Equal(was[name], now[name]); {
					case !same && !reached:
						t.Errorf("column %s is another", name)
					case !same:
						moved++
					}
				}
				if len(was) < 15 || len(now) != len(was) || kind.touches != "" && (moved == 0) != (kind.at > 0 && span.rereduce != nil) {
					t.Errorf("%d of %d columns moved", moved, len(was))
				}
			})
		}
	}
}
