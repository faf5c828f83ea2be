package follow

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/cycles"
	"glueline/pipeline/drift"
	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
	"glueline/reduce"
)

var start = time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)

// at is an hour of the test in ns.
func at(hour float64) int64 {
	return start.UnixNano() + int64(math.Round(hour*3600))*int64(time.Second)
}

func said(word, state string, hour float64) event.Event {
	e := event.Event{Event: word, State: state, Time: time.Unix(0, at(hour)).UTC()}
	if word != "load-state" {
		e.Channel = "web"
	}
	return e
}

// constantsOf are those of a quarter bridge without leads or corrections.
func constantsOf(t *testing.T, name string) group.ChannelConstants {
	t.Helper()
	text := fmt.Sprintf(`{"name":%q,"temperature":"metal","wires":[{"from_ns":%d,"to_ns":%d,"lead_temperature":"cable","judged_by":{"cured_at_ns":%d}}]}`,
		name, int64(math.MinInt64), int64(math.MaxInt64), at(-2))
	c, err := group.ReadConstants(text)
	if err != nil {
		t.Fatal(err)
	}
	layout, _ := reduce.LayoutByName("quarter_3wire")
	k := &c.Wires[0].Constants
	*k = channel.Constants{Layout: layout, Resistance: 350, CalibrationPoisson: 0.285}
	k.GaugeFactor.Value, k.Output.ReferenceGaugeFactor = 2, 2
	return c
}

func ready(t *testing.T, c *group.ChannelConstants, zero channel.Zero) *channel.Channel {
	t.Helper()
	ch, err := channel.New(c.Wires[0].Constants, zero)
	if err != nil {
		t.Fatal(err)
	}
	return ch
}

// row is one sample of the channel "web", with what is read beside it.
type row struct {
	strain, load float64
	flags        flag.Mask
}

// batches samples every 20 s and hands out so many rows at once as size says.
func batches(hours float64, of func(hour float64) row, size func() int) Batches {
	return func(visit func(*Batch)) error {
		end := at(hours)
		for now := at(0); now < end; {
			b := Batch{Source: "node"}
			web, force := Column{Name: "web"}, Column{Name: "force", Kind: Load}
			metal, air := Column{Name: "metal", Kind: Temperature}, Column{Name: "air", Kind: Humidity}
			for n := size(); n > 0 && now < end; n-- {
				r := of(float64(now-at(0)) / 3600e9)
				b.Time = append(b.Time, now)
				web.Value, web.Flags = append(web.Value, r.strain), append(web.Flags, uint32(r.flags))
				force.Value = append(force.Value, r.load)
				metal.Value, air.Value = append(metal.Value, 20), append(air.Value, 55)
				now += int64(20 * time.Second)
			}
			b.Columns = []Column{web, force, metal, air}
			visit(&b)
		}
		return nil
	}
}

func always(n int) func() int { return func() int { return n } }

// worked is a load of 10 kN for the last half of every hour.
func worked(hour float64) float64 {
	if hour-math.Floor(hour) >= 0.5 {
		return 10
	}
	return 0
}

func one(t *testing.T, in *Input) Health {
	t.Helper()
	all, err := Run(in)
	if err != nil || len(all) != 1 {
		t.Fatalf("%d channels, %v", len(all), err)
	}
	return all[0]
}

// idleMeans are those of the hours of a record.
func idleMeans(r *drift.Record) (means []float64) {
	for i := range r.Epochs {
		if m := r.Epochs[i].Idle.Mean(); !math.IsNaN(m) {
			means = append(means, m)
		}
	}
	return means
}

// spread is the largest less the least.
func spread(x []float64) float64 { return slices.Max(x) - slices.Min(x) }

