package group

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/testfile"
)

const article = `
test: {name: a beam, zone: UTC, limits: {strain: 1500 microstrain}}
sources:
  node: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 20 ms}
  logger: {rate: 1 Hz, unit: degC}
lots:
  A: {resistance: 350 ohm, gauge-factor: 2.0, elongation: 3 %}
installations:
  bench:
    adhesive: {class: cyanoacrylate}
    preparation: [{step: wipe, agent: distilled-water, at: "2026-01-01T08:00:00Z"}]
    bonded: 2026-01-01T08:05:00Z
    cured: 2026-01-01T09:00:00Z
    coating: silicone
    signed: T. Quill
gauges: {g1: {lot: A, installation: bench}, g2: {lot: A}}
positions: {beam: {material: carbon-steel}, web: {material: carbon-steel}}
wiring:
  - {position: beam, gauge: g1, input: node/A1}
  - {position: web, gauge: g2, input: node/A2}
temperatures: {air: {input: logger/T1, max-age: 5 s}}
channels:
  beam: {bridge: quarter_3wire, temperature: air}
  web: {bridge: quarter_3wire, zero: {ratio: 0 mV/V, temperature: 20 degC}}
`

var start = time.Date(2026, 1, 2, 12, 0, 0, 0, time.UTC)

func parse(t *testing.T, text string) *Reducer {
	t.Helper()
	test, err := testfile.Parse("beam.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	if len(plans) != 1 || plans[0].Name != MainGroup {
		t.Fatalf("plans %v", plans)
	}
	return NewReducer(plans[0])
}

// strains makes a frame of the node: rows from second 'at' on, both inputs alike.
func strains(at float64, ratios ...float64) *frame.Frame {
	f := &frame.Frame{Source: "node", Columns: []frame.Column{{Name: "A1", Float: ratios}, {Name: "A2", Float: ratios}}}
	for i := range ratios {
		f.Time = append(f.Time, start.UnixNano()+int64((at+0.1*float64(i))*1e9))
	}
	return f
}

func air(at, celsius float64) *frame.Frame {
	return &frame.Frame{Source: "logger", Time: []int64{start.UnixNano() + int64(at*1e9)}, Columns: []frame.Column{{Name: "T1", Float: []float64{celsius}}}}
}

func reduceFrame(t *testing.T, r *Reducer, f *frame.Frame) *Batch {
	t.Helper()
	b := new(Batch)
	if err := r.Reduce(f, b); err != nil {
		t.Fatal(err)
	}
	return b
}

func columnOf(t *testing.T, r *Reducer, b *Batch, name string) Column {
	t.Helper()
	var names []string
	for i, f := range r.plan.Fields(b.Source) {
		if f.Name == name {
			return b.Columns[i]
		}
		names = append(names, f.Name)
	}
	t.Fatalf("no column %q among %q", name, names)
	return Column{}
}

func masks(c Column) string {
	var s []string
	for _, m := range c.Flags {
		s = append(s, flag.Mask(m).String())
	}
	return strings.Join(s, " ")
}

func zeroEvent(state, kind string, at float64) event.Event {
	return event.Event{Event: "zero", State: state, Kind: kind, Name: kind + " zero", Time: start.Add(time.Duration(at * 1e9))}
}

func near(a, b, tol float64) bool { return math.Abs(a-b) <= tol }

func TestZeroIsTakenBetweenItsEventsAndHoldsFromItsEnd(t *testing.T) {
	r := parse(t, article)
	reduceFrame(t, r, air(0, 20))
	r.Event(zeroEvent("begin", "test", 0.1))
	r.Event(zeroEvent("end", "test", 0.3))
	// Rows at 0, 0.1, 0.2 | 0.3, 0.4: the zero is the mean of the second and third.
	b := reduceFrame(t, r, strains(0, 9, 0.1, 0.3, 0.2, 0.7))
	strain := columnOf(t, r, b, "beam [m/m]").Float
	for i := range 3 {
		if !math.IsNaN(strain[i]) {
			t.Errorf("row %d has the strain %v before its zero", i, strain[i])
		}
	}
	if !near(strain[3], 0, 1e-15) {
		t.Errorf("strain at the zero's own ratio: %v", strain[3])
	}
	// Quarter bridge, MODEL section 4: r = D/(4 + 2D), so D = 4q/(1 - 2q).
	q := 0.5e-3
	if want := 4 * q / (1 - 2*q) / 2; !near(strain[4], want, 1e-12) {
		t.Errorf("strain %v, want %v", strain[4], want)
	}
	if got := masks(columnOf(t, r, b, "beam flags")); got != "open,saturated,zero-missing zero-missing zero-missing ok ok" {
		t.Errorf("flags %q", got)
	}
	zeros, others := standing(r.Zeros())
	if len(others) != 1 || others[0].Channel != "web" || others[0].Standing != Replaced || others[0].Until != start.UnixNano()+3e8 {
		t.Errorf("others %+v", others)
	}
	if len(zeros) != 2 || zeros[0].Channel != "beam" || zeros[0].Record.Raw.N != 2 || !near(zeros[0].Zero.Ratio, 0.2e-3, 1e-18) {
		t.Errorf("zeros %+v", zeros)
	}
}

