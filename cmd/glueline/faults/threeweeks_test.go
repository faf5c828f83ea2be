package faults

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/sinks/segment"
)

// jetty is an invented test that goes on for weeks at a reading every 50 s.
const jetty = `
test: {name: jetty, zero: {first: 1 h}}
sources:
  node: {rate: 0.02 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 1 s}
  logger: {rate: 0.02 Hz, unit: degC, clock-tolerance: 1 s}
lots:
  A: {resistance: 350 ohm, gauge-factor: 2.08, transverse-sensitivity: 0.9 %, thermal-output: {in: microstrain, of: degC, coefficients: [-20, 2, -0.05], material-expansion: 11.5e-6 /K, from: 0 degC, to: 60 degC}}
  B: {resistance: 120 ohm, gauge-factor: 2.11, transverse-sensitivity: 0.4 %}
materials: {plate: {young: 206 GPa, poisson: 0.3, expansion: 11.5e-6 /K, source: invented}}
gauges: {g1: {lot: A}, g2: {lot: B}, g3: {lot: B}}
positions: {pile: {material: plate}, beam: {material: plate}, rail: {material: plate}}
wiring:
  - {position: pile, gauge: g1, input: node/1}
  - {position: beam, gauge: g2, input: node/2}
  - {position: rail, gauge: g3, input: node/3}
temperatures: {air: {input: logger/T, max-age: 5 min}}
channels:
  pile: {bridge: quarter_3wire, transverse: none, temperature: air, leads: {resistance: 1.1 ohm}}
  beam: {bridge: quarter_3wire, transverse: none, leads: {resistance: 0.4 ohm}}
  rail: {bridge: quarter_2wire, transverse: none, leads: {resistance: 0.8 ohm}}
`

const (
	jettyRows  = 48                               // readings a frame: 40 minutes
	jettyEvery = 50e9                             // ns
	jettyDay   = 24 * 60 / 40                     // frames
	jettyStart = int64(1_777_852_800_000_000_000) // 2026-05-04T00:00:00Z
)

// jettyFrame is a frame of the jetty; the gauges of pile and beam may be on each
// other's inputs.
func jettyFrame(source string, n uint64, crossed bool) *frame.Frame {
	random := rand.New(rand.NewPCG(n, uint64(len(source))))
	f := &frame.Frame{Source: source, Boot: "one", Number: n, Counter: n * jettyRows, Counted: true}
	day := make([]float64, jettyRows)
	for row := range day {
		at := (int64(n)*jettyRows + int64(row)) * jettyEvery
		f.Time, day[row] = append(f.Time, jettyStart+at), float64(at)/(24*3600e9)
	}
	column := func(name, unit string, value func(day float64) float64) {
		c := frame.Column{Name: name, Unit: unit}
		for _, d := range day {
			c.Float = append(c.Float, value(d)+1e-4*random.NormFloat64())
		}
		f.Columns = append(f.Columns, c)
	}
	if source == "logger" {
		column("T", "degC", func(d float64) float64 { return 18 + 9*math.Sin(2*math.Pi*d) })
		return f
	}
	for i, phase := range []float64{0, 1.3, 2.1} {
		column(itoa(i+1), "mV/V", func(d float64) float64 { return 0.02*d + (0.3+0.1*phase)*math.Sin(7*math.Pi*d+phase) })
	}
	if crossed {
		f.Columns[0].Float, f.Columns[1].Float = f.Columns[1].Float, f.Columns[0].Float
	}
	return f
}

// play is a stretch of days with what is said in them. On the morning of day 5 all
// channels are zeroed, and at noon the one that shunted names; on day 12 it is shunted.
func (s *script) play(from, to uint64, crossed func(n uint64) bool, shunted string) {
	s.t.Helper()
	said := map[uint64]string{
		5*jettyDay + 3:  `"event":"load-state","state":"idle"`,
		5*jettyDay + 9:  `"event":"zero","state":"begin","kind":"test","name":"morning"`,
		5*jettyDay + 12: `"event":"zero","state":"end","kind":"test","name":"morning"`,
		5*jettyDay + 18: `"event":"zero","state":"begin","kind":"test","name":"noon","channel":"` + shunted + `"`,
		5*jettyDay + 21: `"event":"zero","state":"end","kind":"test","name":"noon","channel":"` + shunted + `"`,
		12*jettyDay + 1: `"event":"shunt","state":"on","channel":"` + shunted + `"`,
		12*jettyDay + 4: `"event":"shunt","state":"off","channel":"` + shunted + `"`,
		23*jettyDay + 2: `"event":"zero","state":"begin","kind":"test","name":"put right"`,
		23*jettyDay + 5: `"event":"zero","state":"end","kind":"test","name":"put right"`,
	}
	for n := from * jettyDay; n < to*jettyDay; n++ {
		if text := said[n]; text != "" {
			s.service.event(fmt.Sprintf(`{"time":%q,"who":"test",%s}`, jettyTime(n), text))
		}
		s.send(jettyFrame("logger", n, false))
		s.send(jettyFrame("node", n, crossed(n)))
	}
}

func jettyTime(n uint64) string {
	return time.Unix(0, jettyStart+int64(n)*jettyRows*jettyEvery).UTC().Format(time.RFC3339)
}

