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
)

// idleArticle is the article with a load, and a channel of counts for it.
const idleArticle = `
test: {name: a beam, zone: UTC, load: force}
sources:
  node: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, inputs: {L1: {unit: mV/V}}}
  logger: {rate: 1 Hz, unit: degC}
lots:
  A: {resistance: 350 ohm, gauge-factor: 2.0}
gauges: {g1: {lot: A}, g2: {lot: A}}
positions: {beam: {material: carbon-steel}, web: {material: carbon-steel}}
wiring:
  - {position: beam, gauge: g1, input: node/A1}
  - {position: web, gauge: g2, input: node/A2}
temperatures: {air: {input: logger/T1, max-age: 1 h}}
auxiliary: {force: {input: node/L1, quantity: load, unit: kN, sensitivity: 2 mV/V, capacity: 100}}
channels:
  beam: {bridge: quarter_3wire, temperature: air}
  web: {bridge: quarter_3wire, zero: {ratio: 0 mV/V, temperature: 20 degC}}
`

// article feeds the node row by row: both bridges and the force in mV/V.
type bench struct {
	*testing.T
	r  *Reducer
	at float64 // s, time of the next row
}

func newBench(t *testing.T) *bench {
	b := &bench{T: t, r: parse(t, idleArticle)}
	reduceFrame(t, b.r, air(0, 20))
	return b
}

func (b *bench) say(word, state string, more func(*event.Event)) {
	e := event.Event{Event: word, State: state, Time: start.Add(time.Duration(b.at * 1e9)), Who: "M. Arkle", Why: "a test"}
	if more != nil {
		more(&e)
	}
	b.r.Event(e)
}

func on(channel string) func(*event.Event) { return func(e *event.Event) { e.Channel = channel } }

func kind(k string) func(*event.Event) { return func(e *event.Event) { e.Kind = k } }

// rows feeds n rows of f, the ratio of both bridges in mV/V by row, and returns
// the strain of the beam and its flags.
func (b *bench) rows(n int, f func(i int) float64) ([]float64, []uint32) {
	b.Helper()
	frame := strains(b.at, make([]float64, n)...)
	for i := range n {
		frame.Columns[0].Float[i] = f(i)
	}
	frame.Columns = append(frame.Columns, frame.Columns[0])
	frame.Columns[2].Name, frame.Columns[2].Float = "L1", make([]float64, n)
	for i := range n {
		frame.Columns[2].Float[i] = 0.5 // 25 kN
	}
	b.at += float64(n) * 0.1
	batch := reduceFrame(b.T, b.r, frame)
	return columnOf(b.T, b.r, batch, "beam [m/m]").Float, columnOf(b.T, b.r, batch, "beam flags").Flags
}

// noisy is a level in mV/V with a deviation of about 0.2 um/m to both sides.
func noisy(level float64) func(int) float64 {
	return func(i int) float64 { return level + 0.0001*float64(i%3-1) }
}

func (b *bench) zero() {
	b.say("load-state", "idle", nil)
	b.say("zero", "begin", kind("test"))
	b.rows(30, noisy(0.2))
	b.say("zero", "end", kind("test"))
}

func TestZeroThatIsVoidLeavesTheOneBefore(t *testing.T) {
	b := newBench(t)
	b.zero()
	b.say("zero", "begin", kind("test"))
	b.rows(10, noisy(0.9))
	b.say("zero", "void", kind("test"))
	strain, _ := b.rows(1, func(int) float64 { return 0.2 })
	if !near(strain[0], 0, 1e-9) {
		t.Errorf("strain %v since the first zero", strain[0])
	}
	if looks := b.r.ZerosInProgress(); len(looks) != 0 {
		t.Errorf("still in progress: %+v", looks)
	}
}

