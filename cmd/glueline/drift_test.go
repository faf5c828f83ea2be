package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/drift/driftsim"
	"glueline/pipeline/follow"
	"glueline/sinks/health"
)

// driftBegin is when made-up channels begin.
var driftBegin = time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)

// sampleEvery is short enough for the windows of a shunt check; every reading of
// the made-up channel stands for three.
const sampleEvery = 20 * time.Second

// driftFolder reduces two weeks of a made-up channel, and returns the results.
func driftFolder(t *testing.T, c *driftsim.Channel, more string) (folder, testFile string) {
	t.Helper()
	testFile, raw, events := driftFiles(t, c, more)
	return reduceTo(t, testFile, "--events", events, raw), testFile
}

// driftFiles writes a made-up channel as a raw file of an instrument with two more
// channels, and its events and more of them.
func driftFiles(t *testing.T, c *driftsim.Channel, more string) (testFile, rawFile, events string) {
	t.Helper()
	dir := t.TempDir()
	bridge, leads := "quarter_3wire", ", temperature: cable"
	if c.Bridge.TwoWire {
		bridge = "quarter_2wire"
	}
	first := &c.Samples[0]
	if math.IsNaN(first.Lead) {
		leads = ""
	}
	volt := ""
	if !math.IsNaN(first.Volt) {
		volt = ", excitation-input: UX"
	}
	text := fmt.Sprintf(`
test: {name: drift, zone: UTC, load: force}
sources:
  node: {rate: 0.05 Hz, unit: V/V, excitation: %g V%s, clock-tolerance: 1 s, inputs: {L1: {unit: N}, T1: {unit: degC}, T2: {unit: degC}, H1: {unit: "%%"}, UX: {unit: V}}}
lots: {A: {resistance: %g ohm, gauge-factor: %.17g}}
gauges: {g1: {lot: A}, g2: {lot: A}, g3: {lot: A}}
positions: {p1: {material: carbon-steel}, p2: {material: carbon-steel}, p3: {material: carbon-steel}}
wiring:
  - {position: p1, gauge: g1, input: node/A1}
  - {position: p2, gauge: g2, input: node/A2}
  - {position: p3, gauge: g3, input: node/A3}
temperatures: {metal: {input: node/T1, max-age: 1 h}, cable: {input: node/T2, max-age: 1 h}}
auxiliary:
  force: {input: node/L1, quantity: load, unit: kN, polynomial: [0, 1]}
  air: {input: node/H1, quantity: humidity, unit: "%%", polynomial: [0, 1]}
  bridge-voltage: {input: node/UX, quantity: other, unit: V, polynomial: [0, 1]}
fatigue: {weld: {coefficient: 9000 MPa, exponent: -0.333, source: invented}}
channels:
  web: {position: p1, bridge: %s, temperature: metal, leads: {resistance: %.17g ohm, temperature-coefficient: 0 /K%s}, shunt: {location: gauge, resistor: %g ohm}, fatigue: weld}
  near: {position: p2, bridge: quarter_3wire}
  far: {position: p3, bridge: quarter_3wire}
`, c.Bridge.Volt, volt, c.Bridge.Gauge, c.Bridge.GaugeFactor, bridge, c.Bridge.Lead, leads, c.Bridge.Shunt)
	testFile = write(t, dir, "drift.yaml", text)

	var said strings.Builder
	say := func(minute float64, form string, values ...any) {
		at := driftBegin.Add(time.Duration(minute * float64(time.Minute)))
		fmt.Fprintf(&said, `{"time":%q,%s}`+"\n", at.Format(time.RFC3339Nano), fmt.Sprintf(form, values...))
	}
	say(0, `"event":"zero","state":"begin","kind":"installation"`)
	say(60, `"event":"zero","state":"end","kind":"installation"`)

	raw, err := os.Create(filepath.Join(dir, "node.csv"))
	if err != nil {
		t.Fatal(err)
	}
	out := bufio.NewWriter(raw)
	fmt.Fprintln(out, "# source: node")
	fmt.Fprintln(out, "time,A1 [V/V],A2 [V/V],A3 [V/V],L1 [N],T1 [degC],T2 [degC],H1 [%],UX [V]")
	random := rand.New(rand.NewPCG(1, 2))
	noise := func() float64 { return 0.2e-6 / 4 * c.Bridge.GaugeFactor * random.NormFloat64() }
	cell := func(v float64) string {
		if math.IsNaN(v) {
			return ""
		}
		return fmt.Sprintf("%.9g", v)
	}
	idle := false
	for m := range c.Samples {
		s := &c.Samples[m]
		if s.Idle != idle || m == 0 {
			idle = s.Idle
			say(float64(m), `"event":"load-state","state":%q`, map[bool]string{true: "idle", false: "loaded"}[idle])
		}
		if !math.IsNaN(s.Insulation) {
			say(float64(m), `"event":"insulation","channel":"web","value":"%.6g Mohm"`, s.Insulation/1e6)
		}
		shunted := !math.IsNaN(s.Shunted)
		if shunted { // it is off for the last third of the minute
			say(float64(m)+0.01, `"event":"shunt","state":"on","channel":"web"`)
			say(float64(m)+0.6, `"event":"shunt","state":"off","channel":"web"`)
		}
		for third := range 3 {
			ratio := s.Ratio
			if shunted && third == 1 {
				ratio = s.Shunted
			}
			at := driftBegin.Add(time.Duration(m)*time.Minute + time.Duration(third)*sampleEvery)
			fmt.Fprintf(out, "%s,%s,%s,%s,%s,%s,%s,%s,%s\n", at.Format("2006-01-02T15:04:05Z"), cell(ratio+noise()), cell(s.Companions+noise()), cell(s.Companions+noise()),
				cell(s.Load+1e-6*random.Float64()), cell(s.Temperature), cell(s.Lead), cell(s.Humidity), cell(s.Volt))
		}
	}
	fmt.Fprintln(&said, more)
	if err := out.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := raw.Close(); err != nil {
		t.Fatal(err)
	}
	return testFile, raw.Name(), write(t, dir, "events.jsonl", said.String())
}

