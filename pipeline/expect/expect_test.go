package expect

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/testfile"
)

// bench is a test file with one channel, which tests alter by replacement.
const bench = `test:
  name: bench
  load: jack
  limits: {strain: 1000 um/m, temperature-low: 10 degC, temperature-high: 40 degC, frequency: 1 Hz}
sources:
  node: {rate: 20 Hz, unit: mV/V, clock-tolerance: 10 ms, excitation: 5 V, inputs: {2: {unit: degC}, 3: {unit: V}}}
lots:
  lot:
    resistance: 350 ohm
    gauge-factor: 2
    transverse-sensitivity: 0 %
    grid-length: 5 mm
    grid-width: 2 mm
    thermal-output: {in: microstrain, of: degC, coefficients: [-40, 2], material-expansion: 12e-6 /K}
materials:
  plate: {young: 200 GPa, poisson: 0.285, expansion: 12e-6 /K, yield: 300 MPa, family: steel, source: invented}
installations:
  record:
    adhesive: {class: epoxy-hot}
    preparation:
      - {step: degrease, agent: solvent, at: 2026-04-20T08:00:00Z}
    bonded: 2026-04-20T08:05:00Z
    cured: 2026-04-20T10:00:00Z
    signed: A. Nobody
gauges:
  G: {lot: lot, installation: record}
positions:
  one: {material: plate}
wiring:
  - {position: one, gauge: G, input: node/1}
channels:
  one: {bridge: quarter_3wire, temperature: steel, leads: {resistance: 0 ohm}}
temperatures:
  steel: {input: node/2}
auxiliary:
  jack:
    input: node/3
    quantity: load
    unit: kN
    points: [{raw: 0, value: 0}, {raw: 1, value: 100}]
    certificate: C-1
    expires: 2027-01-01T00:00:00Z
`

var today = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)

// expected is the report on the bench file after replacements, old and new by turns.
func expected(t *testing.T, replace ...string) *Report {
	t.Helper()
	text := bench
	for i := 0; i < len(replace); i += 2 {
		if !strings.Contains(text, replace[i]) {
			t.Fatalf("the file does not have %q", replace[i])
		}
		text = strings.ReplaceAll(text, replace[i], replace[i+1])
	}
	file, err := testfile.Parse("bench.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Of(file, today)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func bridge(name, more string) []string {
	return []string{"bridge: quarter_3wire, temperature: steel, leads: {resistance: 0 ohm}", "bridge: " + name + ", temperature: steel" + more}
}

// near fails for NaN too.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.12g, want %.12g within %.2g", what, got, want, tolerance)
	}
}