// A zero that is taken in the middle of a minute changes what is reported: not the
// record of the channel, and not its cycles.
func TestAZeroChangesNeitherRecordNorCycles(t *testing.T) {
	c := constantsOf(t, "web")
	const moved, when = 40e-6, 30.126 // under the new zero, all reads 40e-6 less
	first := channel.Zero{Ratio: 0.1e-3, Temperature: 20, LeadTemperature: 20}
	under := ready(t, &c, first)
	second := channel.Zero{Ratio: under.Ratio(moved, 20, 20), Temperature: 20, LeadTemperature: 20}
	later := ready(t, &c, second)
	truth := func(hour float64) float64 { return moved + 50e-6*worked(hour)/10*9 }
	in := &Input{
		Channels: []group.ChannelConstants{c},
		Zeros:    []steps.ZeroAt{{Channel: "web", To: at(-1), Zero: first}, {Channel: "web", From: at(30.1), To: at(when), Zero: second}},
		Batches: batches(60, func(hour float64) row {
			ratio := under.Ratio(truth(hour), 20, 20)
			if hour < when {
				return row{strain: under.Strain(ratio, 20, 20), load: worked(hour)}
			}
			return row{strain: later.Strain(ratio, 20, 20), load: worked(hour)}
		}, always(500)),
	}
	got := one(t, in)
	in.Zeros = in.Zeros[:1]
	in.Batches = batches(60, func(hour float64) row { return row{strain: truth(hour), load: worked(hour)} }, always(500))
	want := one(t, in)
	// Under another zero the same ratio is another strain by its nonlinearity only.
	if means := idleMeans(&got.Record); len(means) != 60 || spread(means) > 0.05e-6 || math.Abs(means[0]-moved) > 1e-9 {
		t.Errorf("%d hours, idle means within %g", len(means), spread(means))
	}
	if n := got.Record.Zeroed; len(n) != 1 || n[0].Time != at(when) || math.Abs(n[0].Value-moved) > 1e-12 {
		t.Errorf("zeros %v", n)
	}
	if fmt.Sprint(got.Cycles.Closed, got.Cycles.Open, got.Cycles.Largest) != fmt.Sprint(want.Cycles.Closed, want.Cycles.Open, want.Cycles.Largest) || got.LoadCycles() < 59 {
		t.Errorf("cycles %+v\nwithout the zero %+v", got.Cycles, want.Cycles)
	}
	if got.Minutes != want.Minutes-1 { // the one on both sides
		t.Errorf("%d minutes, %d without the zero", got.Minutes, want.Minutes)
	}
}

// Work at a cable without paired readings moves the zero by nobody knows what: the
// record goes on where it was and no cycle is made of it. Another gauge begins
// another record.
func TestWorkAtCableAndGauge(t *testing.T) {
	c := constantsOf(t, "web")
	zero := channel.Zero{Temperature: 20, LeadTemperature: 20}
	other := zero
	other.Ratio = 0.2e-3 // 400 um/m beside
	for _, word := range []string{"rewire", "replace"} {
		in := &Input{
			Events:   []event.Event{said(word, "begin", 20.1), said(word, "end", 20.2)},
			Channels: []group.ChannelConstants{c},
			Zeros:    []steps.ZeroAt{{Channel: "web", To: at(-1), Zero: zero}, {Channel: "web", From: at(20.3), To: at(20.4), Zero: other}},
			Batches: batches(60, func(hour float64) row {
				r := row{strain: 30e-6 + 5e-6*worked(hour), load: worked(hour)}
				switch {
				case hour >= 20.4:
					r.strain -= 30e-6
				case hour >= 20.1:
					r.strain, r.flags = 400e-6, flag.Replaced
				}
				return r
			}, always(500)),
		}
		h := one(t, in)
		means := idleMeans(&h.Record)
		if h.Cycles.Largest != 50 {
			t.Errorf("%s: a cycle of %d um/m", word, h.Cycles.Largest)
		}
		switch word {
		case "rewire":
			if len(means) != 60 || spread(means) > 1e-9 || !h.Replaced.IsZero() {
				t.Errorf("rewire: %d hours, within %g, replaced %v", len(means), spread(means), h.Replaced)
			}
		case "replace":
			if len(means) != 40 || spread(means) > 1e-9 || math.Abs(means[0]) > 1e-9 || h.Replaced.UnixNano() != at(20.2) || h.From.UnixNano() < at(20.4) {
				t.Errorf("replace: %d hours, within %g, from %v, replaced %v", len(means), spread(means), h.From, h.Replaced)
			}
		}
	}
}

