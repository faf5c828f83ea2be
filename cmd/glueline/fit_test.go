package main

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/simulate"
	"glueline/pipeline/steps"
	"glueline/pipeline/testfile"
)

// coupons is a week of four gauges of one lot, read once a minute by one source
// while another reads the temperature: one on a free coupon, one on a strap that is
// free to expand and loaded half of the day, one on a web that is held, and one in
// a half bridge.
type coupons struct {
	t      *testing.T
	dir    string
	output string // the lot's thermal output in the test file
	noise  float64
}

const (
	couponDays   = 7
	couponFactor = 2.08
	couponZero   = 10 // minutes of the zero
)

// invented thermal output on carbon steel, in strain at a gauge factor of 2, and
// what the package states, which is another batch's.
var (
	couponOutput = []float64{-41e-6, 3.4e-6, -7.2e-8, 3.1e-10}
	packageSays  = "thermal-output: {in: microstrain, of: degC, coefficients: [-20, 1.9, -0.04], from: -20 degC, to: 90 degC}"
)

func couponTemperature(minute int) float64 {
	return 17 + 13*math.Sin(2*math.Pi*float64(minute)/1440) + 2*math.Sin(2*math.Pi*float64(minute)/4200)
}

func (c *coupons) testText() string {
	return fmt.Sprintf(`test: {name: coupons, zone: UTC, zero: {first: %d min}}
sources:
  node: {rate: 0.0166666667 Hz, unit: V/V, clock-tolerance: 1 s}
  climate: {rate: 0.0166666667 Hz, unit: degC, clock-tolerance: 1 s}
lots:
  "A 1":
    resistance: 350 ohm
    gauge-factor: %g
    gauge-factor-slope: 0.9 %%/100 degC
    transverse-sensitivity: 0.8 %%
    %s
gauges: {g1: {lot: A 1}, g2: {lot: A 1}, g3: {lot: A 1}, g4: {lot: A 1}, g5: {lot: A 1}}
positions:
  coupon: {material: carbon-steel}
  strap: {material: carbon-steel, free-to-expand: yes}
  web: {material: carbon-steel}
  beam: {material: carbon-steel}
wiring:
  - {position: coupon, gauge: g1, input: node/A1}
  - {position: strap, gauge: g2, input: node/A2}
  - {position: web, gauge: g3, input: node/A3}
  - {position: beam, gauge: g4, input: node/A4}
temperatures: {metal: {input: climate/T, max-age: 10 min}}
channels:
  coupon: {bridge: quarter_3wire, temperature: metal, leads: {resistance: 1.1 ohm}, witness-of: {channels: [web]}}
  strap: {bridge: quarter_3wire, temperature: metal, leads: {resistance: 1.1 ohm}}
  web: {bridge: quarter_3wire, temperature: metal, leads: {resistance: 1.1 ohm}}
  beam: {bridge: half_bending, temperature: metal}
`, couponZero, couponFactor, c.output)
}

// ratio is the reading of a three-wire quarter bridge, from its wiring: the change
// of the gauge, and two leads that warm with it.
func couponRatio(change, temperature float64) float64 {
	lead := 1.1 * (1 + 0.00393*(temperature-20))
	a, b := 350*(1+change)+lead, 350+lead
	return (a - b) / (a + b) / 2
}

func loadedAt(minute int) bool { return minute > couponZero && minute%1440 >= 480 && minute%1440 < 900 }

