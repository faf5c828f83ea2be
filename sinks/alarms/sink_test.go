package alarms

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/alarm"
	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/sinks/disk"
)

const bracket = `
test: {name: bracket, zone: UTC}
sources: {node: {rate: 1 Hz, unit: mV/V}}
lots: {foil: {resistance: 350 ohm, gauge-factor: 2.08}}
gauges: {g1: {lot: foil}}
positions: {web: {material: carbon-steel}}
wiring: [{input: node/A1, gauge: g1, position: web}]
channels: {web: {bridge: quarter_3wire}}
auxiliary: {force: {input: node/L1, quantity: load, unit: kN, sensitivity: 2 mV/V, capacity: 100}}
alarms:
  limits: {heavy: {of: [force], reading: value, above: {warning: 60, danger: 80}, hysteresis: 5, action: unload}}
  silence: {after: 20 s, level: danger}
  tell: [{who: desk}, {who: shift, after: 7 s}]
`

func planOf(t *testing.T, text string) *group.Plan {
	t.Helper()
	test, err := testfile.Parse("bracket.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	return plans[0]
}

// forces is a batch of a row a second from a second on.
func forces(p *group.Plan, from int, values []float64) *group.Batch {
	b := &group.Batch{Source: "node", Rows: len(values)}
	for i := range values {
		b.Time = append(b.Time, int64(from+i)*1e9)
	}
	for _, f := range p.Fields("node") {
		c := group.Column{Float: make([]float64, len(values)), Flags: make([]uint32, len(values))}
		if f.Of == "force" {
			c.Float = values
		}
		b.Columns = append(b.Columns, c)
	}
	return b
}

func at(second int) time.Time { return time.Unix(int64(second), 0).UTC() }

// Killed behind any cut and made again from the state that stands there, a sink
// decides what one decides that goes on all the time, and its states are the same.
func TestGoesOnFromItsState(t *testing.T) {
	p := planOf(t, bracket)
	seed := rand.Uint64()
	drive := func(dir string, killed func() bool) (all []alarm.Decision) {
		rng := rand.New(rand.NewPCG(seed, 1))
		o := Options{Decided: func(d alarm.Decision) { all = append(all, d) }, Folder: disk.At(dir)}
		s, err := New(p, 0, nil, o)
		if err != nil {
			t.Fatal(err)
		}
		for cut := range uint64(40) {
			values := make([]float64, 5)
			for i := range values {
				values[i] = 100 * rng.Float64()
			}
			if err := s.Append(forces(p, 5*int(cut), values)); err != nil {
				t.Fatal(err)
			}
			if rng.IntN(4) == 0 {
				s.Event(event.Event{Event: event.Acknowledge, Time: at(5*int(cut) + 4), Name: "heavy/force", Value: "danger", Who: "M. Arkle", Why: "seen"})
			}
			if err := s.Cut(nil); err != nil {
				t.Fatal(err)
			}
			if !killed() {
				continue
			}
			state, newest, err := Newest(dir, p.Name)
			if err != nil || newest != cut {
				t.Fatalf("cut %d behind cut %d, %v", newest, cut, err)
			}
			if s, err = New(p, cut+1, state, o); err != nil {
				t.Fatal(err)
			}
		}
		return all
	}
	calm, killed := t.TempDir(), t.TempDir()
	want := drive(calm, func() bool { return false })
	got := drive(killed, func() bool { return true })
	if len(want) < 10 || !slices.Equal(got, want) {
		t.Errorf("seed %d: %d decisions, %d undisturbed", seed, len(got), len(want))
	}
	names := []string{"main.00000037.json", "main.00000038.json", "main.00000039.json"}
	for _, dir := range []string{calm, killed} {
		entries, err := os.ReadDir(dir)
		if err != nil || len(entries) != kept {
			t.Errorf("%d states are kept, want %d; %v", len(entries), kept, err)
		}
	}
	for _, name := range names {
		a, err := os.ReadFile(filepath.Join(calm, name))
		b, err2 := os.ReadFile(filepath.Join(killed, name))
		if err != nil || err2 != nil || string(a) != string(b) {
			t.Errorf("%s: %v %v\n%s\n%s", name, err, err2, a, b)
		}
	}
}

// A cut whose decisions or state are not on the disk is none: the worker is told, and
// the state of the cut before stays.
func TestCutFailsWithTheDisk(t *testing.T) {
	p, full := planOf(t, bracket), errors.New("no space")
	failing := ""
	dir := t.TempDir()
	folder := disk.Watched(disk.At(dir), func(step disk.Step, _ string) error {
		if string(step) == failing {
			return full
		}
		return nil
	})
	s, err := New(p, 0, nil, Options{Decided: func(alarm.Decision) {}, Folder: folder, Sync: func() error {
		if failing == "ledger" {
			return full
		}
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Cut(nil); err != nil {
		t.Fatal(err)
	}
	before, _, err := Newest(dir, "main")
	if err != nil {
		t.Fatal(err)
	}
	for _, failing = range []string{"ledger", string(disk.Create), string(disk.Write), string(disk.Sync), string(disk.Rename)} {
		if err := s.Cut(nil); !errors.Is(err, full) {
			t.Errorf("%s: %v", failing, err)
		}
		state, cut, err := Newest(dir, "main")
		if err != nil || cut != 0 || string(state) != string(before) {
			t.Errorf("%s: cut %d, %v", failing, cut, err)
		}
	}
}

// The newest state is found among those of other groups and what was half written.
func TestNewestState(t *testing.T) {
	dir := t.TempDir()
	if _, _, err := Newest(dir, "main"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("none: %v", err)
	}
	for name, text := range map[string]string{
		"main.00000009.json": "nine", "main.00000010.json": "ten", "main.00000011.json.partial": "half", "main2.00000030.json": "other",
		"main.x.json": "", "main.ledger.jsonl": "", "main.12.json": "short", "a.main.00000040.json": "",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	state, cut, err := Newest(dir, "main")
	if err != nil || cut != 10 || string(state) != "ten" {
		t.Errorf("cut %d, %q, %v", cut, state, err)
	}
}

// What is no state is refused by name, never gone on from.
func TestDamagedStateIsRefused(t *testing.T) {
	p := planOf(t, bracket)
	for _, text := range []string{"", "{", "null", "{}", `{"version":2}`, `{"version":1,"newest":null}`, `{"version":1,"open":{"heavy/force":null}}`, `{"version":1,"open":{"a":{"key":"b"}}}`} {
		if _, err := New(p, 1, []byte(text), Options{}); !errors.Is(err, alarm.ErrState) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// A condition that another test file does not have is over, and waits for somebody
// all the same; what the other one limits is judged by it from there on.
func TestAnotherTestFile(t *testing.T) {
	p := planOf(t, bracket)
	var said []string
	s, err := New(p, 0, nil, Options{Decided: func(d alarm.Decision) {
		said = append(said, fmt.Sprintf("%d %s %s %s", d.At.Unix(), d.Alarm, d.Level, d.Who))
	}})
	if err != nil {
		t.Fatal(err)
	}
	_ = s.Append(forces(p, 0, []float64{0, 70})) // it keeps nothing and cannot fail
	other := planOf(t, strings.Replace(bracket, "heavy: {of: [force], reading: value, above: {warning: 60", "weighty: {of: [force], reading: value, above: {warning: 30", 1))
	s.Use(other)
	_ = s.Append(forces(other, 2, []float64{40, 40}))
	if want := []string{"1 heavy/force warning desk", "2 weighty/force warning desk"}; !slices.Equal(said, want) {
		t.Errorf("got %q, want %q", said, want)
	}
	state, err := s.Look()
	if a := state.Open["heavy/force"]; err != nil || a == nil || a.Level != alarm.None || a.Ack != nil || a.Ended != 1e9 {
		t.Errorf("%+v, %v", a, err)
	}
	w := s.Watch()
	if !w.IsDue || w.Due != 8e9 || w.Now != 3e9 || len(w.Source) != 1 || w.Source[0] != (SourceWatch{"node", 20e9, false, 3e9, 2}) {
		t.Errorf("%+v", w)
	}
}

// A message says what, since when, what to do and how to answer for it, and what it
// is not; in one line for whoever sees only that.
func TestMessage(t *testing.T) {
	d := alarm.Decision{ID: "0123", Test: "bracket", Group: "main", Alarm: "heavy/force", Of: "force", Level: "warning", Kind: "repeated", Who: "shift",
		Since: at(60), At: at(90), Text: "value of force is 70 kN", Action: "unload", Notice: alarm.Monitors}
	m, err := Message(d)
	if err != nil || m.ID != d.ID || m.Who != "shift" || m.Subject != "not acknowledged: WARNING: value of force is 70 kN (bracket)" {
		t.Errorf("%+v, %v", m, err)
	}
	for _, want := range []string{"since 1970-01-01 00:01:00Z", "decided 1970-01-01 00:01:30Z", "Nobody has acknowledged it", "What to do: unload",
		`glueline alarms acknowledge "heavy/force"`, "the same id: 0123", "it is not a protective system"} {
		if !strings.Contains(m.Text, want) {
			t.Errorf("no %q in\n%s", want, m.Text)
		}
	}
	var back alarm.Decision
	if err := json.Unmarshal(m.Body, &back); err != nil || back != d {
		t.Errorf("%+v, %v", back, err)
	}
}
