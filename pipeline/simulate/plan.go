package simulate

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// event is one line of events.jsonl.
type event struct {
	Event   string    `json:"event"`
	State   string    `json:"state,omitempty"`
	Kind    string    `json:"kind,omitempty"`
	Name    string    `json:"name,omitempty"`
	Target  string    `json:"target,omitempty"`
	Text    string    `json:"text,omitempty"`
	Value   string    `json:"value,omitempty"`
	Channel string    `json:"channel,omitempty"`
	Source  string    `json:"source,omitempty"`
	Time    time.Time `json:"time"`
	Who     string    `json:"who,omitempty"`
	Why     string    `json:"why,omitempty"`
}

// plan is what people do during the test. What they do to the article and its
// instruments happens to the raw data too.
type plan struct {
	events []event
	shunts map[string][]window
	hands  map[string][]window
	dark   map[string][]window // sources without excitation
}

const (
	engineer = "M. Arkle"
	fitter   = "J. Tolland"
)

// shunted are the channels whose calibration resistor is switched in, in order.
var shunted = []string{"skin-1", "skin-5", "heel-e-a", "beam-n", "crank"}

func newPlan(start time.Time, duration time.Duration) *plan {
	p := &plan{shunts: map[string][]window{}, hands: map[string][]window{}, dark: map[string][]window{}}
	minute := func(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }
	add := func(at time.Duration, e event) {
		if at < duration {
			e.Time = start.Add(at)
			p.events = append(p.events, e)
		}
	}

	add(0, event{Event: "phase", Name: "before filling", Who: engineer})
	add(0, event{Event: "load-state", State: "idle"})
	zero := func(kind, called, why string, from, to time.Duration) {
		add(from, event{Event: "zero", State: "begin", Kind: kind, Name: called, Who: engineer, Why: why})
		add(to, event{Event: "zero", State: "end", Kind: kind, Name: called, Who: engineer})
	}
	zero("installation", "as installed", "gate hung, lock empty, gauges coated", minute(1), minute(4))
	zero("test", "before filling", "lock empty, gate closed", minute(5), minute(9))
	check := func(from time.Duration) {
		for i, c := range shunted {
			on := from + time.Duration(i)*minute(1)
			off := on + 30*time.Second
			add(on, event{Event: "shunt", State: "on", Channel: c, Who: fitter})
			add(off, event{Event: "shunt", State: "off", Channel: c, Who: fitter})
			p.shunts[c] = append(p.shunts[c], window{on, off})
		}
	}
	check(minute(10))
	for _, c := range []string{"skin-3", "girder-1", "bush"} {
		add(minute(16), event{Event: "insulation", Channel: c, Value: "2000 Mohm", Who: fitter})
	}
	add(minute(18), event{Event: "note", Text: "upper paddles greased, gate walked and found dry", Who: fitter})

	fills := schedule{duration}.fills()
	for i, f := range fills {
		if f.begin/(24*time.Hour) > (f.begin-cycle)/(24*time.Hour) || i == 0 {
			add(f.begin, event{Event: "phase", Name: fmt.Sprintf("day %d", 1+f.begin/(24*time.Hour)), Who: engineer})
		}
		target := fmt.Sprintf("%.1f m", f.target)
		add(f.begin, event{Event: "load-state", State: "loaded"})
		add(f.begin, event{Event: "step", State: "begin", Name: f.name(), Target: target})
		add(f.hold, event{Event: "step", State: "hold", Name: f.name(), Target: target})
		add(f.empty, event{Event: "step", State: "end", Name: f.name(), Target: target})
		add(f.ended, event{Event: "load-state", State: "idle"})
		// In the long rests, what a second day of a test brings.
		switch rest := f.ended + minute(15); i {
		case 7:
			// The afternoon took this gauge beyond its adhesive's long-term limit.
			morning := f.ended + minute(60)
			add(morning, event{Event: "insulation", Channel: "skin-1", Value: "1800 Mohm", Who: fitter})
			add(morning+minute(2), event{Event: "check", Channel: "skin-1", Who: engineer,
				Why: "edges of the glue line sound, coating whole, insulation good after the hot afternoon"})
		case 8:
			add(rest, event{Event: "excitation", State: "off", Source: "frame", Who: fitter, Why: "plug of the supply reseated"})
			add(rest+minute(6), event{Event: "excitation", State: "on", Source: "frame", Who: fitter})
			p.dark["frame"] = append(p.dark["frame"], window{rest, rest + minute(6)})
		case 9:
			add(rest, event{Event: "handling", State: "begin", Channel: "skin-2", Who: fitter, Why: "cable tied up"})
			add(rest+minute(8), event{Event: "handling", State: "end", Channel: "skin-2", Who: fitter})
			p.hands["skin-2"] = append(p.hands["skin-2"], window{rest, rest + minute(8)})
		case 14:
			check(rest)
		}
	}
	slices.SortStableFunc(p.events, func(a, b event) int { return a.Time.Compare(b.Time) })
	return p
}

// lines returns the events as JSON lines.
func (p *plan) lines() ([]byte, error) {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	for i := range p.events {
		if err := enc.Encode(&p.events[i]); err != nil {
			return nil, err
		}
	}
	return out.Bytes(), nil
}