func (c *coupons) write() (testFile string, args []string) {
	c.t.Helper()
	begin := time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)
	random := rand.New(rand.NewPCG(7, 12))
	var node, climate, events strings.Builder
	node.WriteString("# source: node\ntime,A1 [V/V],A2 [V/V],A3 [V/V],A4 [V/V]\n")
	climate.WriteString("# source: climate\ntime,T [degC]\n")
	event := func(minute int, form string) {
		fmt.Fprintf(&events, `{"time":%q,%s}`+"\n", begin.Add(time.Duration(minute)*time.Minute).Format(time.RFC3339), form)
	}
	event(0, `"event":"load-state","state":"idle"`)
	polynomial := func(t float64) (y float64) {
		for i := len(couponOutput) - 1; i >= 0; i-- {
			y = y*t + couponOutput[i]
		}
		return y
	}
	wander := [3]float64{}
	for m := range couponDays * 1440 {
		if m > 0 && loadedAt(m) != loadedAt(m-1) {
			event(m, fmt.Sprintf(`"event":"load-state","state":%q`, map[bool]string{true: "loaded", false: "idle"}[loadedAt(m)]))
		}
		temperature := couponTemperature(m)
		at := begin.Add(time.Duration(m) * time.Minute).Format("2006-01-02T15:04:05Z")
		free := 2 * polynomial(temperature) // resistance change, up to a constant
		factor := couponFactor * (1 + 9e-5*(temperature-24))
		fmt.Fprint(&node, at)
		for i := range wander {
			rho := math.Exp(-1.0 / 30)
			wander[i] = rho*wander[i] + math.Sqrt(1-rho*rho)*random.NormFloat64()
			strain := c.noise * (wander[i] + random.NormFloat64())
			switch {
			case i == 1 && loadedAt(m):
				strain += 300e-6
			case i == 2: // what the held web is strained by, for being held
				strain -= 6e-6 * temperature
			}
			fmt.Fprintf(&node, ",%.9g", couponRatio(free+factor*strain, temperature))
		}
		fmt.Fprintf(&node, ",%.9g\n", 1e-6*random.Float64())
		fmt.Fprintf(&climate, "%s,%.6g\n", at, temperature)
	}
	testFile = write(c.t, c.dir, "test.yaml", c.testText())
	return testFile, []string{testFile, "--events", write(c.t, c.dir, "events.jsonl", events.String()),
		write(c.t, c.dir, "node.csv", node.String()), write(c.t, c.dir, "climate.csv", climate.String())}
}

// apparent is by how much a channel's strain moves over all temperatures while
// it has no load.
func apparent(t *testing.T, folder, channel string) float64 {
	t.Helper()
	r, err := openResults(folder)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.only([]string{channel}); err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC).UnixNano()
	low, high := math.Inf(1), math.Inf(-1)
	for _, g := range r.groups {
		if err := r.source(g)(func(s steps.Series) {
			for i, v := range s.Value {
				minute := int((s.Time[i] - begin) / int64(time.Minute))
				if s.Name == channel && !math.IsNaN(v) && !loadedAt(minute) {
					low, high = min(low, v), max(high, v)
				}
			}
		}); err != nil {
			t.Fatal(err)
		}
	}
	if math.IsInf(low, 0) {
		t.Fatalf("no strain of %s", channel)
	}
	return high - low
}

var bandSaid = regexp.MustCompile(`at most ± ([0-9.]+) um/m for any zero and reading`)