// However the rows are cut into batches, the outcome is the same.
func TestBatchesMayBeCutAnywhere(t *testing.T) {
	c := constantsOf(t, "web")
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	noise := make([]float64, 180)
	for i := range noise {
		noise[i] = 1e-6 * random.NormFloat64()
	}
	rows := func(hour float64) row {
		r := row{strain: 50e-6*worked(hour) + noise[int(hour*180+0.5)%len(noise)], load: worked(hour)}
		if int(hour*180+0.5)%97 == 0 {
			r.flags = flag.Spike
		}
		return r
	}
	shunted := []event.Event{said("insulation", "", 10), said("rewire", "end", 20.21), said("shunt", "on", 25.1), said("shunt", "off", 25.11)}
	shunted[0].Value = "2 Gohm"
	zero := channel.Zero{Temperature: 20, LeadTemperature: 20}
	outcome := func(size func() int) string {
		h := one(t, &Input{
			Events: shunted, Channels: []group.ChannelConstants{c}, Batches: batches(60, rows, size),
			Zeros: []steps.ZeroAt{{Channel: "web", To: at(-1), Zero: zero}, {Channel: "web", To: at(40.003), Zero: channel.Zero{Ratio: 1e-6, Temperature: 20}}},
		})
		text, err := json.Marshal([]any{h.Record, h.Cycles, h.Minutes, h.Samples, h.LeftOut, h.From, h.To})
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	want := outcome(always(1 << 20))
	for range 5 {
		if got := outcome(func() int { return 1 + random.IntN(2000) }); got != want {
			t.Fatalf("got\n%s\nwant\n%s", got, want)
		}
	}
}

func TestIdle(t *testing.T) {
	load := func(of ...float64) *background {
		b := newBackground()
		batch := Batch{Columns: []Column{{Name: "force", Kind: Load, Value: of}}}
		for i := range of {
			batch.Time = append(batch.Time, at(0)+int64(i)*minute/2) // two a minute
		}
		b.take(&batch)
		b.settle()
		return b
	}
	told := newBackground()
	told.begin([]event.Event{said("load-state", "idle", 1), said("load-state", "loaded", 2), said("load-state", "idle", 2.005)}, &Pass{declared: &Declared{}})
	for _, c := range []struct {
		name string
		b    *background
		at   int64
		want bool
	}{
		{"no load at all", newBackground(), at(0), true},
		{"within the lowest twentieth", load(0, 0, 0.4, 0.4, 10, 10), at(0) + minute, true},
		{"above it", load(0, 0, 0.6, 0.6, 10, 10), at(0) + minute, false},
		{"loaded within the minute", load(0, 0, 0, 5, 10, 10), at(0) + minute, false},
		{"negative loads", load(-10, -10, -9.8, -9.8, 0, 0), at(0) + minute, true},
		{"a load that was read a while ago", load(0, 0, 10, 10, 0, 0), at(0) + 8*minute, true},
		{"a load that was read too long ago", load(0, 0, 10, 10, 0, 0), at(0) + 40*minute, false},
		{"before anybody said so", told, at(0.5), false},
		{"idle by people", told, at(1), true},
		{"loaded within the minute, by people", told, at(2) - minute/2, false},
		{"idle from within the minute on", told, at(2.005) - minute/4, false},
		{"idle again", told, at(3), true},
	} {
		if got := c.b.idle(c.at); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// The median of the others, by the rule itself.
func TestMedianWithout(t *testing.T) {
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 2))
	if !math.IsNaN(medianWithout([]float64{1}, 1)) {
		t.Error("a channel alone has no companions")
	}
	for range 500 {
		all := make([]float64, 2+random.IntN(6))
		for i := range all {
			all[i] = float64(random.IntN(5))
		}
		out := random.IntN(len(all))
		rest := slices.Delete(slices.Clone(all), out, out+1)
		sort.Float64s(rest)
		want := (rest[(len(rest)-1)/2] + rest[len(rest)/2]) / 2
		one := all[out]
		sort.Float64s(all)
		if got := medianWithout(all, one); got != want {
			t.Fatalf("%v without %v: %v, want %v", all, one, got, want)
		}
	}
}

// What three channels of a source do together is not one channel's.
func TestCompanions(t *testing.T) {
	var channels []group.ChannelConstants
	for _, name := range []string{"a", "b", "c"} {
		channels = append(channels, constantsOf(t, name))
	}
	moves := func(hour float64) []float64 {
		if hour < 30 {
			return []float64{1e-6, 2e-6, 3e-6}
		}
		return []float64{21e-6, 22e-6, 23e-6}
	}
	in := &Input{Channels: channels, Batches: func(visit func(*Batch)) error {
		for hour := 0.0; hour < 60; hour++ {
			b := Batch{Source: "node"}
			for i, m := range moves(hour) {
				c := Column{Name: channels[i].Name}
				for k := range 60 {
					c.Value, c.Flags = append(c.Value, m), append(c.Flags, 0)
					if i == 0 {
						b.Time = append(b.Time, at(hour)+int64(k)*minute)
					}
				}
				b.Columns = append(b.Columns, c)
			}
			visit(&b)
		}
		return nil
	}}
	all, err := Run(in)
	if err != nil || len(all) != 3 {
		t.Fatal(len(all), err)
	}
	for _, h := range all {
		for i, want := range map[int]float64{10: 0, 50: 20e-6} {
			if got := h.Record.Epochs[i].With[drift.Companions].Mean(); math.Abs(got-want) > 1e-12 {
				t.Errorf("%s, hour %d: companions at %g, want %g", h.Channel, i, got, want)
			}
		}
	}
}

// Some flags come late: what was read just before them counts no more than what
// they stand on. A strain that is corrected for an old temperature does not either.
func TestWhatFlagsLeaveOutOfTheRecord(t *testing.T) {
	const wrong = 10.01 // hours: wrong from the middle of a minute on
	for _, c := range []struct {
		mask    flag.Mask
		flagged float64 // hour
		minutes int
	}{
		{flag.Open, wrong, 600 - 1},
		{flag.Saturated, wrong + 0.01, 600}, // told in the next minute
		{flag.Frozen, wrong, 600 - 1},
		{flag.TemperatureStale, wrong, 600 + 1},
		{flag.Jump, 0, 20 * 60},
	} {
		in := &Input{Channels: []group.ChannelConstants{constantsOf(t, "web")}, Batches: batches(20, func(hour float64) row {
			r := row{strain: 5e-6 * worked(hour), load: worked(hour)}
			if hour >= c.flagged {
				r.flags = c.mask
			}
			if hour >= wrong && c.mask&suspect != 0 {
				r.strain = 1e-2
			}
			return r
		}, always(333))}
		h := one(t, in)
		if h.Minutes != c.minutes || h.Newest.UnixNano() != at(20)-int64(20*time.Second) {
			t.Errorf("%s: %d minutes, want %d; newest %v", c.mask, h.Minutes, c.minutes, h.Newest)
		}
		if n := len(h.Record.Epochs); h.Record.Epochs[n-1].All.Y/h.Record.Epochs[n-1].All.N > 50e-6 {
			t.Errorf("%s: what was wrong is in the record", c.mask)
		}
	}
}

// What stands beside the strain reaches the record; what cannot be judged says so.
func TestRecordHoldsWhatWasRead(t *testing.T) {
	c := constantsOf(t, "web")
	noted := said("insulation", "", 1)
	noted.Value = "> 20 Gohm"
	out := said(event.RuledOut, "", 2)
	out.Name, out.Who, out.Why = "structure", "M. Arkle", "penetrant showed nothing"
	in := &Input{
		Events: []event.Event{noted, out}, Channels: []group.ChannelConstants{c}, Declared: &Declared{Curves: map[string]cycles.Curve{"web": {SN: reduce.Basquin{Coefficient: 1e9, Exponent: -0.2}, Stiffness: 200e9}}},
		Batches: batches(20, func(hour float64) row {
			if hour > 0 && hour < 0.006 {
				return row{strain: 1, flags: flag.Spike}
			}
			return row{strain: 5e-6 * worked(hour), load: worked(hour)}
		}, always(700)),
	}
	h := one(t, in)
	e := &h.Record.Epochs[3]
	if e.With[drift.Temperature].Mean() != 20 || e.With[drift.Humidity].Mean() != 55 || !math.IsNaN(e.With[drift.Excitation].Mean()) || e.Highest != 10 {
		t.Errorf("hour 3: %+v", e)
	}
	if h.Record.Epochs[0].Spikes != 1 || h.LeftOut != 1 || h.Record.Epochs[0].All.YY > 1 {
		t.Errorf("%g spikes, %d left out", h.Record.Epochs[0].Spikes, h.LeftOut)
	}
	if n := h.Record.Insulation; len(n) != 1 || n[0] != (drift.Note{Time: at(1), Value: 20e9}) {
		t.Errorf("insulation %v", n)
	}
	if f := h.Facts; f.TwoWire || f.Gauge != 350 || f.GaugeFactor != 2 || f.CureHour != -2 || len(f.RuledOut) != 1 || f.RuledOut[0].Cause != drift.Structure {
		t.Errorf("facts %+v", f)
	}
	if h.Learnt() || !h.Curve || h.Cycles.Damage == 0 || h.Cycles.Largest != 50 {
		t.Errorf("learnt %v, curve %v, %+v", h.Learnt(), h.Curve, h.Cycles)
	}

	// A channel that every sample is left out of.
	in.Batches = batches(20, func(float64) row { return row{strain: 1e-6, flags: flag.Open} }, always(700))
	if h := one(t, in); h.Minutes != 0 || h.LeftOut != h.Samples || h.Samples != 3600 || h.Learnt() {
		t.Errorf("%+v", h)
	}
	// And one that is not in the files.
	in.Batches = func(func(*Batch)) error { return nil }
	if all, err := Run(in); err != nil || len(all) != 0 {
		t.Errorf("%v %v", all, err)
	}
	broken := errors.New("broken file")
	in.Batches = func(func(*Batch)) error { return broken }
	if _, err := Run(in); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
}