func TestZeroIsLookedAtBeforeItEnds(t *testing.T) {
	look := func(prepare func(b *bench), f func(i int) float64) ZeroLook {
		b := newBench(t)
		if prepare != nil {
			prepare(b)
		}
		b.say("zero", "begin", kind("tare"))
		b.rows(100, f)
		looks := b.r.ZerosInProgress()
		if len(looks) != 2 || looks[0].Channel != "beam" || looks[0].Kind != "tare" || looks[0].Readings+looks[0].LeftOut != 100 {
			t.Fatalf("looks %+v", looks)
		}
		return looks[0]
	}
	idle := func(b *bench) { b.say("load-state", "idle", nil) }

	good := look(idle, noisy(0.2))
	if reasons := good.Against(DefaultZeroLimits); len(reasons) != 0 {
		t.Errorf("a good one: %q", reasons)
	}
	// By hand: deviations of -1, 0 and +1 ten-thousandths of a mV/V by turns have
	// the deviation sqrt(2/3) of it, and 4 q/F of that is strain.
	if want := math.Sqrt(2.0/3) * 4 * 0.0001e-3 / 2; math.Abs(float64(good.Noise)/want-1) > 0.02 {
		t.Errorf("noise %v, want about %v", good.Noise, want)
	}
	if !near(float64(good.Load), 25, 1e-9) || !near(float64(good.Temperature), 20, 1e-9) || !near(float64(good.Ratio), 0.2e-3, 1e-8) {
		t.Errorf("means %+v", good)
	}
	// A line of 0.01 mV/V over a hundred rows is 20 um/m.
	rising := look(idle, func(i int) float64 { return noisy(0.2)(i) + 0.0001*float64(i) })
	if !near(float64(rising.Trend), 20e-6, 0.1e-6) || !near(float64(rising.Noise), float64(good.Noise), 1e-9) {
		t.Errorf("trend %v with noise %v", rising.Trend, rising.Noise)
	}
	for _, c := range []struct {
		name string
		look ZeroLook
		want string
	}{
		{"trend", rising, "trend +20.0"},
		{"noise", look(idle, func(i int) float64 { return 0.2 + 0.002*float64(i%2) }), "noise 2.0"},
		{"loaded", look(func(b *bench) { b.say("load-state", "loaded", nil) }, noisy(0.2)), "idle"},
		{"nobody said idle", look(nil, noisy(0.2)), "idle"},
		{"excitation", look(func(b *bench) { idle(b); b.say("excitation", "off", nil) }, noisy(0.2)), "excitation-off"},
		{"flagged", look(func(b *bench) { idle(b); b.say("handling", "begin", on("beam")) }, noisy(0.2)), "flagged handled"},
	} {
		reasons := strings.Join(c.look.Against(DefaultZeroLimits), "; ")
		if !strings.Contains(reasons, c.want) {
			t.Errorf("%s: %q, want %q", c.name, reasons, c.want)
		}
	}
	short := good
	short.Readings, short.Moved = 3, 0.9
	if reasons := short.Against(DefaultZeroLimits); len(reasons) != 2 || !strings.Contains(reasons[1], "temperature") {
		t.Errorf("few readings in a warming room: %q", reasons)
	}
}