// The thermal output that was found is put into the test file; then temperature
// alone moves the strain by no more than the band that the fit stated. It moved it
// by tens of microstrain under the package's.
func TestFitThermalOutputRoundTrip(t *testing.T) {
	noisy := &coupons{t: t, dir: t.TempDir(), output: packageSays, noise: 1e-6}
	testFile, args := noisy.write()
	results := reduceTo(t, args...)

	// The same gauges without noise show the curve alone.
	clean := &coupons{t: t, dir: t.TempDir(), output: packageSays}
	_, cleanArgs := clean.write()
	before := reduceTo(t, cleanArgs...)

	for _, what := range []struct {
		name string
		args []string
		of   []string // channels that must be flat afterwards
	}{
		{"witness", []string{"--channels", "coupon"}, []string{"coupon"}},
		{"free strap, without load", []string{"--channels", "strap"}, []string{"strap"}},
		{"lot", []string{"--lot", "A 1"}, []string{"coupon", "strap"}},
	} {
		t.Run(what.name, func(t *testing.T) {
			dir := t.TempDir()
			proposal, plot := filepath.Join(dir, "proposal.yaml"), filepath.Join(dir, "plot.svg")
			out, err := process(t, append([]string{"fit", "thermal-output", results, "--test", testFile, "--proposal", proposal, "--plot", plot}, what.args...)...).CombinedOutput()
			if err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			said := string(out)
			t.Log(said)
			if !strings.HasPrefix(said, "Thermal output of ") || !strings.Contains(said, "It is not in force") {
				t.Errorf("said:\n%s", said)
			}
			if withheld := strings.Contains(said, "Not among them: web, of the same lot"); withheld != (what.name == "lot") {
				t.Errorf("what is left out of the lot:\n%s", said)
			}
			m := bandSaid.FindStringSubmatch(said)
			if m == nil {
				t.Fatalf("no band:\n%s", said)
			}
			band, err := strconv.ParseFloat(m[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			wellFormed(t, plot)

			text := read(t, proposal)
			_, taken, ok := strings.Cut(text, "    thermal-output:")
			if !ok || !strings.Contains(text, "\n  \"A 1\":\n") {
				t.Fatalf("proposal:\n%s", text)
			}
			after := &coupons{t: t, dir: t.TempDir(), output: "thermal-output:" + taken}
			_, args := after.write()
			again := reduceTo(t, args...)
			for _, channel := range what.of {
				was, is := 1e6*apparent(t, before, channel), 1e6*apparent(t, again, channel)
				t.Logf("%s: apparent strain %.2f um/m before, %.2f after, band %.2f", channel, was, is, band)
				if was < 20 {
					t.Errorf("%s: %.2f um/m before: this proves nothing", channel, was)
				}
				if !(is <= band+0.01) || band > 3 {
					t.Errorf("%s: %.2f um/m after, band %.2f", channel, is, band)
				}
			}
			if web := 1e6 * apparent(t, again, "web"); web < 100 {
				t.Errorf("the strain of the held web went too: %.2f um/m is left", web)
			}
		})
	}

	// The proposal is a part of a test file: nothing of it is a word that is not
	// known there.
	t.Run("printed", func(t *testing.T) {
		status, out, errs := glueline(t.Context(), "fit", "thermal-output", results, "--test", testFile, "--channels", "coupon", "--quiet")
		_, text, ok := strings.Cut(out, "\n# Proposal of "+program().Version+", not in force.")
		if status != 0 || errs != "" || !ok {
			t.Fatalf("status %d: %s%s", status, out, errs)
		}
		_, body, _ := strings.Cut(text, "\nlots:\n  \"A 1\":\n    ")
		test, err := testfile.Parse("t.yaml", []byte((&coupons{output: body}).testText()), nil)
		if err != nil {
			t.Fatal(err)
		}
		lot, _ := test.Lots.Get("A 1")
		steel, _ := test.Material("carbon-steel")
		o := lot.ThermalOutput
		if o.MaterialExpansion.Value != steel.Expansion.Value || o.ReferenceGaugeFactor.Value != 2 || len(o.Coefficients) < 3 {
			t.Errorf("proposed %+v", o)
		}
		if o.From.Value < 1.9 || o.From.Value > 6 || o.To.Value < 28 || o.To.Value > 32.1 {
			t.Errorf("from %v to %v degC", o.From.Value, o.To.Value)
		}
	})
}

func wellFormed(t *testing.T, path string) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d := xml.NewDecoder(f)
	marks := map[string]int{}
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		if e, ok := token.(xml.StartElement); ok {
			for _, a := range e.Attr {
				if v, err := strconv.ParseFloat(a.Value, 64); err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
					t.Fatalf("%s: %s of a %s is %s", path, a.Name.Local, e.Name.Local, a.Value)
				}
			}
			marks[e.Name.Local]++
		}
	}
	if marks["path"] < 1000 || marks["polyline"] != 4 || marks["title"] != 1 {
		t.Errorf("%s holds %v", path, marks)
	}
}

