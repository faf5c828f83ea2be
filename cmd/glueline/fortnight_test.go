package main

import (
	"bufio"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/drift/driftsim"
)

// fortnight is two weeks of one article under one weather with a channel of each
// kind of trouble, each on an instrument of its own with a companion that has
// none, as raw files and events.
type fortnight struct {
	t      *testing.T
	dir    string
	random *rand.Rand
	raw    []string
	events strings.Builder
	// Of the test file.
	sources, gauges, positions, wiring, temperatures, auxiliary, installations, channels strings.Builder
}

// swings is how often the tired grid's bracket swings in a minute, and by how much
// in m/m. The instrument that reads it is the fast one, four readings a swing; the
// others hang where nothing swings.
const (
	swings   = 10
	swinging = 80e-6
)

func newFortnight(t *testing.T, seed uint64) (*fortnight, map[string]driftsim.Channel) {
	t.Helper()
	f := &fortnight{t: t, dir: t.TempDir(), random: rand.New(rand.NewPCG(seed, 1))}
	article := f.random.Uint64() | 1
	all := map[string]driftsim.Channel{}
	for _, kind := range driftsim.Kinds {
		all[kind] = driftsim.Make(driftsim.Options{Seed: f.random.Uint64(), Kind: kind, Article: article, Shaking: swings, Clear: true})
	}
	f.say(0, `"event":"zero","state":"begin","kind":"installation"`)
	f.say(60, `"event":"zero","state":"end","kind":"installation"`)
	first := all[driftsim.Healthy]
	for m := range first.Samples {
		if idle := first.Samples[m].Idle; m == 0 || idle != first.Samples[m-1].Idle {
			f.say(float64(m), `"event":"load-state","state":%q`, map[bool]string{true: "idle", false: "loaded"}[idle])
		}
	}
	f.article(&first)
	for _, kind := range driftsim.Kinds {
		c := all[kind]
		f.channel(kind, &c)
	}
	f.ring(all)
	return f, all
}

func (f *fortnight) say(minute float64, form string, values ...any) {
	at := driftBegin.Add(time.Duration(minute * float64(time.Minute)))
	fmt.Fprintf(&f.events, `{"time":%q,%s}`+"\n", at.Format(time.RFC3339Nano), fmt.Sprintf(form, values...))
}

// file writes a raw file: so many rows a minute of what a row is.
func (f *fortnight) file(source string, inputs []string, aMinute int, row func(minute, part int) []float64) {
	f.t.Helper()
	raw, err := os.Create(filepath.Join(f.dir, source+".csv"))
	if err != nil {
		f.t.Fatal(err)
	}
	out := bufio.NewWriterSize(raw, 1<<20)
	fmt.Fprintf(out, "# source: %s\ntime,%s\n", source, strings.Join(inputs, ","))
	var line []byte
	for i := range driftsim.Minutes * aMinute {
		at := driftBegin.Add(time.Duration(i) * time.Minute / time.Duration(aMinute))
		line = at.AppendFormat(line[:0], "2006-01-02T15:04:05.999Z")
		for _, v := range row(i/aMinute, i%aMinute) {
			line = append(line, ',')
			if !math.IsNaN(v) {
				line = strconv.AppendFloat(line, v, 'g', 9, 64)
			}
		}
		if _, err := out.Write(append(line, '\n')); err != nil {
			f.t.Fatal(err)
		}
	}
	if err := out.Flush(); err != nil {
		f.t.Fatal(err)
	}
	if err := raw.Close(); err != nil {
		f.t.Fatal(err)
	}
	f.raw = append(f.raw, raw.Name())
}

func (f *fortnight) wired(name, input string) {
	fmt.Fprintf(&f.positions, "  %s: {material: carbon-steel}\n", name)
	fmt.Fprintf(&f.wiring, "  - {position: %s, gauge: %s, input: %s}\n", name, name, input)
}

// article is what is read of it by a source of its own: load and air.
func (f *fortnight) article(c *driftsim.Channel) {
	f.sources.WriteString("  site: {rate: 0.05 Hz, unit: V/V, clock-tolerance: 1 s, inputs: {L1: {unit: N}, H1: {unit: \"%\"}}}\n")
	f.auxiliary.WriteString("  force: {input: site/L1, quantity: load, unit: kN, polynomial: [0, 1]}\n" +
		"  air: {input: site/H1, quantity: humidity, unit: \"%\", polynomial: [0, 1]}\n")
	f.file("site", []string{"L1 [N]", "H1 [%]"}, 3, func(m, _ int) []float64 {
		return []float64{c.Samples[m].Load + 1e-6*f.random.Float64(), c.Samples[m].Humidity}
	})
}

