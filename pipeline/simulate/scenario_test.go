package simulate

import (
	"bytes"
	"go/parser"
	"go/token"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	read "glueline/pipeline/event"
	"glueline/pipeline/testfile"
)

// TestIndependence: a model that borrowed from the code under test would agree
// with it whatever it computes. Of ours it may use the raw files' form only;
// tests in the package itself also what reads the test file and the events.
func TestIndependence(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) < 8 {
		t.Fatalf("found %d files: %v", len(files), err)
	}
	for _, name := range files {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		if file.Name.Name == "simulate_test" {
			continue // looks at both sides from outside
		}
		for _, i := range file.Imports {
			path := strings.Trim(i.Path.Value, `"`)
			ours := strings.HasPrefix(path, "glueline/")
			allowed := path == "glueline/pipeline/frame" ||
				strings.HasSuffix(name, "_test.go") && (path == "glueline/pipeline/testfile" || path == "glueline/pipeline/event")
			if ours && !allowed {
				t.Errorf("%s imports %s", name, path)
			}
		}
	}
}

func demo(t *testing.T) *testfile.Test {
	t.Helper()
	test, err := testfile.Parse("hollin.yaml", TestFile(), os.ReadFile)
	if err != nil {
		t.Fatal(err)
	}
	return test
}

// TestTestFile compares the test file, which a technician might have written,
// with the numbers that the model uses. They are written down twice on purpose:
// a test file that is read wrongly then gives wrong strains.
func TestTestFile(t *testing.T) {
	test := demo(t)
	same := func(what string, got, want, relative float64) {
		t.Helper()
		if !(math.Abs(got-want) <= relative*math.Abs(want)) {
			t.Errorf("%s: test file %g, model %g", what, got, want)
		}
	}
	all := channels()
	if len(all) != 32 || len(test.Channels.Entries) != len(all) || len(test.Wiring) != len(all) {
		t.Fatalf("%d channels in the model, %d in the test file with %d wires", len(all), len(test.Channels.Entries), len(test.Wiring))
	}
	for i, c := range all {
		ch, ok := test.Channels.Get(c.name)
		if !ok {
			t.Errorf("%s is not in the test file", c.name)
			continue
		}
		wire := test.Wiring[i]
		gauge, _ := test.Gauges.Get(c.name)
		position, _ := test.Positions.Get(c.name)
		lot, _ := test.Lots.Get(gauge.Lot.Text)
		metal, _ := test.Materials.Get(position.Material.Text)
		if wire.Position.Text != c.name || wire.Input.Text != c.source+"/"+c.input {
			t.Errorf("%s: wired %s to %s", c.name, wire.Position.Text, wire.Input.Text)
		}
		if ch.Bridge.Text != c.wiring || ch.RemoteSense.Value != c.remote {
			t.Errorf("%s: bridge %s, model %s", c.name, ch.Bridge.Text, c.wiring)
		}
		same(c.name+" resistance", lot.Resistance.Value, c.lot.ohm, 0)
		same(c.name+" gauge factor", lot.GaugeFactor.Value, c.lot.factor, 0)
		same(c.name+" slope", lot.GaugeFactorSlope.Value, c.lot.slope, 1e-15)
		same(c.name+" reference", lot.ThermalOutput.ReferenceGaugeFactor.Or(2), c.lot.reference, 0)
		same(c.name+" expansion of the lot", lot.ThermalOutput.MaterialExpansion.Value, c.lot.expansion, 1e-15)
		same(c.name+" Kt", gauge.Kt.Or(lot.TransverseSensitivity.Value), c.kt, 1e-15)
		same(c.name+" Poisson", metal.Poisson.Value, c.metal.poisson, 0)
		same(c.name+" expansion", metal.Expansion.Value, c.metal.expansion, 1e-15)
		ohm20 := func(l testfile.Leads) float64 {
			if !l.Given {
				return 0
			}
			return wireOhm(l.Size.Value*1e6, l.Length.Value)
		}
		same(c.name+" leads", ohm20(ch.Leads), c.lead, 1e-12)
		same(c.name+" excitation leads", ohm20(ch.Excitation), c.supply, 1e-12)
		if c.plane != nil {
			same(c.name+" angle", position.Angle.Value, c.angle, 1e-15)
		}
		if ch.Shunt.Location.Text != c.shuntAt {
			t.Errorf("%s: shunt at %q, model %q", c.name, ch.Shunt.Location.Text, c.shuntAt)
		}
		same(c.name+" shunt", ch.Shunt.Resistor.Value, c.shuntOhm, 1e-15)
		if ch.Span.Given {
			same(c.name+" span", ch.Span.Value, 1/c.gain, 1e-12)
		} else if c.gain != 1 && !ch.Shunt.Before.Given {
			t.Errorf("%s: gain %g is not in the test file", c.name, c.gain)
		}

		of := lot.ThermalOutput.Of.Text
		for _, degrees := range []float64{5, 24, 50} {
			sum, power, x := 0.0, 1.0, degrees
			if of == "degF" {
				x = 1.8*degrees + 32
			}
			for _, k := range lot.ThermalOutput.Coefficients {
				sum += k.Value * power
				power *= x
			}
			if model := 1e6 * polynomial(c.lot.thermal, degrees); !(math.Abs(sum-model) <= 1e-9) {
				t.Errorf("%s at %g degC: thermal output %g in the test file, %g in the model", c.name, degrees, sum, model)
			}
		}
	}
	for _, s := range sensors {
		temperature, ok := test.Temperatures.Get(s.name)
		if !ok || temperature.Input.Text != "logger/"+s.input {
			t.Errorf("temperature %s is not on logger/%s in the test file", s.name, s.input)
		}
	}
}