// A gauge on a part that is held has a temperature response, which is no thermal
// output, whatever is asked for.
func TestFitRefusesWhatIsNotFree(t *testing.T) {
	c := &coupons{t: t, dir: t.TempDir(), output: packageSays, noise: 1e-6}
	testFile, args := c.write()
	results := reduceTo(t, args...)
	proposal, plot := filepath.Join(t.TempDir(), "proposal.yaml"), filepath.Join(t.TempDir(), "plot.svg")
	fit := func(more ...string) (int, string, string) {
		return glueline(t.Context(), append([]string{"fit", "thermal-output", results, "--quiet"}, more...)...)
	}
	for _, channels := range []string{"web", "web,coupon"} {
		status, out, errs := fit("--test", testFile, "--channels", channels, "--proposal", proposal, "--plot", plot)
		if status != 1 || errs != "" {
			t.Fatalf("status %d: %s%s", status, out, errs)
		}
		if strings.Contains(out, "Thermal output of") || !strings.HasPrefix(out, "Temperature response of gauge and structure together of ") ||
			!strings.Contains(out, "no proposal is made") || !strings.Contains(strings.Join(strings.Fields(out), " "), "web is not declared free to expand") {
			t.Errorf("said:\n%s", out)
		}
		if !isFree(proposal) {
			t.Error("a proposal was written")
		}
		if text := read(t, plot); !strings.Contains(text, "Temperature response of gauge and structure together of ") || strings.Contains(text, "Thermal output") {
			t.Error("the plot says otherwise")
		}
		if err := os.Remove(plot); err != nil {
			t.Fatal(err)
		}
	}

	there := write(t, t.TempDir(), "there.yaml", "kept")
	held := write(t, t.TempDir(), "held.yaml", strings.Replace(c.testText(), ", free-to-expand: yes", "", 1))
	for _, r := range []struct {
		name string
		args []string
		want string
	}{
		{"nothing named", []string{"--test", testFile}, "--channels or --lot"},
		{"no test file", []string{"--channels", "coupon"}, "--test"},
		{"no such channel", []string{"--test", testFile, "--channels", "keel"}, `no channel "keel"`},
		{"no such lot", []string{"--test", testFile, "--lot", "B"}, `no lot "B"`},
		{"half bridge", []string{"--test", testFile, "--channels", "beam"}, "cancels thermal output"},
		{"there already", []string{"--test", testFile, "--channels", "coupon", "--proposal", there}, "there already"},
		{"too narrow", []string{"--test", testFile, "--channels", "coupon", "--from", "2026-05-05T05:00:00Z", "--to", "2026-05-05T07:00:00Z"}, "too narrow"},
		{"one direction", []string{"--test", testFile, "--channels", "coupon", "--from", "2026-05-04T19:00:00Z", "--to", "2026-05-05T05:00:00Z"}, "not both rising and falling"},
		{"no time", []string{"--test", testFile, "--channels", "coupon", "--from", "Monday"}, "no instant"},
		{"loaded", []string{"--test", testFile, "--channels", "strap", "--from", "2026-05-05T08:30:00Z", "--to", "2026-05-05T14:00:00Z"}, "were not without load"},
		{"before any reading", []string{"--test", testFile, "--channels", "coupon", "--to", "2020-05-05T08:30:00Z"}, "no reading of coupon"},
	} {
		status, out, errs := fit(r.args...)
		if status != 1 || out != "" || !strings.Contains(errs, r.want) {
			t.Errorf("%s: status %d: %s%s", r.name, status, out, errs)
		}
	}
	if read(t, there) != "kept" {
		t.Error("a file that was there is written over")
	}
	// Of a lot without a free channel the whole is a response.
	held = write(t, filepath.Dir(held), "held.yaml", strings.Replace(read(t, held), ", witness-of: {channels: [web]}", "", 1))
	if status, out, errs := fit("--test", held, "--lot", "A 1"); status != 1 || errs != "" || !strings.Contains(strings.Join(strings.Fields(out), " "), "coupon, strap, web are not declared free to expand") {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
}

// Nobody said that the article is without load.
func TestFitWantsALoadState(t *testing.T) {
	c := &coupons{t: t, dir: t.TempDir(), output: packageSays, noise: 1e-6}
	testFile, args := c.write()
	results := reduceTo(t, append(args[:1:1], args[3:]...)...)
	status, out, errs := glueline(t.Context(), "fit", "thermal-output", results, "--quiet", "--test", testFile, "--channels", "strap")
	if status != 1 || out != "" || !strings.Contains(errs, "glueline load-state idle") {
		t.Errorf("status %d: %s%s", status, out, errs)
	}
	if status, out, errs := glueline(t.Context(), "fit", "thermal-output", results, "--quiet", "--test", testFile, "--channels", "coupon"); status != 0 {
		t.Errorf("a coupon needs none: status %d: %s%s", status, out, errs)
	}
}

// In a data folder the test file at the end of the revision that holds says what
// is free to expand, and the readings are that revision's.
func TestFitGoesByTheRevisionThatHolds(t *testing.T) {
	out := filepath.Join(t.TempDir(), "demo")
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "12m", "--quiet"); status != 0 {
		t.Fatalf("status %d: %s", status, errs)
	}
	data := filepath.Join(out, "results")
	free := func() bool {
		t.Helper()
		test, err := (&fitThermalCommand{Results: data}).testFile()
		if err != nil {
			t.Fatal(err)
		}
		return test.FreeToExpand("skin-1")
	}
	if free() {
		t.Fatal("skin-1 is free to expand: this proves nothing")
	}
	status, said, errs := glueline(t.Context(), "fit", "thermal-output", data, "--channels", "skin-1", "--quiet")
	if status != 1 || said != "" || !strings.Contains(errs, "the temperature range is too narrow") {
		t.Errorf("status %d: %s%s", status, said, errs)
	}
	text := read(t, filepath.Join(out, "raw", "hollin.yaml"))
	for _, change := range [][2]string{{"gauge-factor: 2.08 ± 0.5 %", "gauge-factor: 2.09 ± 0.5 %"}, {"\n  skin-1: {at: ", "\n  skin-1: {free-to-expand: yes, at: "}} {
		if !strings.Contains(text, change[0]) {
			t.Fatalf("the demo's test file has no %q", change[0])
		}
		text = strings.Replace(text, change[0], change[1], 1)
	}
	changed := write(t, t.TempDir(), "changed.yaml", text)
	if status, said, errs := glueline(t.Context(), "rereduce", data, "--calibration", changed, "--who", "M. Arkle", "--why", "it hangs free", "--quiet"); status != 0 {
		t.Fatalf("status %d: %s%s", status, said, errs)
	}
	if !free() {
		t.Error("it goes by the test file of the former revision")
	}
}

