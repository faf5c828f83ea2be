package follow

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/cycles"
	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
	"glueline/reduce"
)

// rig is a made-up group of three channels on two sources, with all that can
// happen within it: zeros, a shunt that is on, a frozen run, open half cycles, a
// replaced gauge, insulation readings and load states. It hands itself out in
// stretches.
type rig struct {
	channels []group.ChannelConstants
	events   []event.Event
	zeros    []steps.ZeroAt
	checks   []steps.Check
	declared *Declared
	noise    []float64
}

func newRig(t *testing.T) *rig {
	r := &rig{declared: &Declared{
		Curves:     map[string]cycles.Curve{"web": {SN: reduce.Basquin{Coefficient: 1e9, Exponent: -0.2}, Stiffness: 200e9}},
		Relations:  []Relation{{Name: "twice", Form: "redundant", Terms: []Term{{"web", 1}, {"far", -1}}, Tolerance: 5e-6}},
		Witnesses:  map[string][]string{"web": {"near"}},
		Neighbours: map[string][]string{"web": {"far"}},
	}}
	for _, name := range []string{"web", "near", "far"} {
		r.channels = append(r.channels, constantsOf(t, name))
	}
	zero := channel.Zero{Ratio: 0.1e-3, Temperature: 20, LeadTemperature: 20}
	moved := zero
	moved.Ratio = 0.1001e-3
	r.zeros = []steps.ZeroAt{{Channel: "web", To: at(-1), Zero: zero}, {Channel: "web", From: at(20.1), To: at(20.3), Zero: moved}}
	noted := said("insulation", "", 12.2)
	noted.Value = "2 Gohm"
	r.events = []event.Event{noted, said("rewire", "end", 30.21), said("shunt", "on", 25.1), said("shunt", "off", 25.4), said("load-state", "idle", 3.3), said("load-state", "loaded", 3.6), said("load-state", "idle", 4)}
	replaced := said("replace", "end", 41.4)
	replaced.Channel = "near"
	r.events = append(r.events, replaced)
	r.checks = []steps.Check{{Channel: "web", On: at(25.1), Off: at(25.4), Step: 1.01e-3, Predicted: 1e-3}}
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 3))
	for range 997 {
		r.noise = append(r.noise, 1e-6*random.NormFloat64())
	}
	return r
}

// strain is that of a channel at a row; half cycles are open at most times.
func (r *rig) strain(channel, i int) (float64, flag.Mask) {
	hour := float64(i) / 180
	x := 200e-6*worked(hour)/10*math.Sin(hour*7) + r.noise[(i+331*channel)%len(r.noise)]
	switch {
	case channel == 0 && hour >= 25.1 && hour < 25.4:
		return x, flag.ShuntOn
	case channel == 2 && hour >= 15.2 && hour < 16.7:
		return 1e-6, flag.Frozen
	case channel == 2 && hour > 35:
		return x + 20e-6, 0
	case i%431 == 0:
		return x, flag.Spike
	}
	return x, 0
}

// stretch is all between two rows.
func (r *rig) stretch(from, to, size int) *Input {
	begin, end := at(0)+int64(from)*20e9, at(0)+int64(to)*20e9
	if from == 0 {
		begin = math.MinInt64
	}
	in := &Input{Channels: r.channels, Declared: r.declared, Checks: []steps.Check{}}
	for _, e := range r.events {
		if n := e.Time.UnixNano(); n >= begin && n < end {
			in.Events = append(in.Events, e)
		}
	}
	for _, z := range r.zeros {
		if z.To >= begin && z.To < end {
			in.Zeros = append(in.Zeros, z)
		}
	}
	for _, c := range r.checks {
		if c.Off >= begin && c.Off < end {
			in.Checks = append(in.Checks, c)
		}
	}
	in.Batches = func(visit func(*Batch)) error {
		for source, channels := range [][]int{{0, 1}, {2}} {
			for i := from; i < to; i += size {
				b := Batch{Source: fmt.Sprintf("node-%d", source)}
				for _, c := range channels {
					b.Columns = append(b.Columns, Column{Name: r.channels[c].Name})
				}
				if source == 0 {
					b.Columns = append(b.Columns, Column{Name: "force", Kind: Load}, Column{Name: "metal", Kind: Temperature}, Column{Name: "air", Kind: Humidity}, Column{Name: "steady", Kind: Reference})
				}
				for j := i; j < min(i+size, to); j++ {
					b.Time = append(b.Time, at(0)+int64(j)*20e9)
					for k, c := range channels {
						x, m := r.strain(c, j)
						b.Columns[k].Value, b.Columns[k].Flags = append(b.Columns[k].Value, x), append(b.Columns[k].Flags, uint32(m))
					}
					if source == 0 {
						hour := float64(j) / 180
						for k, v := range []float64{worked(hour), 20 + math.Sin(hour/4), 50, 0.01} {
							b.Columns[len(channels)+k].Value = append(b.Columns[len(channels)+k].Value, v)
						}
					}
				}
				visit(&b)
			}
		}
		return nil
	}
	return in
}