func TestSignal(t *testing.T) {
	// Small-signal ratios by hand: F u/4 times 1, 2, 1+nu, 2, 4, 2(1+nu); gauge
	// factor 2, nu 0.285. In V/V per m/m.
	for _, test := range []struct {
		bridge, more string
		sensitivity  float64
		source       string
	}{
		{"quarter_2wire", ", leads: {resistance: 0 ohm}", 0.5, "F/4"},
		{"quarter_3wire", ", leads: {resistance: 0 ohm}", 0.5, "F/4: 0.5 mV/V per 1000 microstrain"},
		{"half_dummy", "", 0.5, "F/4"},
		{"half_bending", "", 1, "2 F/4"},
		{"half_poisson", "", 0.6425, "(1 + nu) F/4"},
		{"half_opposite_3wire", "", 1, "2 F/4"},
		{"full_bending", ", remote-sense: yes", 2, "4 F/4"},
		{"full_poisson_axial", ", remote-sense: yes", 1.285, "2 (1 + nu) F/4"},
		{"full_shear", ", remote-sense: yes", 1, "2 F/4 per gamma"},
	} {
		s := expected(t, bridge(test.bridge, test.more)...).Channels[0].Signal
		near(t, test.bridge+" "+test.source, s.Sensitivity, test.sensitivity, 1e-9)
		near(t, test.bridge+" without leads loses nothing", s.LeadLoss, 0, 1e-12)
	}

	// Linear formula of a quarter bridge, gauge factor 2: network solution,
	// published-values.json quarter-nonlin-1000 and quarter-nonlin-5000.
	for _, test := range []struct{ limit, percent float64 }{{1000, -0.09990009990008542}, {5000, -0.4975124378109}} {
		s := expected(t, "strain: 1000 um/m", fmt.Sprintf("strain: %g um/m", test.limit)).Channels[0].Signal
		near(t, "linear formula, %", 100*s.Nonlinearity/s.Limit, test.percent, 1e-6)
		near(t, "linear formula, m/m", s.Nonlinearity, test.percent/100*test.limit*1e-6, 1e-11)
	}
	// Bending bridges are exactly linear (both arms change alike).
	s := expected(t, bridge("half_bending", "")...).Channels[0].Signal
	near(t, "half_bending at its limit", s.AtLimit, 0.001, 1e-13)
	near(t, "half_bending is linear", s.Nonlinearity, 0, 1e-12)

	// Swapped signal wires read compression for tension.
	s = expected(t, "input: node/1}", "input: node/1, polarity: reversed}").Channels[0].Signal
	near(t, "reversed", s.Sensitivity, -0.5, 1e-9)
	near(t, "reversed, linear formula", s.Nonlinearity, -0.000999001e-3, 1e-11)
	// An instrument that has to be multiplied by 1.25 reads less.
	s = expected(t, "temperature: steel, ", "temperature: steel, span: 1.25, ").Channels[0].Signal
	near(t, "span", s.Sensitivity, 0.4, 1e-9)
}

func TestLeadLoss(t *testing.T) {
	// Three wires lose Rg/(Rg + RL) exactly. Two wires lose (Rg/(Rg + RL))^2 with
	// a fixed resistor beside them, derived by hand from A2 Rg/(A1 + A2)^2, which
	// the usual Rg/(Rg + 2 RL) approximates to (RL/Rg)^2
	// (published-values.json lead-desens-*). A full bridge of four wires loses
	// Rb/(Rb + 2 Rx), and none with remote sense.
	for _, test := range []struct {
		bridge, more string
		kept         float64
	}{
		{"quarter_3wire", ", leads: {resistance: 2 ohm}", 350.0 / 352},
		{"quarter_2wire", ", leads: {resistance: 2 ohm}", 350.0 * 350 / (352 * 352)},
		{"half_bending", ", leads: {resistance: 2 ohm}", 350.0 / 352},
		{"full_bending", ", excitation-leads: {resistance: 2 ohm}", 350.0 / 354},
		{"full_bending", ", excitation-leads: {resistance: 2 ohm}, remote-sense: yes", 1},
	} {
		s := expected(t, bridge(test.bridge, test.more)...).Channels[0].Signal
		near(t, test.bridge+test.more, 1-s.LeadLoss, test.kept, 1e-9)
	}
	s := expected(t, bridge("quarter_2wire", ", leads: {resistance: 2 ohm}")...).Channels[0].Signal
	near(t, "small-signal formula", 1-s.LeadLoss, 350.0/354, 4.0/(350*350))

	// published-values.json lead-2wire-thermal: 120 ohm, 1 ohm a wire, 10 K, F 2,
	// as the formula 4 r/F reads it, which knows nothing of the leads' loss.
	s = expected(t, append(bridge("quarter_2wire", ", leads: {resistance: 1 ohm}"), "350 ohm", "120 ohm")...).Channels[0].Signal
	near(t, "two wires warming by 10 K", 10*s.LeadDrift*s.Sensitivity/0.5, 0.00032213114754098363, 3e-6)
	near(t, "two wires at rest", s.Rest, 122.0/242-0.5, 1e-12)
	s = expected(t, bridge("quarter_3wire", ", leads: {resistance: 1 ohm}")...).Channels[0].Signal
	near(t, "three wires warming", s.LeadDrift, 0, 1e-12)
}