func TestZeroIsCarriedOverABalance(t *testing.T) {
	dropped := false
	var carried *bench
	work := func(before, after, idle bool) (strain []float64, m flag.Mask) {
		b := newBench(t)
		b.zero()
		carried = b
		if !idle {
			b.say("load-state", "loaded", nil)
		}
		// The article stands at 0.3 mV/V since its zero at 0.2 when the bridge is
		// balanced: the instrument reads -0.01 then.
		if before {
			b.say("balance", "before", on("beam"))
			b.rows(30, noisy(0.3))
		}
		if dropped {
			b.say("balance", "void", on("beam"))
		}
		b.say("balance", "begin", on("beam"))
		_, during := b.rows(3, noisy(0.1))
		if flag.Mask(during[1])&flag.Handled == 0 {
			t.Errorf("during the work: %s", flag.Mask(during[1]))
		}
		if after {
			b.say("balance", "after", on("beam"))
			b.rows(30, noisy(-0.01))
		}
		b.say("balance", "end", on("beam"))
		s, masks := b.rows(2, func(int) float64 { return -0.01 })
		return s, flag.Mask(masks[1])
	}
	strain, m := work(true, true, true)
	for _, z := range carried.r.Zeros() {
		if z.Channel == "beam" && (fmt.Sprint(z.Carried) != "[balance]" || !near(z.Noise, math.Sqrt(2.0/3)*2e-7, 0.1e-7) || z.Record.Load.Mean != 25) {
			t.Errorf("the zero that was carried: %+v", z)
		}
	}
	// MODEL section 4: the strain that 0.1 mV/V since the zero was before the work.
	q := 0.1e-3
	if want := 4 * q / (1 - 2*q) / 2; !near(strain[1], want, 1e-9) || m != 0 {
		t.Errorf("carried over: %v %s, want %v", strain[1], m, want)
	}
	for _, c := range []struct {
		name                string
		before, after, idle bool
	}{{"nothing before", false, true, true}, {"nothing after", true, false, true}, {"loaded", true, true, false}} {
		if _, m := work(c.before, c.after, c.idle); m&flag.Replaced == 0 {
			t.Errorf("%s: flagged %s, want the series to restart", c.name, m)
		}
	}
	dropped = true
	if _, m := work(true, true, true); m&flag.Replaced == 0 {
		t.Errorf("the reading before was dropped: flagged %s, want the series to restart", m)
	}
}

// A gauge is replaced by one of another lot on another input: the wiring map
// changes between the readings, in the test file from the start, or in one that
// holds from the work on.
func TestZeroIsCarriedToAnotherGauge(t *testing.T) {
	const from = `"2026-01-02T12:00:06.3Z"`
	old := strings.NewReplacer(
		"  A: {", "  B: {resistance: 350 ohm, gauge-factor: 2.1}\n  A: {",
		"g2: {lot: A}", "g2: {lot: B}",
		", web: {material: carbon-steel}", "",
		"  - {position: web, gauge: g2, input: node/A2}\n", "",
		"  web: {bridge: quarter_3wire, zero: {ratio: 0 mV/V, temperature: 20 degC}}\n", "",
	).Replace(idleArticle)
	changed := strings.Replace(old, "input: node/A1}\n", "input: node/A1, to: "+from+"}\n  - {position: beam, gauge: g2, input: node/A2, from: "+from+"}\n", 1)
	const atBegin, inBetween = true, false
	work := func(idle, known, early bool) (strain []float64, m flag.Mask, b *bench) {
		b = &bench{T: t, r: parse(t, map[bool]string{true: changed, false: old}[known])}
		reduceFrame(t, b.r, air(0, 20))
		b.zero()
		if !idle {
			b.say("load-state", "loaded", nil)
		}
		b.say("replace", "before", on("beam"))
		b.rows(30, noisy(0.3)) // to 6 s
		if early == atBegin {
			b.rows(3, noisy(0.3)) // to 6.3 s, when the wiring changes
		}
		b.say("replace", "begin", on("beam"))
		b.rows(3, noisy(0.1))
		text, err := json.Marshal(b.r.State())
		if err != nil {
			t.Fatal(err)
		}
		plan := parse(t, changed).plan
		state, err := plan.ReadState(text)
		if err != nil {
			t.Fatal(err)
		}
		b.r = NewReducerAt(plan, state)
		reduceFrame(t, b.r, air(b.at, 20))
		b.say("replace", "after", on("beam"))
		b.rows(30, noisy(-0.01))
		b.say("replace", "end", on("beam"))
		b.rows(1, noisy(-0.01))
		b.r = restarted(t, b.r)
		strain, masks := b.rows(2, func(i int) float64 { return -0.01 + 0.05*float64(i) })
		return strain, flag.Mask(masks[1]), b
	}
	// MODEL section 4, a quarter bridge: 4q/F/(1-2q) is the strain of a ratio q
	// since the zero, Fe/(4+2Fe) the ratio of a strain. By the old gauge 0.1 mV/V
	// were reached, and by the new one 0.05 mV/V come on top.
	strainOf := func(q, factor float64) float64 { return 4 * q / factor / (1 - 2*q) }
	reached := strainOf(0.1e-3, 2)
	more := strainOf(0.05e-3+2.1*reached/(4+2*2.1*reached), 2.1)
	for _, known := range []bool{true, false} {
		for _, early := range []bool{atBegin, inBetween} {
			strain, m, b := work(true, known, early)
			if !near(strain[0], reached, 1e-9) || !near(strain[1], more, 1e-9) || m != 0 {
				t.Errorf("known %v, at the beginning %v: %v %s, want %v and %v", known, early, strain, m, reached, more)
			}
			zeros := b.r.Zeros()
			if len(zeros) != 1 || fmt.Sprint(zeros[0].Carried) != "[replace]" || zeros[0].Record.Kind != "test" {
				t.Errorf("zeros %+v", zeros)
			}
			b.zero()
			if strain, m := b.rows(1, noisy(0.2)); !near(strain[0], strainOf(-0.0001e-3, 2.1), 1e-9) || m[0] != 0 {
				t.Errorf("after a zero of its own: %v %s", strain, flag.Mask(m[0]))
			}
		}
		if strain, m, _ := work(false, known, inBetween); m&flag.Replaced == 0 || strain[0] == strain[0] {
			t.Errorf("loaded: %v, flagged %s, want the series to restart", strain, m)
		}
	}
}

