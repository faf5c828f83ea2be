package alarm

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
)

// bench has one channel with a limit (warning at 100, danger at 200, on either
// side, hysteresis 10, two samples), a flag that must not stay for 2 s, and
// silence; desk is told at once, shift of danger 10 s later.
func bench() *Rules {
	limit := &condition{key: "skin/a", rule: "skin", of: "a", reading: "value", value: 0, flags: 1, hysteresis: 10, samples: 2}
	limit.above[Warning], limit.above[Danger] = bound{true, 100}, bound{true, 200}
	limit.below[Danger] = bound{true, -200}
	dead := &condition{key: "dead/a", rule: "dead", of: "a", reading: "flags", value: -1, flags: 1, mask: flag.Open, level: Warning, samples: 1, lasting: 2e9}
	silence := &condition{key: "silence/node", rule: "silence", of: "node", reading: "no frame", level: Danger}
	r := &Rules{Test: "t", Group: "g", bySource: map[string][]*condition{}, silence: map[string]*condition{"node": silence}, silentAfter: 5e9,
		chain: []person{{"desk", Notice, 0}, {"shift", Danger, 10e9}}}
	r.add("node", limit)
	r.add("node", dead)
	r.conditions = append(r.conditions, silence)
	return r
}

// rows is a batch of one row a second from a second on.
func rows(from int, values []float64, masks []uint32) *group.Batch {
	b := &group.Batch{Source: "node", Rows: len(values), Columns: []group.Column{{Float: values}, {Flags: masks}}}
	for i := range values {
		b.Time = append(b.Time, int64(from+i)*1e9)
	}
	return b
}

func second(n int) time.Time { return time.Unix(int64(n), 0).UTC() }

func said(ds []Decision) string {
	var all []string
	for _, d := range ds {
		all = append(all, strings.TrimSpace(fmt.Sprintf("%d %s %s %s %s", d.At.Unix(), d.Kind, d.Alarm, d.Level, d.Who)))
	}
	return strings.Join(all, "; ")
}

// Each line is a stretch of rows or an event, and what follows from it.
func TestDecisions(t *testing.T) {
	ack := func(at int, level string) event.Event {
		return event.Event{Event: event.Acknowledge, Time: second(at), Name: "skin/a", Value: level, Who: "M. Arkle", Why: "seen"}
	}
	mute := func(at, until int) event.Event {
		return event.Event{Event: event.Mute, Time: second(at), Name: "a", Value: second(until).Format(time.RFC3339), Who: "M. Arkle", Why: "work"}
	}
	silence := func(at, since int) event.Event {
		return event.Event{Event: event.Silence, Time: second(at), Source: "node", Value: second(since).Format(time.RFC3339), Who: "glueline"}
	}
	clock := func(at int) event.Event { return event.Event{Event: event.Clock, Time: second(at), Who: "glueline"} }
	open := uint32(flag.Open)
	for _, c := range []struct {
		name  string
		steps []any // []float64, []uint32 (flags of rows without a load), event.Event
		want  string
	}{
		{"one sample is too few", []any{[]float64{0, 150, 0, 150, 0}}, ""},
		{"two are enough, once only", []any{[]float64{0, 150, 150, 150}}, "12 raised skin/a warning desk"},
		{"a value that is none breaks no run", []any{[]float64{150, math.NaN(), 150}}, "12 raised skin/a warning desk"},
		{"latched: the cause came again", []any{[]float64{150, 150, 0, 0, 150, 150}}, "11 raised skin/a warning desk"},
		{"it became worse", []any{[]float64{150, 150, 250, 250}}, "11 raised skin/a warning desk; 13 raised skin/a danger desk"},
		{"the other sign", []any{[]float64{-250, -250}}, "11 raised skin/a danger desk"},
		{"the next person", []any{[]float64{250, 250}, clock(20), clock(21), clock(90)}, "11 raised skin/a danger desk; 21 repeated skin/a danger shift"},
		{"acknowledged in time", []any{[]float64{250, 250}, ack(15, "danger"), clock(90)}, "11 raised skin/a danger desk"},
		{"acknowledged what it was before", []any{[]float64{150, 150, 250, 250}, ack(15, "warning"), clock(90)}, "11 raised skin/a warning desk; 13 raised skin/a danger desk; 90 repeated skin/a danger shift"},
		{"armed again after both", []any{[]float64{150, 150, 0}, ack(13, "warning"), []float64{150, 150}}, "11 raised skin/a warning desk; 14 raised skin/a warning desk"},
		{"within the hysteresis it is not over", []any{[]float64{150, 150}, ack(13, "warning"), []float64{95, 150, 150}}, "11 raised skin/a warning desk"},
		{"armed again below it", []any{[]float64{150, 150}, ack(11, "warning"), []float64{89, 150, 150}}, "11 raised skin/a warning desk; 14 raised skin/a warning desk"},
		{"acknowledged, then worse", []any{[]float64{150, 150}, ack(11, "warning"), []float64{250, 250}}, "11 raised skin/a warning desk; 13 raised skin/a danger desk"},
		{"muted, told at its end", []any{mute(9, 30), []float64{250, 250}, clock(29), clock(30)}, "11 held skin/a danger; 30 raised skin/a danger desk"},
		{"muted, acknowledged meanwhile", []any{mute(9, 30), []float64{250, 250}, ack(12, "danger"), clock(90)}, "11 held skin/a danger"},
		{"a mute ends early", []any{mute(9, 30), []float64{250, 250}, event.Event{Event: event.Unmute, Time: second(14), Name: "a", Who: "M. Arkle", Why: "done"}}, "11 held skin/a danger; 14 raised skin/a danger desk"},
		{"a flag that passes", []any{[]uint32{open, open, 0, open}}, ""},
		{"a flag that stays", []any{[]uint32{open, open, open, open}}, "12 raised dead/a warning desk"},
		{"flagged samples are not judged", []any{[]uint32{uint32(flag.Spike)}, []float64{0}}, ""},
		{"silence", []any{[]float64{0}, silence(20, 10), clock(30)}, "20 raised silence/node danger desk; 30 repeated silence/node danger shift"},
		{"a frame came before it was said", []any{[]float64{0, 0, 0}, silence(20, 10)}, ""},
	} {
		e, from, got := New(bench()), 10, []string{}
		for _, step := range c.steps {
			var ds []Decision
			switch s := step.(type) {
			case []float64:
				ds = e.Batch(rows(from, s, make([]uint32, len(s))))
				from += len(s)
			case []uint32:
				values := make([]float64, len(s))
				for i := range values {
					values[i] = 999 // would be danger
					if s[i] == 0 {
						values[i] = 0
					}
				}
				ds = e.Batch(rows(from, values, s))
				from += len(s)
			case event.Event:
				ds = e.Event(s)
			}
			if text := said(ds); text != "" {
				got = append(got, text)
			}
		}
		if text := strings.Join(got, "; "); text != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, text, c.want)
		}
	}
}