func TestShunt(t *testing.T) {
	shunt := func(location, more string) *Shunt {
		return expected(t, "leads: {resistance: 0 ohm}",
			"leads: {resistance: 0 ohm}, shunt: {location: "+location+", resistor: 174.65 kohm"+more+"}").Channels[0].Shunt
	}
	// published-values.json shunt-350.0-174650.0; across the other arm the strain is Rg/(Rs F).
	s := shunt("gauge", "")
	near(t, "gauge, strain", s.Strain, -1000e-6, 1e-12)
	near(t, "gauge, step", s.Step, -0.0005005005005005005, 1e-14)
	s = shunt("completion", "")
	near(t, "completion, strain", s.Strain, 350.0/174650/2, 1e-12)
	near(t, "completion, step", s.Step, 0.0005005005005005005, 1e-14)
	if !math.IsNaN(s.Measured) || !math.IsNaN(s.Span) {
		t.Errorf("nothing was measured: %+v", s)
	}
	// An instrument that reads 1 % low has the span 1/0.99.
	s = shunt("gauge", ", before: 0.01 mV/V, with: -0.485495495495495 mV/V")
	near(t, "measured", s.Measured, -0.000495495495495495, 1e-15)
	near(t, "span", s.Span, 1/0.99, 1e-9)
	near(t, "the step due is for the span stated", s.Step, -0.0005005005005005005, 1e-14)

	if s := expected(t).Channels[0].Shunt; s != nil {
		t.Errorf("a shunt out of nothing: %+v", s)
	}
}

func TestThermal(t *testing.T) {
	// 2 microstrain/K at the reference gauge factor 2, which is the gauge's own;
	// from 20 degC: -20 at 10 degC, 40 at 40 degC.
	c := expected(t).Channels[0]
	near(t, "zero", c.Zero.Temperature, 20, 0)
	near(t, "low", c.Thermal.Low, -20e-6, 1e-11)
	near(t, "high", c.Thermal.High, 40e-6, 1e-11)
	// Another specimen: (alpha_s - alpha_c) dT more, here 10 ppm/K (MODEL: Kt = 0).
	c = expected(t, "poisson: 0.285, expansion: 12e-6", "poisson: 0.285, expansion: 22e-6").Channels[0]
	near(t, "high on another material", c.Thermal.High, 240e-6, 1e-10)
	// An extremum inside the range: -(T - 30)^2 is least at the ends.
	c = expected(t, "[-40, 2]", "[-900, 60, -1]").Channels[0]
	near(t, "greatest inside", c.Thermal.High, 100e-6, 1e-9)
	near(t, "least at the end", c.Thermal.Low, -300e-6, 1e-9)
	// Adjacent arms cancel, opposite arms add up, which F u/4 times 2 divides away again.
	near(t, "half_bending", expected(t, bridge("half_bending", "")...).Channels[0].Thermal.High, 0, 1e-12)
	near(t, "half_opposite_3wire", expected(t, bridge("half_opposite_3wire", "")...).Channels[0].Thermal.High, 40e-6, 1e-10)
	// Unknown is not zero, unless the bridge cancels whatever it is.
	const output = "    thermal-output: {in: microstrain, of: degC, coefficients: [-40, 2], material-expansion: 12e-6 /K}\n"
	if c := expected(t, output, "").Channels[0].Thermal; !math.IsNaN(c.Low) || !math.IsNaN(c.High) || c.Cancels {
		t.Errorf("thermal output out of nothing: %+v", c)
	}
	for name, cancels := range map[string]bool{"half_dummy": true, "half_bending": true, "half_poisson": true, "full_bending": true, "full_poisson_axial": true,
		"full_bending_poisson": true, "full_shear": true, "half_opposite_2wire": false, "half_opposite_3wire": false, "quarter_2wire": false} {
		c := expected(t, append(bridge(name, ""), output, "")...).Channels[0].Thermal
		if c.Cancels != cancels || math.IsNaN(c.High) == cancels {
			t.Errorf("%s: %+v, want cancels %v", name, c, cancels)
		}
	}
	// The zero that thermal output counts from.
	for _, test := range []struct{ low, high, want float64 }{
		{10, 40, 20}, {20, 20, 20}, {30, 40, 35}, {-40, 0, -20}, {math.NaN(), math.NaN(), 20},
	} {
		near(t, "zeroTemperature", zeroTemperature(test.low, test.high), test.want, 0)
	}
	c = expected(t, "name: bench", "name: bench\n  zero: {ratio: 0.1 mV/V, temperature: 40 degC}").Channels[0]
	near(t, "stated zero", c.Zero.Temperature, 40, 0)
	near(t, "below the stated zero", c.Thermal.Low, -60e-6, 1e-10)
	if !c.Stated {
		t.Error("the zero is stated")
	}
	c = expected(t, "temperature-low: 10 degC, ", "").Channels[0]
	if !math.IsNaN(c.Thermal.Low) || !math.IsNaN(c.Thermal.High) {
		t.Errorf("no range, but %+v", c.Thermal)
	}
}