// Two channels are swapped from the first day to day 23, with zeros and a shunt in
// between; then it is found.
func TestSwappedForThreeWeeks(t *testing.T) {
	parallel(t)
	program := must(glueline())(t)
	crossedMap := strings.NewReplacer("gauge: g1, input: node/1", "gauge: g1, input: node/2", "gauge: g2, input: node/2", "gauge: g2, input: node/1")
	begin := func(t *testing.T, text string) *script {
		t.Helper()
		path := filepath.Join(t.TempDir(), "jetty.yaml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		o := options{args: []string{"--keep-journal"}}
		url := o.listening(t)
		return beginTest(t, o, url, path, "jetty")
	}
	end := func(s *script) { s.service.cut(); s.service.stop() }
	write := func(t *testing.T, text string) string {
		t.Helper()
		path := filepath.Join(t.TempDir(), "right.yaml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	always, never := func(uint64) bool { return true }, func(uint64) bool { return false }

	// The cables were laid so, and the map said otherwise: its files become those of
	// a map that was right from the first day on, whole and byte for byte. Of its
	// records what was said stays as it was said: of pile, which was beam.
	t.Run("in the map", func(t *testing.T) {
		right := begin(t, crossedMap.Replace(jetty))
		right.play(0, 23, always, "beam")
		end(right)
		s := begin(t, jetty)
		s.play(0, 23, always, "pile") // what is on input 1 is shunted
		end(s)
		run(t, program, "rereduce", s.o.data, "--calibration", write(t, crossedMap.Replace(jetty)), "--who", "test", "--why", "swapped", "--quiet")
		s.holds("r2")
		run(t, program, "explain", s.o.data, "pile", jettyTime(20*jettyDay)) // from what the revision remembers of the zero
		got, want := results(t, filepath.Join(s.o.data, "r2")), results(t, filepath.Join(right.o.data, "r1"))
		cuts := apartFromWords(t, got)
		if !slices.Equal(cuts, apartFromWords(t, want)) {
			t.Error("the records differ in more than what was said")
		}
		if n := sameFiles(t, got, want); n < 20 || n < len(cuts) {
			t.Errorf("%d files were compared, of %d cuts", n, len(cuts))
		}
		if before := columns(t, filepath.Join(s.o.data, "r1")); slices.Equal(before["pile [m/m]"], columns(t, filepath.Join(s.o.data, "r2"))["pile [m/m]"]) {
			t.Error("the map makes no difference to pile")
		}
	})

	// The cables were exchanged and were put right on day 23, and all channels were
	// zeroed then. The map is made right for those days: every value is that of a
	// test whose cables never were exchanged, but for pile and beam from the moment
	// that somebody had them in his hands to their zero.
	t.Run("in the cables, put right", func(t *testing.T) {
		uncrossed := begin(t, jetty)
		uncrossed.play(0, 25, never, "beam")
		end(uncrossed)
		s := begin(t, jetty)
		s.play(0, 25, func(n uint64) bool { return n < 23*jettyDay }, "pile")
		end(s)
		run(t, program, "rereduce", s.o.data, "--calibration", write(t, crossedMap.Replace(jetty)), "--to", jettyTime(23*jettyDay), "--who", "test", "--why", "swapped", "--quiet")
		s.holds("r2")
		got, want := byTime(t, filepath.Join(s.o.data, "r2")), byTime(t, filepath.Join(uncrossed.o.data, "r1"))
		const putRight, zeroed = 23 * jettyDay * jettyRows, (23*jettyDay + 5) * jettyRows
		for _, name := range []string{"pile [m/m]", "pile flags", "beam [m/m]", "beam flags", "rail [m/m]", "rail flags", "air [degC]"} {
			if len(want[name]) != 25*jettyDay*jettyRows || len(got[name]) != len(want[name]) {
				t.Fatalf("%s: %d values, want %d", name, len(got[name]), len(want[name]))
			}
			handled := strings.HasPrefix(name, "pile") || strings.HasPrefix(name, "beam")
			for i, v := range want[name] {
				if got[name][i] != v && !(handled && putRight <= i && i < zeroed) {
					t.Errorf("%s is another from %s on", name, time.Unix(0, v.time).UTC().Format(time.RFC3339))
					break
				}
			}
		}
	})
}

// apartFromWords takes the commit records out of a folder, and gives each without
// the events that it repeats and the hash of the one before.
func apartFromWords(t testing.TB, dir string) (records []string) {
	t.Helper()
	for _, path := range must(filepath.Glob(filepath.Join(dir, "*.commit.json")))(t) {
		r := must(segment.ReadCommit(path))(t)
		r.Events, r.Previous = nil, ""
		records = append(records, string(must(r.Encode())(t)))
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	return records
}

// timed is a value, as bits, and its time.
type timed struct {
	time int64
	bits uint64
}

// byTime are all columns of a revision with their times.
func byTime(t testing.TB, dir string) map[string][]timed {
	t.Helper()
	all := map[string][]timed{}
	for p := range partsOf(t, dir) {
		for row, bits := range p.bits() {
			all[p.Name] = append(all[p.Name], timed{p.time[row], bits})
		}
	}
	return all
}