// A gauge is replaced by one on an input of another source, stated with from and to
// or in place of the old one: the series restarts there, and nothing of the work
// stays behind on the old input, over a restart too.
func TestReplacedOntoAnotherSource(t *testing.T) {
	const from = `"2026-01-02T12:00:06.2Z"`
	old := strings.NewReplacer("  logger: {rate", "  far: {rate: 10 Hz, unit: mV/V}\n  logger: {rate", "g2: {lot: A}}", "g2: {lot: A}, g3: {lot: A}}").Replace(idleArticle)
	for name, wiring := range map[string]string{
		"stated with from and to": "input: node/A1, to: " + from + "}\n  - {position: beam, gauge: g3, input: far/A1, from: " + from + "}\n",
		"in place of the old":     "input: far/A1}\n",
	} {
		b := &bench{T: t, r: parse(t, old)}
		reduceFrame(t, b.r, air(0, 20))
		b.zero()
		b.say("replace", "before", on("beam"))
		b.rows(30, noisy(0.3))
		b.say("replace", "begin", on("beam"))
		b.rows(3, noisy(0.1)) // to 6.3 s
		if begun := b.r.State().Begun; len(begun) != 1 || begun[0].Wire != "node/A1|g1" {
			t.Fatalf("begun %+v", begun)
		}
		text, err := json.Marshal(b.r.State())
		if err != nil {
			t.Fatal(err)
		}
		plan := parse(t, strings.Replace(old, "input: node/A1}\n", wiring, 1)).plan
		state, err := plan.ReadState(text)
		if err != nil {
			t.Fatal(err)
		}
		b.r = NewReducerAt(plan, state)
		b.say("replace", "after", on("beam"))
		there := strains(b.at, make([]float64, 30)...)
		there.Source = "far"
		reduceFrame(t, b.r, there)
		at := b.at
		b.at += 3
		b.say("replace", "end", on("beam"))
		b.at = at
		web := strains(b.at, make([]float64, 32)...) // the old source goes on, with its other gauge
		web.Columns = append(web.Columns, web.Columns[0])
		web.Columns[2].Name = "L1"
		reduceFrame(t, b.r, web)
		there = strains(b.at+3, 0.2, 0.2)
		there.Source = "far"
		batch := reduceFrame(t, b.r, there)
		if m := flag.Mask(columnOf(t, b.r, batch, "beam flags").Flags[1]); m&flag.Replaced == 0 || m&flag.Handled != 0 {
			t.Errorf("%s: flagged %s, want the series to restart", name, m)
		}
		b.r = restarted(t, b.r)
		left := b.r.State().Inputs["node/A1|g1"]
		if left == nil || left.Pairing != nil || left.Handled || len(left.InProgress) != 0 || len(b.r.State().Begun) != 0 {
			t.Errorf("%s: on the old input stays %+v, begun %+v", name, left, b.r.State().Begun)
		}
	}
}

