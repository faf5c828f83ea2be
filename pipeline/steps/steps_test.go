package steps

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/reduce"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// at is a minute of the test.
func at(minute float64) int64 {
	return start.Add(time.Duration(minute * float64(time.Minute))).UnixNano()
}

func said(word, state, name string, minute float64) event.Event {
	return event.Event{Event: word, State: state, Name: name, Time: time.Unix(0, at(minute)).UTC()}
}

// series samples a value once a second.
func series(name string, kind Kind, from, to float64, value func(minute float64) float64) Series {
	s := Series{Name: name, Kind: kind}
	for t := at(from); t < at(to); t += int64(time.Second) {
		s.Time = append(s.Time, t)
		s.Value = append(s.Value, value(float64(t-at(0))/60e9))
		s.Flags = append(s.Flags, 0)
	}
	return s
}

func from(all ...Series) Source {
	return func(visit func(Series)) error {
		for _, s := range all {
			visit(s)
		}
		return nil
	}
}

func near(a, b, tolerance float64) bool { return math.Abs(a-b) <= tolerance }

// Two fillings of ten minutes each, by hand: rest to 10, up to 12, hold to 15,
// down to 17, rest to 20; the load is 100 kN and then 50 kN, the strain 2e-6 a
// kN and 3e-6 more on the way down, and 1e-6 stays behind after the first.
func TestReportOfAHandMadeTest(t *testing.T) {
	var events []event.Event
	for i, name := range []string{"first", "second"} {
		m := 10 + 10*float64(i)
		events = append(events, said("step", "begin", name, m), said("step", "hold", name, m+2), said("step", "end", name, m+5), said("load-state", "idle", "", m+7))
	}
	level := func(m float64) (load float64, falling bool, cycle int) {
		cycle = int((m - 10) / 10)
		if m < 10 {
			return 0, false, 0
		}
		m = math.Mod(m, 10)
		full := []float64{100, 50}[cycle]
		switch {
		case m < 2:
			return full * m / 2, false, cycle
		case m < 5:
			return full, false, cycle
		case m < 7:
			return full * (7 - m) / 2, true, cycle
		}
		return 0, true, cycle
	}
	load := series("force", Load, 0, 30, func(m float64) float64 { l, _, _ := level(m); return l })
	strain := series("beam", Strain, 0, 30, func(m float64) float64 {
		l, falling, cycle := level(m)
		e := 2e-6 * l
		if falling && l > 0 {
			e += 3e-6
		}
		if cycle > 0 || falling && l == 0 {
			e += 1e-6
		}
		return e
	})
	for i := range strain.Time { // readings that must be left out
		if m := float64(strain.Time[i]-at(0)) / 60e9; m >= 13 && m < 14 {
			strain.Value[i], strain.Flags[i] = 1, uint32(flag.ShuntOn)
		}
	}
	channels := []group.ChannelConstants{{Name: "beam"}}
	rows, err := Report(events, channels, from(load, strain))
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 2 {
		t.Fatalf("%d rows", len(rows))
	}
	r := rows[0]
	if r.Step != "first" || r.Readings != 120 || !near(r.Mean, 200e-6, 1e-12) || !near(r.SD, 0, 1e-12) || !near(r.Load, 100, 1e-9) {
		t.Errorf("first: %+v", r)
	}
	if !near(r.Hysteresis, 3e-6, 1e-9) || !near(r.Return, 1e-6, 1e-12) {
		t.Errorf("hysteresis %v, return %v", r.Hysteresis, r.Return)
	}
	if second := rows[1]; !near(second.Return, 0, 1e-12) || !near(second.Hysteresis, 3e-6, 1e-9) || !near(second.Mean, 101e-6, 1e-12) {
		t.Errorf("second: %+v", second)
	}
	// The line through (0, 0), (100, 200), (0, 1), (50, 101) in um/m, by hand:
	// means 37.5 and 75.5; sum of squares 6875 and of products 13725, so that the
	// slope is 13725/6875; two degrees of freedom are left.
	slope := 13725.0 / 6875
	intercept := 75.5 - slope*37.5
	var rest float64
	for _, p := range [][2]float64{{0, 0}, {100, 200}, {0, 1}, {50, 101}} {
		d := p[1] - intercept - slope*p[0]
		rest += d * d
	}
	if !near(r.Slope, slope*1e-6, 1e-14) || !near(r.SlopeError, math.Sqrt(rest/2/6875)*1e-6, 1e-14) || !near(r.Residual, (200-intercept-slope*100)*1e-6, 1e-14) {
		t.Errorf("slope %v ± %v, residual %v", r.Slope, r.SlopeError, r.Residual)
	}
	if !math.IsNaN(r.Predicted) || !math.IsNaN(r.Deviation) || r.Outside() {
		t.Errorf("prediction of nothing: %+v", r)
	}
}