func TestStressIsModulusTimesStrain(t *testing.T) {
	r := parse(t, article)
	b := reduceFrame(t, r, strains(0, 0, 0.5))
	strain, stress := columnOf(t, r, b, "web [m/m]").Float, columnOf(t, r, b, "web stress [Pa]").Float
	steel, _ := r.plan.test.Material("carbon-steel")
	if strain[1] <= 0 || stress[1] != steel.Young.Value*strain[1] {
		t.Errorf("strain %v stress %v", strain, stress)
	}
}

func TestTemperatureIsTheNewestAtOrBeforeTheRow(t *testing.T) {
	r := parse(t, article)
	look := func(at float64) (float64, flag.Mask) {
		reading, m := r.temps[0].at(start.UnixNano()+int64(at*1e9), 20e6)
		if reading == nil {
			return math.NaN(), m
		}
		return reading.Value, m
	}
	if _, m := look(0); m != flag.TemperatureMissing {
		t.Errorf("without a reading: %v", m)
	}
	for i, v := range []float64{20, 21, 22} {
		reduceFrame(t, r, air(float64(i), v))
	}
	cases := []struct {
		at, want float64
		flags    flag.Mask
	}{
		{-0.5, 20, flag.TemperatureAhead},
		{-0.01, 20, 0}, // within the clock tolerance of 20 ms
		{0.5, 20, 0},
		{0.99, 21, 0},
		{1.5, 21, 0},
		{7, 22, 0},
		{7.01, 22, flag.TemperatureStale},
	}
	for _, c := range cases {
		if v, m := look(c.at); v != c.want || m != c.flags {
			t.Errorf("at %v s: %v %v, want %v %v", c.at, v, m, c.want, c.flags)
		}
	}
	// A column over many rows is the same look-up.
	var column temperatureColumn
	var times []int64
	for i := range 1000 {
		times = append(times, start.UnixNano()-1e9+int64(i)*1e7)
	}
	column.fill(r.temps[0], times, 20e6)
	for i, at := range times {
		reading, m := r.temps[0].at(at, 20e6)
		if column.value[i] != reading.Value || column.mask[i] != m {
			t.Fatalf("row %d: column %v %v, look-up %v %v", i, column.value[i], column.mask[i], reading.Value, m)
		}
	}
}

func TestFramesMayBeCutAnywhere(t *testing.T) {
	events := []event.Event{zeroEvent("begin", "test", 0.2), zeroEvent("end", "test", 1.05),
		{Event: "shunt", State: "on", Channel: "beam", Time: start.Add(1500 * time.Millisecond)},
		{Event: "shunt", State: "off", Channel: "beam", Time: start.Add(1800 * time.Millisecond)},
		{Event: "excitation", State: "off", Source: "node", Time: start.Add(4 * time.Second)}}
	var ratios []float64
	for i := range 60 {
		ratios = append(ratios, 0.3*math.Sin(float64(i)))
	}
	run := func(rows int, restart bool) string {
		r := parse(t, article)
		reduceFrame(t, r, air(-1, 20))
		for _, e := range events {
			r.Event(e)
		}
		out := ""
		for from := 0; from < len(ratios); from += rows {
			if restart {
				r = restarted(t, r)
			}
			f := strains(0, ratios...).Slice(from, min(from+rows, len(ratios)))
			b := reduceFrame(t, r, &f)
			strain, mask := columnOf(t, r, b, "beam [m/m]").Float, columnOf(t, r, b, "beam flags").Flags
			for i := range strain {
				out += fmt.Sprintf("%d %x %v\n", b.Counter[i], math.Float64bits(strain[i]), flag.Mask(mask[i]))
			}
		}
		return out
	}
	whole := run(len(ratios), false)
	for _, rows := range []int{1, 7, 32} {
		for _, restart := range []bool{false, true} {
			if got := run(rows, restart); got != whole {
				t.Errorf("frames of %d rows (restarts between them: %v) give other results:\n%s\nthan one frame:\n%s", rows, restart, got, whole)
			}
		}
	}
	if n := strings.Count(whole, "shunt-on"); n != 13 { // 1.5 s to 1.8 s and 1 s of settling, at 10 Hz
		t.Errorf("shunt-on on %d rows:\n%s", n, whole)
	}
	if n := strings.Count(whole, "excitation-off"); n != 20 {
		t.Errorf("excitation-off on %d rows", n)
	}
}