type driftSaid struct {
	Channels []health.Channel `json:"channels"`
}

func driftOf(t *testing.T, args ...string) map[string]health.Channel {
	t.Helper()
	status, out, errs := glueline(t.Context(), append([]string{"drift", "--json"}, args...)...)
	if status != 0 || errs != "" {
		t.Fatalf("status %d: %s%s", status, out, errs)
	}
	var said driftSaid
	if err := json.Unmarshal([]byte(out), &said); err != nil {
		t.Fatal(err)
	}
	all := map[string]health.Channel{}
	for _, c := range said.Channels {
		all[c.Channel] = c
	}
	return all
}

// Two weeks of made-up channels, from raw files to the command: the right cause
// is first, and its onset within twelve hours. The physics are those of package
// driftsim, which shares no code with what judges. A grid that tires is not among
// them: its load cycles are faster than these samples.
func TestDriftNamesTheCause(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{
		driftsim.Healthy, driftsim.Moisture, driftsim.Creep, driftsim.Connector, driftsim.LeadHeat, driftsim.Debond, driftsim.SelfHeating,
		driftsim.Instrument, driftsim.Structure, driftsim.ThermalResidue,
	} {
		t.Run(kind, func(t *testing.T) {
			c := driftsim.Make(driftsim.Options{Seed: 2, Kind: kind})
			dir, testFile := driftFolder(t, &c, "")
			web := driftOf(t, dir, "--test", testFile)["web"]
			if web.Says != kind || web.Ranked[0].Cause != kind {
				status, out, errs := glueline(t.Context(), "drift", dir)
				t.Fatalf("%s, want %s (%d %s)\n%s", web.Says, kind, status, errs, out)
			}
			if len(web.Shunts) < 15 || web.Damage == nil || !(*web.Damage > 0) || web.LoadCycles < 50 || web.Minutes < 19000 {
				t.Errorf("%d shunt checks, damage %v, %g cycles, %d minutes", len(web.Shunts), web.Damage, web.LoadCycles, web.Minutes)
			}
			if kind == driftsim.Healthy {
				return
			}
			since, err := time.Parse(time.RFC3339, web.Since)
			if err != nil {
				t.Fatal(err)
			}
			said := since.Sub(driftBegin).Hours()
			from, to := float64(c.Truth.Onset)/60, float64(max(c.Truth.Onset, c.Truth.Shows))/60
			if said < from-12 || said > to+12 {
				t.Errorf("since hour %.1f; it began at hour %.1f and can be seen from %.1f", said, from, to)
			}
		})
	}
}