// What the reduction takes out may change halfway, and another zero be taken at
// another temperature: the gauge's curve is the same, because both are turned back.
func TestFitAcrossZerosAndConstants(t *testing.T) {
	c := &coupons{t: t, dir: t.TempDir(), output: packageSays, noise: 1e-6}
	testFile, args := c.write()
	curve := func(results string) (values []float64, band float64) {
		t.Helper()
		status, out, errs := glueline(t.Context(), "fit", "thermal-output", results, "--quiet", "--test", testFile, "--channels", "coupon")
		if status != 0 {
			t.Fatalf("status %d: %s%s", status, out, errs)
		}
		_, text, _ := strings.Cut(out, "coefficients: [")
		text, _, _ = strings.Cut(text, "]")
		var coefficients []float64
		for _, word := range strings.Split(text, ", ") {
			v, err := strconv.ParseFloat(word, 64)
			if err != nil {
				t.Fatalf("%v in:\n%s", err, out)
			}
			coefficients = append(coefficients, v)
		}
		for temperature := 4.0; temperature <= 30; temperature++ {
			var y float64
			for i := len(coefficients) - 1; i >= 0; i-- {
				y = y*temperature + coefficients[i]
			}
			values = append(values, y)
		}
		m := bandSaid.FindStringSubmatch(out)
		if m == nil {
			t.Fatalf("no band:\n%s", out)
		}
		band, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		return values, band
	}
	want, band := curve(reduceTo(t, args...))

	other := write(t, c.dir, "other.yaml", (&coupons{output: "thermal-output: {in: microstrain, of: degC, coefficients: [0, -9, 0.3], reference-gauge-factor: 2.1, material-expansion: 23e-6 /K}"}).testText())
	events := read(t, args[2])
	for _, line := range []string{
		`{"event":"zero","state":"begin","kind":"test","time":"2026-05-06T13:00:00Z"}`,
		`{"event":"zero","state":"end","kind":"test","time":"2026-05-06T13:30:00Z"}`,
	} {
		events += line + "\n"
	}
	args[2] = write(t, c.dir, "more.jsonl", events)
	results := reduceTo(t, append(args, "--then", "2026-05-08T00:00:00Z="+other)...)
	got, _ := curve(results)
	for i := range want {
		if d := math.Abs(got[i] - got[0] - want[i] + want[0]); !(d <= band) {
			t.Errorf("at %d degC: %.2f um/m from the curve of one zero and one set of constants, band %.2f", 4+i, d, band)
		}
	}
	// Had the jumps of zero and constants stayed in, they would show in the strain.
	if moved := 1e6 * apparent(t, results, "coupon"); moved < 60 {
		t.Errorf("the strain moves by %.1f um/m only: this proves nothing", moved)
	}
}