// TestEvents: the events read without a problem, in order, and name channels
// and sources that there are.
func TestEvents(t *testing.T) {
	test := demo(t)
	lines, err := newPlan(DefaultStart, DefaultDuration).lines()
	if err != nil {
		t.Fatal(err)
	}
	events, err := read.Read("events.jsonl", bytes.NewReader(lines))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for i, e := range events {
		seen[e.Event] = true
		if e.Line != i+1 {
			t.Errorf("line %d is not in order of time", e.Line)
		}
		if _, ok := test.Channels.Get(e.Channel); !ok && e.Channel != "" {
			t.Errorf("line %d: no channel %q", e.Line, e.Channel)
		}
		if _, ok := test.Sources.Get(e.Source); !ok && e.Source != "" {
			t.Errorf("line %d: no source %q", e.Line, e.Source)
		}
	}
	// What is done to a test while it runs, and not in its plan.
	later := map[string]bool{read.Cut: true, "rewire": true, "replace": true, "balance": true, "calibration": true, "ruled-out": true,
		"acknowledge": true, "mute": true, "unmute": true, "silence": true, "clock": true}
	for word := range read.Forms {
		if !seen[word] && !later[word] {
			t.Errorf("no event %q", word)
		}
	}
}

// TestShuntReadings: the readings of skin-5 that calibrate its span in the test
// file are those that its amplifier gives at the beginning of the test.
func TestShuntReadings(t *testing.T) {
	ch, _ := demo(t).Channels.Get("skin-5")
	sky := newWeather(DefaultStart, DefaultDuration, schedule{DefaultDuration})
	for _, c := range channels() {
		if c.name != "skin-5" {
			continue
		}
		sim, err := newSimulated(c, 0, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		plate, leads := sky.at(c.at, 0), sky.at(air, 0)
		before := c.gain * sim.ratio(plate, leads, 0)
		sim.ohms.shunt = c.shuntOhm
		with := c.gain * sim.ratio(plate, leads, 0)
		if !(math.Abs(before-ch.Shunt.Before.Value) <= 0.6e-9) || !(math.Abs(with-ch.Shunt.With.Value) <= 0.6e-9) {
			t.Errorf("model %.6f and %.6f mV/V, test file %s and %s", before*1e3, with*1e3, ch.Shunt.Before.Text, ch.Shunt.With.Text)
		}
	}
}

// TestDemoShowsWhatItMust: the demo's own purposes, in numbers.
func TestDemoShowsWhatItMust(t *testing.T) {
	test := demo(t)
	bush, _ := test.Installations.Get("bush-epoxy")
	last := bush.Preparation[len(bush.Preparation)-1].At
	if took := bush.Bonded.Sub(last.Time); took.Minutes() != 14 {
		t.Errorf("the bush was bonded %v after its last preparation step, not 14 minutes", took)
	}
	dark, _ := test.Installations.Get("skin-cyanoacrylate")
	sky := newWeather(DefaultStart, DefaultDuration, schedule{DefaultDuration})
	hot := 0
	for after := time.Duration(0); after < DefaultDuration; after += time.Minute {
		if sky.at(topPlate, after) > dark.Adhesive.HighestLong.Value {
			hot++
		}
	}
	if hot < 60 || hot > 8*60 {
		t.Errorf("the upper plate is above the adhesive's limit for %d minutes", hot)
	}
}