func TestOutsideAndSinceUntilASignedCheck(t *testing.T) {
	r := parse(t, article)
	take := func(at, celsius float64) string {
		reduceFrame(t, r, air(at, celsius))
		return masks(columnOf(t, r, reduceFrame(t, r, strains(at+0.1, 0.1)), "beam flags"))
	}
	r.Event(zeroEvent("begin", "test", 0))
	r.Event(zeroEvent("end", "test", 1))
	take(0, 20)
	if got := take(1, 20); got != "ok" {
		t.Errorf("inside: %s", got)
	}
	if got := take(2, 120); got != "outside,adhesive-range" {
		t.Errorf("outside: %s", got)
	}
	if got := take(3, 20); got != "was-outside" {
		t.Errorf("after: %s", got)
	}
	r.Event(event.Event{Event: "check", Channel: "beam", Who: "T. Quill", Time: start.Add(4 * time.Second)})
	if got := take(4, 20); got != "ok" {
		t.Errorf("after a signed check: %s", got)
	}
}

func TestOpenSaturatedFrozenMissingAndLimits(t *testing.T) {
	r := parse(t, article)
	b := reduceFrame(t, r, strains(0, 0.1, 4.0, 4.0, 0.2, 3.9, 4.0, 0.1, -4.0, math.NaN(), 1.0))
	// 1 mV/V is 2000 microstrain on this gauge: over the limit and beyond the yield of the steel.
	// At the end of the range nothing is known of the strain, and no limit is judged.
	want := "ok open,saturated open,saturated ok beyond-yield,over-limit saturated ok shorted,saturated missing beyond-yield,over-limit"
	if got := masks(columnOf(t, r, b, "web flags")); got != want {
		t.Errorf("flags\n%s\nwant\n%s", got, want)
	}
	still := make([]float64, frozenRun+10)
	got := columnOf(t, r, reduceFrame(t, r, strains(1, still...)), "web flags").Flags
	for i, m := range got {
		if frozen := flag.Mask(m)&flag.Frozen != 0; frozen != (i >= frozenRun-1) {
			t.Fatalf("row %d frozen: %v", i, frozen)
		}
	}
}

func TestFrameThatDoesNotFitIsRefused(t *testing.T) {
	r := parse(t, article)
	f := strains(0, 1)
	f.Columns[1].Name = "B2"
	err := r.Reduce(f, new(Batch))
	if err == nil || !strings.Contains(err.Error(), `no input "A2"; its columns are A1, B2`) {
		t.Errorf("got %v", err)
	}
	f = strains(0, 1)
	f.Columns[0].Unit = "degC"
	if err := r.Reduce(f, new(Batch)); err == nil || !strings.Contains(err.Error(), "a bridge is read in") {
		t.Errorf("got %v", err)
	}
	f.Source = "nobody"
	if err := r.Reduce(f, new(Batch)); err == nil || !strings.Contains(err.Error(), `no source "nobody"`) {
		t.Errorf("got %v", err)
	}
}

func TestNoAllocationARow(t *testing.T) {
	r := parse(t, article)
	reduceFrame(t, r, air(0, 20))
	f, b := strains(0, make([]float64, 1000)...), new(Batch)
	for i := range f.Columns[0].Float {
		f.Columns[0].Float[i] = 0.1 * math.Sin(float64(i))
	}
	reduceInto := func() {
		if err := r.Reduce(f, b); err != nil {
			t.Fatal(err)
		}
	}
	reduceInto()
	if n := testing.AllocsPerRun(20, reduceInto); n > 0 {
		t.Errorf("%v allocations a frame of 1000 rows", n)
	}
}