// channel is the instrument of one channel: its bridge, a companion, the metal's
// temperature and, where the channel has them, the cable's, the excitation, a
// reference and a witness gauge.
func (f *fortnight) channel(name string, c *driftsim.Channel) {
	b, first := &c.Bridge, &c.Samples[0]
	companion, witness := name+"-near", name+"-free"
	bridge, aMinute, rate := "quarter_3wire", 3, "0.05 Hz"
	if b.TwoWire {
		bridge = "quarter_2wire"
	}
	if name == driftsim.Fatigue {
		aMinute, rate = 4*swings, "0.6666666666666666 Hz"
	}
	columns := []string{"A1 [V/V]", "A2 [V/V]", "T1 [degC]"}
	read := []func(s *driftsim.Sample) float64{nil, func(s *driftsim.Sample) float64 { return s.Companions + f.noise(b) },
		func(s *driftsim.Sample) float64 { return s.Temperature }}
	inputs, excited, cable := "T1: {unit: degC}", "", ""
	if has := func(v float64, input, unit string, of func(s *driftsim.Sample) float64) bool {
		if math.IsNaN(v) {
			return false
		}
		columns, read = append(columns, input+" ["+unit+"]"), append(read, of)
		if unit != "V/V" {
			inputs += fmt.Sprintf(", %s: {unit: %s}", input, unit)
		}
		return true
	}; true {
		if has(first.Lead, "T2", "degC", func(s *driftsim.Sample) float64 { return s.Lead }) {
			cable = ", temperature: " + name + "-cable"
			fmt.Fprintf(&f.temperatures, "  %s-cable: {input: %s/T2, max-age: 1 h}\n", name, name)
		}
		if has(first.Volt, "UX", "V", func(s *driftsim.Sample) float64 { return s.Volt }) {
			excited = ", excitation-input: UX"
			fmt.Fprintf(&f.auxiliary, "  %s-volt: {input: %s/UX, quantity: other, unit: V, polynomial: [0, 1]}\n", name, name)
		}
		if has(first.Reference, "R1", "V/V", func(s *driftsim.Sample) float64 { return s.Reference }) {
			fmt.Fprintf(&f.auxiliary, "  %s-steady: {input: %s/R1, quantity: reference, unit: mV/V, polynomial: [0, 1000]}\n", name, name)
		}
		if has(first.Witness, "A3", "V/V", func(s *driftsim.Sample) float64 { return s.Witness + f.noise(b) }) {
			f.wired(witness, name+"/A3")
			fmt.Fprintf(&f.gauges, "  %s: {lot: %s, installation: %s}\n", witness, name, name)
			fmt.Fprintf(&f.channels, "  %s: {position: %s, bridge: quarter_3wire, witness-of: {channels: [%s]}}\n", witness, witness, name)
		}
	}
	fmt.Fprintf(&f.sources, "  %s: {rate: %s, unit: V/V, excitation: %g V%s, clock-tolerance: 1 s, inputs: {%s}}\n", name, rate, b.Volt, excited, inputs)
	fmt.Fprintf(&f.temperatures, "  %s-metal: {input: %s/T1, max-age: 1 h}\n", name, name)
	fmt.Fprintf(&f.gauges, "  %s: {lot: %s, installation: %s}\n  %s: {lot: %s}\n", name, name, name, companion, name)
	fmt.Fprintf(&f.installations, "  %s: {adhesive: {class: cyanoacrylate}, bonded: %s, cured: %s}\n", name,
		driftBegin.Add(-time.Hour).Format(time.RFC3339), driftBegin.Add(time.Duration(b.CureEnd)*time.Minute).Format(time.RFC3339))
	f.wired(name, name+"/A1")
	f.wired(companion, name+"/A2")
	fmt.Fprintf(&f.channels, "  %s: {position: %s, bridge: %s, temperature: %s-metal, neighbours: [%s-ring], leads: {resistance: %.17g ohm, temperature-coefficient: 0 /K%s}, shunt: {location: gauge, resistor: %g ohm}}\n",
		name, name, bridge, name, name, b.Lead, cable, b.Shunt)
	fmt.Fprintf(&f.channels, "  %s: {position: %s, bridge: quarter_3wire}\n", companion, companion)
	for m := range c.Samples {
		s := &c.Samples[m]
		if !math.IsNaN(s.Insulation) {
			f.say(float64(m), `"event":"insulation","channel":%q,"value":"%.6g Mohm"`, name, s.Insulation/1e6)
		}
		if !math.IsNaN(s.Shunted) { // off for the last third of the minute
			f.say(float64(m)+0.01, `"event":"shunt","state":"on","channel":%q`, name)
			f.say(float64(m)+0.6, `"event":"shunt","state":"off","channel":%q`, name)
		}
	}
	values := make([]float64, len(read))
	f.file(name, columns, aMinute, func(m, part int) []float64 {
		s := &c.Samples[m]
		values[0] = s.Ratio
		if third := 3 * part / aMinute; third == 1 && !math.IsNaN(s.Shunted) {
			values[0] = s.Shunted
		}
		if name == driftsim.Fatigue && s.Cycles > 0 {
			values[0] += swinging * b.GaugeFactor / 4 * [...]float64{0, 1, 0, -1}[part%4]
		}
		values[0] += f.noise(b)
		for i, of := range read[1:] {
			values[i+1] = of(s)
		}
		return values
	})
}