func TestRestartedSeriesGoesOnWithAZero(t *testing.T) {
	b := newBench(t)
	b.zero()
	b.say("replace", "begin", on("beam"))
	b.rows(3, noisy(0.1))
	b.say("replace", "end", on("beam"))
	if _, m := b.rows(1, noisy(0.1)); flag.Mask(m[0]) != flag.Replaced {
		t.Errorf("after: %s", flag.Mask(m[0]))
	}
	b.zero()
	if _, m := b.rows(1, noisy(0.2)); m[0] != 0 {
		t.Errorf("after a zero: %s", flag.Mask(m[0]))
	}
}

func TestJumpWithoutAnEventIsFlagged(t *testing.T) {
	step := func(at float64) func(int) float64 {
		return func(i int) float64 {
			if i < 40 {
				return noisy(0.2)(i)
			}
			return noisy(at)(i)
		}
	}
	settled := func(state string) *bench {
		b := newBench(t)
		b.zero()
		b.say("load-state", state, nil)
		b.rows(300, noisy(0.2))
		return b
	}
	count := func(masks []uint32) (n int) {
		for _, m := range masks {
			if flag.Mask(m)&flag.Jump != 0 {
				n++
			}
		}
		return n
	}
	b := settled("idle")
	// It is certain 32 rows behind the step, and stays until somebody signs.
	if _, m := b.rows(100, step(0.3)); count(m) != 100-40-jumpRows+1 {
		t.Errorf("%d rows are flagged", count(m))
	}
	b.say("check", "", func(e *event.Event) { e.Channel, e.Who = "beam", "M. Arkle" })
	if _, m := b.rows(100, noisy(0.3)); count(m) != 0 {
		t.Errorf("%d rows after a signed check", count(m))
	}

	for _, c := range []struct {
		name  string
		state string
		f     func(int) float64
	}{
		{"under load", "loaded", step(0.3)},
		{"smaller than 20 um/m", "idle", step(0.208)},
		{"it goes back", "idle", func(i int) float64 { return noisy(0.2 + 0.1*float64(i/30%2))(i) }},
		{"one sample", "idle", func(i int) float64 { return noisy(0.2 + 0.1*float64(i/50*(51/(i+1))))(i) }},
		{"a ramp", "idle", func(i int) float64 { return noisy(0.2 + 0.001*float64(i))(i) }},
	} {
		b := settled(c.state)
		if _, m := b.rows(150, c.f); count(m) != 0 {
			t.Errorf("%s: %d rows are flagged", c.name, count(m))
		}
	}
}

func TestStateOfPeoplesEventsSurvivesItsJSON(t *testing.T) {
	run := func(restart bool) string {
		b := newBench(t)
		b.zero()
		b.rows(300, noisy(0.2))
		out := ""
		for i, word := range []string{"before", "begin", "after", "end"} {
			b.say("rewire", word, on("beam"))
			if restart {
				b.r = restarted(t, b.r)
			}
			_, m := b.rows(20, noisy(0.2+0.1*float64(i)))
			strain, _ := b.rows(1, noisy(0.2))
			out += flag.Mask(m[0]).String() + " " + time.Duration(strain[0]*1e15).String() + "\n"
		}
		return out
	}
	if whole, parts := run(false), run(true); whole != parts || !strings.Contains(whole, "handled") {
		t.Errorf("with restarts\n%s\nwithout\n%s", parts, whole)
	}
}