func TestPowerDensity(t *testing.T) {
	// By hand: (5 V/2)^2/350 ohm = 17.857 mW over 10 mm2.
	near(t, "quarter bridge", expected(t).Channels[0].PowerDensity, 2.5*2.5/350/10e-6, 1e-6)
	// Leads of 175 ohm halve the voltage at a full bridge of 350 ohm.
	c := expected(t, bridge("full_bending", ", excitation-leads: {resistance: 175 ohm}")...).Channels[0]
	near(t, "four wires", c.PowerDensity, 1.25*1.25/350/10e-6, 1e-6)
	for _, gone := range []string{", excitation: 5 V", "    grid-width: 2 mm\n"} {
		if p := expected(t, gone, "").Channels[0].PowerDensity; !math.IsNaN(p) {
			t.Errorf("without %q: %v", gone, p)
		}
	}
}

func TestPeakLoss(t *testing.T) {
	// 10 samples a cycle miss up to 4.9 %, 20 miss 1.2 % (field practice,
	// published-values.json practice-sample-rate; 1 - cos(pi/N)).
	for _, test := range []struct{ frequency, want, tolerance float64 }{
		{0, 0, 0}, {1, 0.012, 0.0005}, {2, 0.049, 0.0005}, {5, 1 - math.Sqrt2/2, 1e-12}, {10, 1, 0}, {11, 1, 0}, {1000, 1, 0},
	} {
		near(t, fmt.Sprint(test.frequency, " Hz"), PeakLoss(test.frequency, 20), test.want, test.tolerance)
	}
	near(t, "channel", expected(t).Channels[0].PeakLoss, 0.0123117, 1e-7)
	// The nearest sample to a peak is at most half a sample away: try all phases.
	worst := 0.0
	for phase := range 1000 {
		best := 0.0
		for k := range 10 {
			best = math.Max(best, math.Cos(2*math.Pi*(float64(k)+float64(phase)/1000)/10))
		}
		worst = math.Max(worst, 1-best)
	}
	near(t, "by trial", PeakLoss(1, 10), worst, 1e-6)
}

func TestClockError(t *testing.T) {
	worst := func(f, apart float64) (most float64) {
		for i := range 10000 {
			at := float64(i) / 10000 / f
			most = math.Max(most, math.Abs(math.Sin(2*math.Pi*f*(at+apart))-math.Sin(2*math.Pi*f*at)))
		}
		return most
	}
	for _, apart := range []float64{0, 0.01, 0.1, 0.25} {
		near(t, fmt.Sprint(apart, " s"), ClockError(2, apart), worst(2, apart), 1e-6)
	}
	near(t, "beyond half a period", ClockError(2, 0.4), 2, 0)
}