func TestCalibrationDigestFollowsItsConstants(t *testing.T) {
	digest := func(text string) string {
		r := parse(t, text)
		_, d, err := r.plan.Calibration("node")
		if err != nil || len(d) != 64 {
			t.Fatal(d, err)
		}
		return d
	}
	base := digest(article)
	if digest(article) != base {
		t.Error("the same constants give another digest")
	}
	for _, change := range [][2]string{
		{"gauge-factor: 2.0", "gauge-factor: 2.01"}, {"1500 microstrain", "1600 microstrain"},
		{"max-age: 5 s", "max-age: 6 s"}, {"signed: T. Quill\n", "signed: T. Quill\n    long-term: yes\n"},
		{"ratio: 0 mV/V", "ratio: 0.1 mV/V"}, {"range: 4 mV/V", "range: 5 mV/V"},
	} {
		changed := strings.Replace(article, change[0], change[1], 1)
		if changed == article || digest(changed) == base {
			t.Errorf("%q to %q leaves the digest alone", change[0], change[1])
		}
	}
}

func TestClockThatStepsAndRowsThatAreLate(t *testing.T) {
	r := parse(t, article)
	boot := func(at float64, counter uint64, boot string, late bool) string {
		f := strains(at, 0.1, 0.2, 0.3)
		f.Counter, f.Counted, f.Boot, f.Late = counter, true, boot, late
		return masks(columnOf(t, r, reduceFrame(t, r, f), "web flags"))
	}
	for _, c := range []struct {
		name    string
		at      float64
		counter uint64
		boot    string
		late    bool
		want    string
	}{
		{"first", 0, 100, "a", false, "ok ok ok"},
		{"goes on", 0.3, 103, "a", false, "ok ok ok"},
		{"a gap that the counter shows", 1, 110, "a", false, "ok ok ok"},
		{"a gap that it does not", 3, 113, "a", false, "clock-stepped clock-stepped clock-stepped"},
		{"goes on from there", 3.3, 116, "a", false, "ok ok ok"},
		{"steps back over the last row", 3.5, 119, "a", false, "late ok ok"},
		{"steps back", 2.5, 122, "a", false, "clock-stepped,late clock-stepped,late clock-stepped,late"},
		{"starts again", 9, 0, "b", false, "ok ok ok"},
		{"overtaken", 9.3, 3, "b", true, "out-of-order out-of-order out-of-order"},
	} {
		if got := boot(c.at, c.counter, c.boot, c.late); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// restarted is a reducer that goes on from the other's state as it is written.
func restarted(t *testing.T, r *Reducer) *Reducer {
	t.Helper()
	text, err := json.Marshal(r.State())
	if err != nil {
		t.Fatal(err)
	}
	state, err := r.plan.ReadState(text)
	if err != nil {
		t.Fatal(err)
	}
	return NewReducerAt(r.plan, state)
}

// Behind a restart the zeros in force are known before another frame comes: a
// cut in which a source sends nothing says what its strain is counted from.
func TestZerosAreKnownBehindARestart(t *testing.T) {
	r := parse(t, article)
	reduceFrame(t, r, air(0, 20))
	r.Event(zeroEvent("begin", "test", 0.1))
	r.Event(zeroEvent("end", "test", 0.3))
	reduceFrame(t, r, strains(0, 0.2, 0.1, 0.3, 0.2, 0.7))
	text, err := json.Marshal(r.State())
	if err != nil {
		t.Fatal(err)
	}
	state, err := r.plan.ReadState(text)
	if err != nil {
		t.Fatal(err)
	}
	zeros, _ := standing(r.Zeros())
	after, _ := standing(NewReducerAt(r.plan, state).Zeros())
	want, got := fmt.Sprintf("%+v", zeros), fmt.Sprintf("%+v", after) // as text, since NaN is not itself
	if len(zeros) != 2 || got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}

// standing parts the zeros in force from the others.
func standing(zeros []ZeroInForce) (inForce, others []ZeroInForce) {
	for _, z := range zeros {
		if z.Standing == InForce {
			inForce = append(inForce, z)
		} else {
			others = append(others, z)
		}
	}
	return inForce, others
}

func told(zeros []ZeroInForce, channel string) string {
	var s []string
	for _, z := range zeros {
		if z.Channel == channel {
			s = append(s, fmt.Sprintf("%s %s (%d)", z.Record.Name, z.Standing, z.Record.Raw.N))
		}
	}
	return strings.Join(s, "; ")
}

// A zero that does not know its temperature cannot be corrected for it: its rows
// are those of a still temperature, and all of them say so.
func TestZeroWithoutTemperature(t *testing.T) {
	r := parse(t, article)
	r.Event(zeroEvent("begin", "test", 0))
	r.Event(zeroEvent("end", "test", 0.2))
	reduceFrame(t, r, strains(0, 0.1, 0.1, 0.1))
	reduceFrame(t, r, air(1, 61))
	b := reduceFrame(t, r, strains(1, 0.1, 0.3))
	if got := masks(columnOf(t, r, b, "beam flags")); got != "temperature-missing temperature-missing" {
		t.Errorf("flags %q", got)
	}
	if e := columnOf(t, r, b, "beam [m/m]").Float[0]; !near(e, 0, 1e-15) {
		t.Errorf("corrected for a temperature that nobody knows: %v", e)
	}
	zeros, _ := standing(r.Zeros())
	if !math.IsNaN(zeros[0].Zero.Temperature) {
		t.Errorf("the zero's temperature is %v", zeros[0].Zero.Temperature)
	}
	// The next zero knows it.
	r.Event(zeroEvent("begin", "test", 2))
	r.Event(zeroEvent("end", "test", 2.2))
	reduceFrame(t, r, strains(2, 0.1, 0.1))
	if got := masks(columnOf(t, r, reduceFrame(t, r, strains(2.2, 0.1)), "beam flags")); got != "ok" {
		t.Errorf("flags %q", got)
	}
}

func TestZeroWindowOfTheTestFileBesideAnEvents(t *testing.T) {
	text := strings.Replace(article, "zone: UTC,", "zone: UTC, zero: {first: 300 ms, temperature: 15 degC},", 1)
	r := parse(t, text)
	reduceFrame(t, r, air(-1, 20))
	r.Event(zeroEvent("begin", "test", 0.2))
	r.Event(zeroEvent("end", "test", 0.6))
	reduceFrame(t, r, strains(0, 0.1, 0.1, 0.2, 0.2))
	if got := told(r.Zeros(), "beam"); got != "zero of the test file in force (3); test zero not ended (2)" {
		t.Error(got)
	}
	reduceFrame(t, r, strains(0.4, 0.2, 0.2, 0.5))
	zeros := r.Zeros()
	if got := told(zeros, "beam"); got != "test zero in force (4); zero of the test file replaced (3)" {
		t.Error(got)
	}
	if z := zeros[len(zeros)-2]; z.Channel != "beam" || z.Zero.Temperature != 15 {
		t.Errorf("the temperature that the file states for its zero: %+v", z.Zero)
	}
}

func TestZerosThatAreNotInForceAreTold(t *testing.T) {
	r := parse(t, article)
	reduceFrame(t, r, air(0, 20))
	add := func(kind, name string, from, to float64, end string) {
		for _, e := range []event.Event{zeroEvent("begin", kind, from), zeroEvent(end, kind, to)} {
			e.Name, e.Channel = name, "beam"
			r.Event(e)
		}
	}
	add("test", "A", 0, 0.2, "end")
	add("installation", "B", 0.2, 0.4, "end")
	add("tare", "C", 0.4, 0.5, "end")
	add("test", "D", 0.5, 0.6, "void")
	add("test", "E", 0.65, 0.68, "end")
	reduceFrame(t, r, strains(0, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1))
	if got := told(r.Zeros(), "beam"); got != "A in force (2); B kept for drift (2); C tare (1); D void (1); E took nothing (0)" {
		t.Error(got)
	}
}

func TestNoValueIsNullWithoutAFlag(t *testing.T) {
	// No range is stated, and no strain gives such ratios.
	r := parse(t, strings.Replace(article, "range: 4 mV/V, ", "", 1))
	b := reduceFrame(t, r, strains(0, 0.1, 600, 0.1, -600, 150))
	want := "ok open,saturated ok shorted,saturated open,saturated"
	if got := masks(columnOf(t, r, b, "web flags")); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestShuntThatNoGainExplainsIsRefused(t *testing.T) {
	with := func(reading string) error {
		text := strings.Replace(article, "beam: {bridge: quarter_3wire,", "beam: {bridge: quarter_3wire, shunt: {location: gauge, resistor: 174650 ohm, before: 0 mV/V, with: "+reading+" mV/V},", 1)
		test, err := testfile.Parse("beam.yaml", []byte(text), nil)
		if err != nil {
			t.Fatal(err)
		}
		plans, err := Plans(test)
		if err != nil {
			t.Fatal(err)
		}
		return plans[0].CheckSpans()
	}
	if err := with("-0.4998"); err != nil {
		t.Error(err)
	}
	if err := with("0.4998"); err == nil || !strings.Contains(err.Error(), "channel beam: its shunt readings give a span of -1") {
		t.Errorf("the wrong sign: %v", err)
	}
}
