package group

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
)

// scattered has parts done by goroutines in an order that differs from time to
// time.
type scattered struct{ hands int }

func (s scattered) Hands() int { return s.hands }

func (s scattered) Share(parts int, do func(hand, part int)) {
	next := make(chan int, parts)
	for _, part := range rand.Perm(parts) {
		next <- part
	}
	close(next)
	var done sync.WaitGroup
	for hand := range s.hands {
		done.Go(func() {
			for part := range next {
				do(hand, part)
			}
		})
	}
	done.Wait()
}

const manyChannels = 12

// crowd is an article with channels of all sorts: with a temperature and
// without, with a zero of their own, in counts with gaps, and a rosette.
func crowd() string {
	var text strings.Builder
	text.WriteString(`
test: {name: a crowd, zone: UTC, limits: {strain: 900 microstrain}}
sources:
  node: {rate: 100 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 20 ms}
  logger: {rate: 1 Hz, unit: degC}
lots:
  A: {resistance: 350 ohm, gauge-factor: 2.0, elongation: 3 %}
temperatures: {air: {input: logger/T1, max-age: 2 s}}
rosettes:
  star: {form: rectangular, grids: [C1, C2, C3]}
`)
	each := func(section string, line func(i int) string) {
		text.WriteString(section + ":\n")
		for i := range manyChannels {
			text.WriteString("  " + line(i) + "\n")
		}
	}
	each("gauges", func(i int) string { return fmt.Sprintf("g%d: {lot: A}", i) })
	each("positions", func(i int) string { return fmt.Sprintf("C%d: {material: carbon-steel}", i) })
	each("wiring", func(i int) string { return fmt.Sprintf("- {position: C%d, gauge: g%d, input: node/A%d}", i, i, i) })
	each("channels", func(i int) string {
		more := ""
		switch {
		case i >= 1 && i <= 3:
			more = ", transverse: none"
		case i%3 == 0:
			more = ", temperature: air, leads: {resistance: 1.3 ohm}"
		case i%3 == 1:
			more = ", zero: {ratio: 0 mV/V, temperature: 20 degC}"
		}
		return fmt.Sprintf("C%d: {bridge: quarter_3wire%s}", i, more)
	})
	return text.String()
}

// crowdFrames makes frames that have a bit of everything in them: noise, spikes,
// steps, readings that are missing, at the rail or frozen.
func crowdFrames(r *rand.Rand) []*frame.Frame {
	var frames []*frame.Frame
	levels, frozen := make([]float64, manyChannels), make([]bool, manyChannels)
	at := start.UnixNano()
	for number := range 60 {
		if number < 20 || number > 35 { // else the temperature goes stale
			frames = append(frames, &frame.Frame{Source: "logger", Time: []int64{at}, Columns: []frame.Column{{Name: "T1", Float: []float64{20 + 5*r.Float64()}}}})
		}
		f := &frame.Frame{Source: "node", Time: make([]int64, 1+r.IntN(90))}
		for i := range f.Time {
			f.Time[i] = at
			if at += 10e6; r.IntN(200) == 0 {
				at += 50e6
			}
		}
		for c := range manyChannels {
			x := make([]float64, len(f.Time))
			for i := range x {
				if x[i] = levels[c]; frozen[c] {
					continue
				}
				x[i] += 0.0005 * r.NormFloat64()
				switch r.IntN(300) {
				case 0:
					x[i] = []float64{math.NaN(), 4, -4, levels[c] + 0.3}[r.IntN(4)]
				case 1:
					levels[c] += 0.2 * r.NormFloat64()
				}
			}
			if r.IntN(20) == 0 {
				frozen[c] = !frozen[c]
			}
			column := frame.Column{Name: fmt.Sprintf("A%d", c), Unit: "mV/V", Float: x}
			f.Columns = append(f.Columns, column)
		}
		frames = append(frames, f)
	}
	return frames
}

// Whoever reduces the channels, how many and in which order: the rows are the
// same, and what is remembered too.
func TestChannelsMayBeSharedAmongHands(t *testing.T) {
	frames := crowdFrames(rand.New(rand.NewPCG(17, 4)))
	say := func(word, state, channel string, at float64) event.Event {
		e := event.Event{Event: word, State: state, Channel: channel, Time: start.Add(time.Duration(at * 1e9))}
		if word == "zero" {
			e.Kind = "test"
		}
		return e
	}
	var seen flag.Mask
	run := func(spread Spread) (batches []string, state string) {
		r := parse(t, crowd())
		if spread != nil {
			r.Spread(spread)
			r.partReadings = 1
		}
		for _, e := range []event.Event{
			say("load-state", "idle", "", 0), say("zero", "begin", "", 0.5), say("zero", "end", "", 2),
			say("shunt", "on", "C4", 5), say("shunt", "off", "C4", 6), say("zero", "begin", "C6", 7.005), say("zero", "end", "C6", 8.1),
			say("load-state", "loaded", "", 15), say("load-state", "idle", "", 17),
		} {
			r.Event(e)
		}
		b := new(Batch)
		for _, f := range frames {
			if err := r.Reduce(f, b); err != nil {
				t.Fatal(err)
			}
			var text strings.Builder
			for i, c := range b.Columns {
				fmt.Fprintf(&text, "%d: %v", i, c.Flags)
				for _, m := range c.Flags {
					seen |= flag.Mask(m)
				}
				for _, v := range c.Float {
					fmt.Fprintf(&text, " %x", math.Float64bits(v))
				}
				text.WriteByte('\n')
			}
			batches = append(batches, text.String())
		}
		after, err := json.Marshal(r.State())
		if err != nil {
			t.Fatal(err)
		}
		return batches, string(after) + fmt.Sprintf("%+v", r.Zeros())
	}
	batches, state := run(nil)
	const everything = flag.Missing | flag.ShuntOn | flag.Open | flag.Shorted | flag.Saturated | flag.Frozen | flag.Spike | flag.Jump |
		flag.TemperatureStale | flag.OverLimit | flag.ZeroMissing
	if missing := everything &^ seen; missing != 0 {
		t.Fatalf("no row is %v", missing)
	}
	for _, hands := range []int{1, 2, 5} {
		got, after := run(scattered{hands})
		for i := range batches {
			if got[i] != batches[i] {
				t.Fatalf("%d hands: frame %d is\n%s\nby one hand\n%s", hands, i, got[i], batches[i])
			}
		}
		if after != state {
			t.Fatalf("%d hands: the state is\n%s\nby one hand\n%s", hands, after, state)
		}
	}
}

// A frame too small to be worth it is not shared.
func TestSmallFramesAreNotShared(t *testing.T) {
	r := parse(t, crowd())
	r.Spread(neverShared{t})
	f := crowdFrames(rand.New(rand.NewPCG(1, 1)))[1]
	reduceFrame(t, r, f)
}

type neverShared struct{ *testing.T }

func (neverShared) Hands() int { return 2 }

func (n neverShared) Share(parts int, do func(hand, part int)) {
	n.Errorf("shared in %d parts", parts)
}