func TestRosetteAngles(t *testing.T) {
	rosette := func(more string) *Report {
		return expected(t,
			"gauges:\n", "gauges:\n  H: {lot: lot, installation: record}\n  I: {lot: lot, installation: record}\n",
			"positions:\n  one: {material: plate}", "positions:\n  one: {material: plate, angle: 30 deg}\n  two: {material: plate, angle: 165 deg}\n  three: {material: plate, angle: 120 deg}",
			"wiring:\n", "wiring:\n  - {position: two, gauge: H, input: node/4}\n  - {position: three, gauge: I, input: node/5}\n",
			"channels:\n", "channels:\n  two: {bridge: quarter_3wire, temperature: steel}\n  three: {bridge: quarter_3wire, temperature: steel}\n",
			"temperatures:\n", "rosettes:\n  web: {grids: [one, two, three], form: rectangular"+more+"}\ntemperatures:\n")
	}
	angles := func(r *Report) string {
		if len(r.Rosettes) != 1 {
			t.Fatalf("rosettes: %+v", r.Rosettes)
		}
		var s []string
		for _, a := range r.Rosettes[0].Angles {
			s = append(s, fmt.Sprintf("%.4g", degrees(a)))
		}
		return strings.Join(s, " ")
	}
	if got := angles(rosette("")); got != "0 45 90" {
		t.Error(got)
	}
	if got := angles(rosette(", grid-a: 30 deg")); got != "30 75 120" {
		t.Error(got)
	}
	r := rosette(", grid-a: 30 deg, numbering: clockwise")
	if got := angles(r); got != "30 -15 -60" { // -15 and 165 degrees, -60 and 120 are the same axes
		t.Error(got)
	}
	for _, s := range r.Subjects {
		if s.Kind == "rosette" {
			t.Errorf("positions and numbering agree: %+v", s)
		}
	}
	found := 0
	for _, s := range rosette(", grid-a: 30 deg").Subjects {
		if s.Kind == "rosette" {
			found += len(s.Findings)
		}
	}
	if found != 1 { // grid two lies at 75, not at 165 degrees; the others are right
		t.Errorf("%d findings on a rosette numbered the wrong way round", found)
	}
}

func ExamplePeakLoss() {
	fmt.Printf("%.1f %%\n", 100*PeakLoss(10, 100))
	// Output: 4.9 %
}

func TestConstantsThatAreNoBridge(t *testing.T) {
	nothing := channel.Constants{}
	if _, err := signalOf(nothing, channel.Zero{}, 0); err == nil {
		t.Error("a signal of nothing")
	}
}

// Alarms that reach nobody are told of before there is one.
func TestAlarmsThatReachNobody(t *testing.T) {
	for _, c := range []struct{ alarms, want string }{
		{"", ""},
		{"{silence: {after: 1 min, level: warning}}", "alarms without alarms.tell"},
		{"{flags: {dead: {flags: [open], level: warning}}}", "alarms without alarms.tell"},
		{"{tell: [{who: desk}]}", "alarms.tell without limits"},
		{"{silence: {after: 1 min, level: warning}, tell: [{who: desk, from: danger}]}", "alarms of the level warning"},
		{"{silence: {after: 1 min, level: warning}, tell: [{who: desk, from: danger}, {who: shift}]}", ""},
	} {
		text := "alarms: " + c.alarms + "\n"
		if c.alarms == "" {
			text = ""
		}
		var found []string
		for _, s := range expected(t, "auxiliary:\n", text+"auxiliary:\n").Subjects {
			for _, f := range s.Findings {
				if strings.HasPrefix(f.Text, "alarms") {
					found = append(found, f.Text)
				}
			}
		}
		if got := strings.Join(found, "; "); !strings.HasPrefix(got, c.want) || (c.want == "") != (got == "") {
			t.Errorf("%s: %q, not %q", c.alarms, got, c.want)
		}
	}
}