// A cause that a person ruled out is off the list, with the name beside it; not a
// byte of the results is another for it.
func TestRuledOut(t *testing.T) {
	c := driftsim.Make(driftsim.Options{Seed: 2, Kind: driftsim.Structure})
	before, _ := driftFolder(t, &c, "")
	after, _ := driftFolder(t, &c, `{"time":"2026-05-16T08:00:00Z","event":"ruled-out","channel":"web","name":"structure","who":"M. Arkle","why":"penetrant showed nothing"}`)
	if says := driftOf(t, before)["web"].Says; says != "structure" {
		t.Fatalf("%s without it", says)
	}
	web := driftOf(t, after)["web"]
	if web.Says == "structure" || slices.ContainsFunc(web.Ranked, func(o health.Cause) bool { return o.Cause == "structure" }) || web.Says == "healthy" {
		t.Errorf("%s, of %v", web.Says, web.Ranked)
	}
	if want := (health.RuledOut{Cause: "structure", Who: "M. Arkle", Why: "penetrant showed nothing"}); len(web.RuledOut) != 1 || web.RuledOut[0] != want {
		t.Errorf("%v", web.RuledOut)
	}
	if _, text, _ := glueline(t.Context(), "drift", after, "--channels", "web"); !strings.Contains(text, "Ruled out: structure, by M. Arkle: penetrant showed nothing") {
		t.Errorf("%s", text)
	}
	files, err := filepath.Glob(filepath.Join(before, "*.arrow"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, path := range files {
		a, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(after, filepath.Base(path)))
		if err != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: %d and %d bytes, %v", filepath.Base(path), len(a), len(b), err)
		}
	}
}