// norris are the data as the repository has them, with their source.
func norris(t *testing.T) (x, y []float64) {
	t.Helper()
	text, err := os.ReadFile("../../testdata/published/published-values.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Cases []struct {
			ID     string
			Inputs json.RawMessage
		}
	}
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	for _, v := range file.Cases {
		if v.ID != "strd-norris" {
			continue
		}
		var inputs struct{ X, Y []float64 }
		if err := json.Unmarshal(v.Inputs, &inputs); err != nil || len(inputs.X) != 36 || len(inputs.Y) != 36 {
			t.Fatalf("%d and %d values: %v", len(inputs.X), len(inputs.Y), err)
		}
		return inputs.X, inputs.Y
	}
	t.Fatal("no data")
	return nil, nil
}

// Norris, NIST Statistical Reference Datasets, linear regression (J. Norris,
// NIST, calibration of ozone monitors): slope 1.00211681802045 with the standard
// error 0.429796848199937E-03, residual deviation 0.884796396144373.
func TestSlopeOfNorris(t *testing.T) {
	x, y := norris(t)
	var events []event.Event
	load, strain := Series{Name: "force", Kind: Load}, Series{Name: "beam"}
	for i := range x {
		name := fmt.Sprint("step ", i)
		m := float64(10 * i)
		events = append(events, said("step", "begin", name, m), said("step", "hold", name, m+1), said("step", "end", name, m+2))
		load.Time, load.Value = append(load.Time, at(m+1)), append(load.Value, x[i])
		strain.Time, strain.Value = append(strain.Time, at(m+1)), append(strain.Value, y[i])
	}
	rows, err := Report(events, []group.ChannelConstants{{Name: "beam"}}, from(load, strain))
	if err != nil {
		t.Fatal(err)
	}
	squares := 0.0
	for _, r := range rows {
		if !near(r.Slope, 1.00211681802045, 1e-12) || !near(r.SlopeError, 0.429796848199937e-3, 1e-13) {
			t.Fatalf("slope %.15g ± %.15g", r.Slope, r.SlopeError)
		}
		squares += r.Residual * r.Residual
	}
	if sd := math.Sqrt(squares / 34); !near(sd, 0.884796396144373, 1e-12) {
		t.Errorf("residual deviation %.15g", sd)
	}
}

func TestHysteresisBetweenHoldsOfAStaircase(t *testing.T) {
	var events []event.Event
	load, strain := Series{Name: "force", Kind: Load}, Series{Name: "beam"}
	for i, p := range [][2]float64{{50, 100}, {100, 200}, {50.5, 104}, {0, 1}} {
		m := float64(10 * i)
		name := fmt.Sprint("step ", i)
		events = append(events, said("step", "begin", name, m), said("step", "hold", name, m+1), said("step", "end", name, m+9))
		for k := range 10 {
			load.Time, load.Value = append(load.Time, at(m+1)+int64(k)*1e9), append(load.Value, p[0])
			strain.Time, strain.Value = append(strain.Time, at(m+1)+int64(k)*1e9), append(strain.Value, p[1]*1e-6)
		}
	}
	rows, err := Report(events, []group.ChannelConstants{{Name: "beam"}}, from(load, strain))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{math.NaN(), math.NaN(), 4e-6, math.NaN()} {
		if got := rows[i].Hysteresis; !near(got, want, 1e-15) && !(math.IsNaN(got) && math.IsNaN(want)) {
			t.Errorf("step %d: %v, want %v", i, got, want)
		}
	}
}