// However rows are split into frames, and wherever the engine is taken up again
// from its state, decisions, their ids and the state are the same.
func TestSplitAnywhereDecidesTheSame(t *testing.T) {
	seed := rand.Uint64()
	rng := rand.New(rand.NewPCG(seed, 1))
	total := 0
	for range 200 {
		const n = 120
		values, masks := make([]float64, n), make([]uint32, n)
		for i := range values {
			values[i] = 300 * math.Sin(float64(i)/7) * rng.Float64()
			if rng.IntN(4) == 0 {
				masks[i] = uint32(flag.Open)
			}
		}
		events := map[int]event.Event{
			30: {Event: event.Mute, Time: second(30), Name: "all", Value: second(55).Format(time.RFC3339), Who: "M. Arkle", Why: "work"},
			70: {Event: event.Acknowledge, Time: second(70), Name: "skin/a", Value: "danger", Who: "M. Arkle", Why: "seen"},
		}
		drive := func(split func() bool) (all []Decision, state []byte) {
			e, from := New(bench()), 0
			for i := 1; i <= n; i++ {
				ev, is := events[i]
				if i < n && !is && !split() {
					continue
				}
				all = append(all, e.Batch(rows(from, values[from:i], masks[from:i]))...)
				if from = i; is {
					all = append(all, e.Event(ev)...)
				}
				if split() {
					text, err := e.MarshalState()
					if err != nil {
						t.Fatal(err)
					}
					if e, err = Restore(bench(), text); err != nil {
						t.Fatal(err)
					}
				}
			}
			state, err := e.MarshalState()
			if err != nil {
				t.Fatal(err)
			}
			return all, state
		}
		whole, a := drive(func() bool { return false })
		parts, b := drive(func() bool { return rng.IntN(3) == 0 })
		if !slices.Equal(whole, parts) || !bytes.Equal(a, b) {
			t.Fatalf("seed %d:\nwhole %s\nparts %s\n%s\n%s", seed, said(whole), said(parts), a, b)
		}
		total += len(whole)
	}
	if total < 200 {
		t.Errorf("only %d decisions: the rows do not try it", total)
	}
}

// A stored state is read or refused; what is read can be gone on from.
func FuzzRestore(f *testing.F) {
	e := New(bench())
	e.Batch(rows(0, []float64{250, 250}, []uint32{0, 0}))
	text, err := e.MarshalState()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"version":1,"open":{"a":null}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		e, err := Restore(bench(), text)
		if err != nil {
			return
		}
		e.Batch(rows(5, []float64{250, 250, -250, 0}, []uint32{0, 0, uint32(flag.Open), 0}))
		e.Event(event.Event{Event: event.Clock, Time: second(100)})
	})
}