// However often a pass is stored and taken up again between two stretches (inside
// an open half cycle, a frozen run, a zero window, with the shunt on), its state
// is the same to the byte.
func TestRestartChangesNothing(t *testing.T) {
	r := newRig(t)
	const rows = 60 * 180
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 4))
	for range 2 {
		var cuts, sizes []int
		for at := 0; at < rows; {
			at = min(rows, at+1+random.IntN(1400))
			cuts, sizes = append(cuts, at), append(sizes, 1+random.IntN(300))
		}
		outcome := func(restart func() bool) []byte {
			p, from := New(), 0
			for i, to := range cuts {
				if err := p.Take(r.stretch(from, to, sizes[i])); err != nil {
					t.Fatal(err)
				}
				if _, err := p.Health(); err != nil { // looking changes nothing
					t.Fatal(err)
				}
				if from = to; restart() {
					text, err := p.State()
					if err != nil {
						t.Fatal(err)
					}
					if p, err = Restore(text); err != nil {
						t.Fatal(err)
					}
				}
			}
			text, err := p.State()
			if err != nil {
				t.Fatal(err)
			}
			return text
		}
		want := outcome(func() bool { return false })
		for _, restart := range []func() bool{func() bool { return true }, func() bool { return random.IntN(3) == 0 }} {
			if got := outcome(restart); !bytes.Equal(got, want) {
				i := 0
				for i < min(len(got), len(want)) && got[i] == want[i] {
					i++
				}
				t.Fatalf("after restarts\n%s\nwithout\n%s", got[max(0, i-150):min(len(got), i+50)], want[max(0, i-150):min(len(want), i+50)])
			}
		}
	}
}

// Stretches are one whole: a pass in parts tells what a pass at once does, where
// people say when the article is idle.
func TestStretchesMakeAWhole(t *testing.T) {
	r := newRig(t)
	const rows = 60 * 180
	tell := func(step int) string {
		p := New()
		for from := 0; from < rows; from += step {
			if err := p.Take(r.stretch(from, min(from+step, rows), 180)); err != nil {
				t.Fatal(err)
			}
		}
		all, err := p.Health()
		if err != nil || len(all) != 3 {
			t.Fatal(len(all), err)
		}
		told := ""
		for i := range all {
			h := &all[i]
			told += fmt.Sprintln(h.Channel, h.Source, h.Minutes, h.Samples, h.LeftOut, h.Cycles.Closed, h.Cycles.Open, h.Cycles.Largest, h.Cycles.Damage, h.Record.Offset, h.Record.Shunts, h.Record.Insulation, h.Replaced, h.Newest)
		}
		return told
	}
	want := tell(rows)
	for _, step := range []int{180, 541, 3000} {
		if got := tell(step); got != want {
			t.Errorf("in stretches of %d rows\n%swant\n%s", step, got, want)
		}
	}
}

// What a pair leaves over is dated by the hour and names its channels.
func TestResiduals(t *testing.T) {
	r := newRig(t)
	p := New()
	for from := 0; from < 50*180; from += 180 {
		if err := p.Take(r.stretch(from, from+180, 180)); err != nil {
			t.Fatal(err)
		}
		all := p.Residuals()
		if len(all) != 1 || from/180 < 35 && !all[0].Beyond.IsZero() {
			t.Fatalf("hour %d: %+v", from/180, all)
		}
	}
	o := p.Residuals()[0]
	// From hour 35 the second is 20 um/m above; a zero moved the first's readings, not its record.
	if want := start.Add(35 * time.Hour); !o.Beyond.Equal(want) || math.Abs(o.Limit-5e-6) > 1e-12 {
		t.Errorf("%+v, want beyond since %v", o, want)
	}
	if o.Minutes < 45*60 || !(o.SD > 0) || math.IsNaN(o.Mean) {
		t.Errorf("%+v", o)
	}
}

func TestSuspects(t *testing.T) {
	bad := time.Unix(1, 0)
	of := func(since time.Time, names ...string) Residual {
		r := Residual{Beyond: since}
		for _, n := range names {
			r.Terms = append(r.Terms, Term{n, 1})
		}
		return r
	}
	for _, c := range []struct {
		name string
		all  []Residual
		want string
	}{
		{"one pair alone", []Residual{of(bad, "a", "b")}, "[]"},
		{"a third tells", []Residual{of(bad, "a", "b"), of(bad, "a", "c")}, "[a]"},
		{"the others agree", []Residual{of(bad, "a", "b"), of(bad, "a", "c"), of(time.Time{}, "b", "c")}, "[a]"},
		{"the common one is right elsewhere", []Residual{of(bad, "a", "b"), of(bad, "a", "c"), of(time.Time{}, "a", "d")}, "[]"},
		{"two in both", []Residual{of(bad, "a", "b", "c"), of(bad, "a", "b", "d")}, "[]"},
		{"none", []Residual{of(time.Time{}, "a", "b")}, "[]"},
	} {
		if got := fmt.Sprint(Suspects(c.all)); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestStatesThatAreNone(t *testing.T) {
	for _, text := range []string{"", "{", "[]", "{}{}", `{"more":1}`, `{"channels":[{}]}`, `{"background":{"load":[{"at":1,"sum":1,"n":1}]}}`, `{"sources":[{"name":"a","channels":["b"]}]}`} {
		if _, err := Restore([]byte(text)); !errors.Is(err, ErrState) {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// What can be restored can be stored again, and says the same.
func FuzzRestore(f *testing.F) {
	p := New()
	if err := p.Take(newRig(&testing.T{}).stretch(0, 400, 100)); err != nil {
		f.Fatal(err)
	}
	text, err := p.State()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := Restore(text)
		if err != nil {
			return
		}
		again, err := p.State()
		if err != nil {
			return // numbers that JSON has not, out of states that none wrote
		}
		q, err := Restore(again)
		if err != nil {
			t.Fatalf("%v\n%s", err, again)
		}
		if third, err := q.State(); err != nil || !bytes.Equal(third, again) {
			t.Fatalf("%v\n%s\n%s", err, again, third)
		}
	})
}