// The simulator makes readings from a network of resistors and shares no formula
// with the reduction or the fit. Its gates have no stress from temperature, so that
// the response that is found for a lot must be the thermal output that the
// simulator gave it, which is what the test file states.
func TestFitFindsWhatTheSimulatorPutIn(t *testing.T) {
	dir := t.TempDir()
	if _, err := simulate.Write(dir, simulate.Options{Seed: 3, Duration: 72 * time.Hour, Rate: 0.1, Faults: simulate.NoFaults}, nil); err != nil {
		t.Fatal(err)
	}
	raw, err := filepath.Glob(filepath.Join(dir, "*.csv"))
	if err != nil {
		t.Fatal(err)
	}
	testFile := filepath.Join(dir, "hollin.yaml")
	results := reduceTo(t, append([]string{testFile, "--events", filepath.Join(dir, "events.jsonl")}, raw...)...)
	status, out, errs := glueline(t.Context(), "fit", "thermal-output", results, "--quiet", "--test", testFile, "--lot", "linear")
	if status != 1 || errs != "" || !strings.Contains(out, "no proposal is made") {
		t.Fatalf("status %d: %s%s", status, out, errs)
	}
	m := bandSaid.FindStringSubmatch(out)
	if m == nil {
		t.Fatalf("no band:\n%s", out)
	}
	band, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(out, "now um/m\n")
	table, _, _ = strings.Cut(table, "\n\n")
	var rows [][4]float64
	for _, line := range strings.Split(table, "\n")[1:] {
		var r [4]float64
		if _, err := fmt.Sscan(line, &r[0], &r[1], &r[2], &r[3]); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		rows = append(rows, r)
	}
	t.Log("\n" + table)
	if len(rows) < 6 || rows[len(rows)-1][0]-rows[0][0] < 30 || band > 3 {
		t.Fatalf("band %.2f:\n%s", band, out)
	}
	const rounding = 0.1 // of the table
	for _, r := range rows {
		if !(math.Abs(r[1]-r[3]) <= band+rounding) {
			t.Errorf("at %.1f degC %.1f um/m, put in %.1f, band %.2f", r[0], r[1], r[3], band)
		}
	}
}