// noise is that of an instrument, in V/V.
func (f *fortnight) noise(b *driftsim.Bridge) float64 {
	return 0.2e-6 / 4 * b.GaugeFactor * f.random.NormFloat64()
}

// ring is the instrument of the neighbours.
func (f *fortnight) ring(all map[string]driftsim.Channel) {
	f.sources.WriteString("  ring: {rate: 0.05 Hz, unit: V/V, excitation: 2.5 V, clock-tolerance: 1 s}\n")
	var columns []string
	for i, kind := range driftsim.Kinds {
		name, input := kind+"-ring", fmt.Sprintf("A%d", i+1)
		columns = append(columns, input+" [V/V]")
		f.wired(name, "ring/"+input)
		fmt.Fprintf(&f.gauges, "  %s: {lot: %s}\n", name, kind)
		fmt.Fprintf(&f.channels, "  %s: {position: %s, bridge: quarter_3wire}\n", name, name)
	}
	values := make([]float64, len(columns))
	f.file("ring", columns, 3, func(m, _ int) []float64 {
		for i, kind := range driftsim.Kinds {
			c := all[kind]
			values[i] = c.Bridge.GaugeFactor / 4 * c.Samples[m].Neighbours
		}
		return values
	})
}

// reduce returns the folder of results.
func (f *fortnight) reduce(all map[string]driftsim.Channel) string {
	f.t.Helper()
	var lots strings.Builder
	for _, kind := range driftsim.Kinds {
		b := all[kind].Bridge
		fmt.Fprintf(&lots, "  %s: {resistance: %g ohm, gauge-factor: %.17g}\n", kind, b.Gauge, b.GaugeFactor)
	}
	text := "test: {name: fortnight, zone: UTC, load: force}\n"
	for _, part := range []struct{ name, of string }{
		{"sources", f.sources.String()}, {"lots", lots.String()}, {"installations", f.installations.String()}, {"gauges", f.gauges.String()},
		{"positions", f.positions.String()}, {"wiring", f.wiring.String()}, {"temperatures", f.temperatures.String()},
		{"auxiliary", f.auxiliary.String()}, {"channels", f.channels.String()},
	} {
		text += part.name + ":\n" + part.of
	}
	args := append([]string{write(f.t, f.dir, "fortnight.yaml", text), "--events", write(f.t, f.dir, "events.jsonl", f.events.String())}, f.raw...)
	return reduceTo(f.t, args...)
}

// Two weeks with one trouble of each kind on channels of one article, from raw
// files to the command: the right cause is first, and its onset is within twelve
// hours of when it began or could be seen. The troubles are of a size that nobody
// overlooks and everything is measured (driftsim.Options.Clear); smaller ones on
// channels that know less are those of make drift. GLUELINE_DRIFT draws another
// article.
func TestFortnight(t *testing.T) {
	t.Parallel()
	seed := uint64(1)
	if os.Getenv("GLUELINE_DRIFT") != "" {
		seed = rand.Uint64()
		if text := os.Getenv("GLUELINE_DRIFT_SEED"); text != "" {
			var err error
			if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
				t.Fatal(err)
			}
		}
		t.Logf("seed %d", seed)
	}
	f, all := newFortnight(t, seed)
	dir := f.reduce(all)
	said := driftOf(t, dir)
	for _, kind := range driftsim.Kinds {
		truth, got := all[kind].Truth, said[kind]
		from, to := float64(truth.Onset)/60, float64(max(truth.Onset, truth.Shows))/60
		since, err := time.Parse(time.RFC3339, got.Since)
		hour := since.Sub(driftBegin).Hours()
		switch {
		case got.Says != kind || kind != driftsim.Healthy && got.Ranked[0].Cause != kind:
			t.Errorf("%s is called %s", kind, got.Says)
			for _, o := range got.Ranked[:min(3, len(got.Ranked))] {
				t.Logf("  %s %.2f for %q against %q", o.Cause, o.Weight, o.For, o.Against)
			}
		case kind == driftsim.Healthy:
			if got.Since != "" {
				t.Errorf("healthy since %s", got.Since)
			}
		case err != nil || hour < from-12 || hour > to+12:
			t.Errorf("%s since hour %.1f; it began at hour %.1f and can be seen from %.1f (%v)", kind, hour, from, to, err)
		default:
			t.Logf("%s since hour %.1f; it began at hour %.1f and can be seen from %.1f", kind, hour, from, to)
		}
		if near := said[kind+"-near"]; kind != driftsim.Instrument && near.Says != "healthy" {
			t.Errorf("beside %s, a channel without trouble is called %s", kind, near.Says)
		}
	}
}
