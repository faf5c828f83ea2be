package trial

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/simulate"
)

// longVariable, when set, asks for all of the clean data, and for more restarts;
// `make flags` sets it.
const longVariable = "GLUELINE_FLAGS"

func long() bool { return os.Getenv(longVariable) != "" }

// clean is a simulated test in which nothing goes wrong: temperatures of a day,
// fillings of the lock, a beat of 2 Hz on top of them, white noise, and coloured
// noise over five decades.
type clean struct {
	rate     float64 // Hz
	duration time.Duration
	flicker  float64 // V/V a decade
	sources  []string
}

// What an ordinary test run has time for, and what `make flags` has. A whole day is
// simulated at 10 Hz; faster sources get shorter stretches of its beginning: zeros,
// an idle hour's third, filling, holding.
var (
	cleanShort = []clean{
		{10, 24 * time.Hour, 20e-9, []string{"rod"}},
		{100, time.Hour, 20e-9, []string{"skin"}},
		{1000, 24 * minute, 20e-9, []string{"frame"}},
	}
	cleanLong = []clean{
		{10, 24 * time.Hour, 20e-9, []string{"skin", "frame", "rod"}},
		{10, 24 * time.Hour, 200e-9, []string{"skin", "frame", "rod"}},
		{100, 6 * time.Hour, 20e-9, []string{"skin", "frame", "rod"}},
		{1000, 2 * time.Hour, 20e-9, []string{"skin", "rod"}},
	}
)

// Zeros and shunts, which are no false alarms, are over by then.
const settled = 16 * minute

// bar is how many false alarms a million samples may have: none of a flag that is
// decided by what people said, by a clock or by a limit; some of one that guesses
// from readings alone.
func bar(m flag.Mask) float64 {
	if m&(flag.Spike|flag.Jump|flag.Frozen|flag.TemperatureFast) != 0 {
		return 0.1
	}
	return 0
}

// alarms counts, a flag, how often it began to stand.
type alarms struct {
	samples int
	began   map[flag.Mask]int
	stood   map[string]flag.Mask // by channel, on its newest sample
}

func (a *alarms) add(name string, masks []uint32) {
	last := a.stood[name]
	a.samples += len(masks)
	for _, mask := range masks {
		m := flag.Mask(mask)
		if fresh := m &^ last; fresh != 0 {
			for _, f := range flag.All() {
				if fresh&f.Mask != 0 {
					a.began[f.Mask]++
				}
			}
		}
		last = m
	}
	a.stood[name] = last
}

func (c clean) run(t testing.TB) *alarms {
	t.Helper()
	o := simulate.Options{Seed: 17, Rate: c.rate, Duration: c.duration, Faults: simulate.NoFaults,
		Flicker: c.flicker, Beat: simulate.Beat{Hz: 2, Share: 0.05}}
	stream, err := simulate.NewStream(o, 5*second, append(c.sources, "logger")...)
	if err != nil {
		t.Fatal(err)
	}
	text := string(stream.TestFile())
	for _, edit := range [][2]string{ // what the demo shows on purpose
		{"adhesive: {class: cyanoacrylate, highest-long-term: 45 degC}", "adhesive: {class: epoxy-hot}"},
		{"bonded: 2026-04-21T09:14:00Z", "bonded: 2026-04-21T09:07:00Z"},
	} {
		if !strings.Contains(text, edit[0]) {
			t.Fatalf("the test file has no %q", edit[0])
		}
		text = strings.Replace(text, edit[0], edit[1], 1)
	}
	plan, events := planOf(t, text), eventsOf(t, stream)
	reducer, batch := group.NewReducer(plan), new(group.Batch)
	for _, e := range events {
		reducer.Event(e)
	}
	a := &alarms{began: map[flag.Mask]int{}, stood: map[string]flag.Mask{}}
	from := simulate.DefaultStart.Add(settled).UnixNano()
	for f := stream.Next(); f != nil; f = stream.Next() {
		if err := reducer.Reduce(f, batch); err != nil {
			t.Fatal(err)
		}
		if f.Time[0] < from {
			continue
		}
		for i, field := range plan.Fields(f.Source) {
			if field.Quantity == group.FlagMask && plan.SourceOf(field.Of) != "" {
				a.add(field.Of, batch.Columns[i].Flags)
			}
		}
	}
	return a
}

// Clean data are not flagged: no flag begins to stand more often than its bar.
func TestCleanDataAreNotFlagged(t *testing.T) {
	list := cleanShort
	if long() {
		list = cleanLong
	}
	all := make([]*alarms, len(list))
	t.Run("simulate", func(t *testing.T) {
		for i, c := range list {
			t.Run(fmt.Sprintf("%g Hz %d", c.rate, i), func(t *testing.T) {
				t.Parallel()
				all[i] = c.run(t)
			})
		}
	})
	samples, began := 0, map[flag.Mask]int{}
	for i, a := range all {
		if a == nil || a.samples < 1e6 {
			t.Fatalf("too few samples: %+v", a)
		}
		t.Logf("%g Hz, %v, %v: %d samples, %v", list[i].rate, list[i].duration, list[i].sources, a.samples, a.began)
		samples += a.samples
		for m, n := range a.began {
			began[m] += n
		}
	}
	for _, f := range flag.All() {
		if n := began[f.Mask]; float64(n) > bar(f.Mask)*float64(samples)/1e6 {
			t.Errorf("%s begins %d times in %d samples, allowed %g in a million", f.Name, n, samples, bar(f.Mask))
		}
	}
}