func TestStepsThatHoldStillAndThoseThatNeverDid(t *testing.T) {
	got := Steps([]event.Event{
		said("step", "begin", "given up", 1), said("step", "end", "given up", 2), said("load-state", "idle", "", 3),
		said("step", "hold", "at once", 4), said("step", "end", "at once", 5), said("step", "begin", "last", 6), said("load-state", "idle", "", 6.5),
		said("step", "hold", "last", 7),
	})
	want := []Step{
		{Name: "at once", Begin: at(4), Hold: at(4), End: at(5)},
		{Name: "last", Begin: at(6), Hold: at(7)},
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
}

// A shunt on a channel whose amplifier has a gain of its own: the check finds it.
func TestShuntCheck(t *testing.T) {
	layout, _ := reduce.LayoutByName("quarter_3wire")
	constants := channel.Constants{Layout: layout, Resistance: 350, CalibrationPoisson: 0.285, Leads: channel.Leads{Ohm20: 2, Tempco: 0.00393},
		Shunt: &channel.Shunt{Location: reduce.ShuntInstrument, Resistor: 100e3}}
	constants.GaugeFactor.Value = 2.1
	constants.Output.ReferenceGaugeFactor = 2
	zero := channel.Zero{Ratio: 0.1e-3, Temperature: 20, LeadTemperature: 20}
	ready, err := channel.New(constants, zero)
	if err != nil {
		t.Fatal(err)
	}
	var known group.ChannelConstants
	text := fmt.Sprintf(`{"name":"beam","temperature":"air","wires":[{"from_ns":%d,"to_ns":%d,"lead_temperature":"air","judged_by":{"settling_ns":1000000000}}]}`, int64(math.MinInt64), int64(math.MaxInt64))
	if known, err = group.ReadConstants(text); err != nil {
		t.Fatal(err)
	}
	known.Wires[0].Constants = constants
	const u = 800e-6 // the article is loaded
	make := func(gain, moved float64) Check {
		read := func(m float64) (float64, uint32) {
			ratio := ready.Ratio(u, 25, 25)
			var mask flag.Mask
			if m >= 10 && m < 11 {
				ratio += gain * ready.ShuntStep(u, 25, 25)
				mask = flag.ShuntOn
			}
			if m >= 11 {
				ratio += moved
			}
			return ready.Strain(ratio, 25, 25), uint32(mask)
		}
		strain := series("beam", Strain, 5, 15, func(m float64) float64 { e, _ := read(m); return e })
		for i := range strain.Flags {
			_, strain.Flags[i] = read(float64(strain.Time[i]-at(0)) / 60e9)
		}
		on, off := said("shunt", "on", "", 10), said("shunt", "off", "", 11)
		on.Channel, off.Channel = "beam", "beam"
		checks, err := Checks([]event.Event{on, off}, []group.ChannelConstants{known}, []ZeroAt{{Channel: "beam", Zero: zero}},
			from(strain, series("air", Temperature, 5, 15, func(float64) float64 { return 25 })))
		if err != nil || len(checks) != 1 {
			t.Fatalf("%d checks, %v", len(checks), err)
		}
		return checks[0]
	}
	if c := make(1, 0); c.Void != "" || !c.Agrees || !near(c.Deviation(), 0, 1e-9) || !near(c.Temperature, 25, 1e-9) {
		t.Errorf("as it should be: %+v, off by %g", c, c.Deviation())
	}
	if c := make(1.03, 0); c.Void != "" || c.Agrees || !near(c.Deviation(), 0.03, 1e-9) {
		t.Errorf("a gain of 1.03: %+v", c)
	}
	if c := make(1, 0.1e-3); c.Void == "" || c.Agrees {
		t.Errorf("something moved: %+v", c)
	}
}

func TestShuntCheckThatCannotBeMade(t *testing.T) {
	c := Check{Before: math.NaN()}
	c.judge(&channel.Constants{}, nil, 20, 20)
	if c.Void != "the test file states no shunt for it" {
		t.Errorf("%q", c.Void)
	}
	c.judge(&channel.Constants{Shunt: &channel.Shunt{}}, nil, 20, 20)
	if c.Void != "no zero: take one first" {
		t.Errorf("%q", c.Void)
	}
	c.judge(&channel.Constants{Shunt: &channel.Shunt{}}, &ZeroAt{}, 20, 20)
	if c.Void != "readings before, with or after it are missing" {
		t.Errorf("%q", c.Void)
	}
}