// What people read, and what spreadsheets do.
func TestDriftTables(t *testing.T) {
	c := driftsim.Make(driftsim.Options{Seed: 2, Kind: driftsim.Moisture})
	dir, testFile := driftFolder(t, &c, "")
	status, text, errs := glueline(t.Context(), "drift", dir, "--test", testFile)
	if status != 0 || errs != "" {
		t.Fatal(status, errs)
	}
	for _, want := range []string{"web: moisture, ", "     for      ", "     decides  read the insulation, gauge to article", driftSays, "near     healthy"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if strings.Contains(text, "near: ") || strings.Count(text, "  1. ") != 1 {
		t.Errorf("what is healthy is not explained:\n%s", text)
	}
	if strings.Contains(text, "No test file is kept") {
		t.Errorf("a test file is given\n%s", text)
	}
	if _, text, _ := glueline(t.Context(), "drift", dir); !strings.Contains(text, "No test file is kept beside what reduce wrote, so that nothing is said of damage") || !strings.Contains(text, "No health files stand there either") {
		t.Errorf("it does not say why it knows less\n%s", text)
	}
	for option, want := range map[string]string{"--evidence": "write --json with it", "--kept --test x.yaml": "leave --test away", "--kept --now": "can't be used together"} {
		if status, _, errs := glueline(t.Context(), append([]string{"drift", dir}, strings.Fields(option)...)...); status != 2 || !strings.Contains(errs, want) {
			t.Errorf("%s: %d %s", option, status, errs)
		}
	}
	status, text, errs = glueline(t.Context(), "drift", dir, "--csv", "--channels", "web")
	if status != 0 || errs != "" {
		t.Fatal(status, errs)
	}
	rows := rowsOf(t, text)
	if row := rows[0]; len(rows) != 1 || row["says"] != "moisture" || row["damage"] != "" || !(math.Abs(number(t, row, "moved_strain")) > 8e-6) || row["source"] != "node" {
		t.Errorf("%v", rows)
	}
	if status, _, errs := glueline(t.Context(), "drift", dir, "--channels", "nobody"); status != 1 || !strings.Contains(errs, `no channel "nobody"`) {
		t.Errorf("%d %s", status, errs)
	}
	if status, _, errs := glueline(t.Context(), "drift", t.TempDir()); status != 1 || !strings.Contains(errs, "no commit record") {
		t.Errorf("%d %s", status, errs)
	}
	if status, _, errs := glueline(t.Context(), "rule-out", "web", "gremlins", "--who", "M. Arkle", "--why", "none seen"); status != 2 || !strings.Contains(errs, `no cause "gremlins"; write one of moisture`) {
		t.Errorf("%d %s", status, errs)
	}
}

// A record that is too short has not learnt what is healthy, and says so.
func TestDriftLearns(t *testing.T) {
	c := driftsim.Make(driftsim.Options{Seed: 2, Kind: driftsim.Healthy})
	for hours, want := range map[int]string{1: health.NoReading, 12: health.Learning, 40: health.Learning, 60: "healthy"} {
		short := c
		short.Samples = c.Samples[:60*hours]
		dir, _ := driftFolder(t, &short, "")
		web := driftOf(t, dir)["web"]
		if web.Says != want || web.Since != "" || want != "healthy" && web.Certainty != "" {
			t.Errorf("%d hours: %s, %s, since %q", hours, web.Says, web.Certainty, web.Since)
		}
		_, text, _ := glueline(t.Context(), "drift", dir)
		for state, words := range map[string]string{health.NoReading: "web: no reading to judge by", health.Learning: "web: too little to know"} {
			if strings.Contains(text, words) != (want == state) {
				t.Errorf("%d hours:\n%s", hours, text)
			}
		}
	}
}

// The command of a running service: it stands in the record, and drift reads it.
func TestRuleOutOfAService(t *testing.T) {
	b := newLiveBench(t)
	b.feed(3)
	b.caughtUp()
	out := b.command(0, nil, "rule-out", "beam", "structure")
	if !strings.Contains(out, "ruled out as a cause for beam: structure, by M. Arkle") {
		t.Errorf("%s", out)
	}
	status, text, errs := glueline(t.Context(), "drift", b.data, "--now", "--json")
	if status != 0 || errs != "" || !strings.Contains(text, `"why": "a trial"`) {
		t.Errorf("%d %s\n%s", status, errs, text)
	}
}

// A channel that is reduced by other constants from a file on is named; one whose
// wiring was only written on is not.
func TestConstantsThatChange(t *testing.T) {
	text := func(name, factor string, wires ...string) string {
		for i, span := range wires {
			wires[i] = `{"input_and_gauge":"node/A1|g1",` + span + `,"constants":{"Resistance":350,"GaugeFactor":{"Value":` + factor + `}}}`
		}
		return `{"name":"` + name + `","wires":[` + strings.Join(wires, ",") + `]}`
	}
	w := newConstantsWatch(&walkState{})
	for range passes {
		w.begin()
		for _, file := range []struct {
			channel, text string
			at            int64
		}{
			{"web", text("web", "2", `"from_ns":0,"to_ns":100`), 10},
			{"far", text("far", "2", `"from_ns":0,"to_ns":100`), 10},
			{"web", text("web", "2", `"from_ns":0,"to_ns":100`), 20},
			{"far", text("far", "2", `"from_ns":0,"to_ns":30`, `"from_ns":30,"to_ns":100`), 20},
			{"web", text("web", "2.1", `"from_ns":0,"to_ns":100`), 30},
			{"web", text("web", "2.1", `"from_ns":0,"to_ns":100`), 40},
		} {
			if _, err := w.see(file.channel, file.text, file.at); err != nil {
				t.Fatal(err)
			}
		}
	}
	if len(w.changed) != 1 || w.changed["web"] != 30 {
		t.Errorf("%v, want web at 30", w.changed)
	}
	if _, err := w.see("web", "{", 50); err == nil {
		t.Error("constants that are none")
	}
	var out strings.Builder
	recalibrated(&out, []follow.Health{{Channel: "far"}, {Channel: "web"}}, map[string]time.Time{"web": time.Unix(0, w.changed["web"]).UTC()})
	if !strings.HasSuffix(out.String(), ":\n  web at 1970-01-01 00:00Z\n") {
		t.Errorf("%s", out.String())
	}
}
