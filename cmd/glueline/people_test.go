package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
	"glueline/sinks/segment"
)

const liveTest = `
test: {name: bench, zone: UTC, load: force}
sources:
  node: {rate: 10 Hz, unit: mV/V, range: 4 mV/V, clock-tolerance: 1 s}
  logger: {rate: 1 Hz, unit: degC, clock-tolerance: 1 s}
lots: {A: {resistance: 350 ohm, gauge-factor: 2.0}}
gauges: {g1: {lot: A}, g2: {lot: A}}
positions: {girder: {material: carbon-steel}, web: {material: carbon-steel}}
wiring:
  - {position: girder, gauge: g1, input: node/A1}
  - {position: web, gauge: g2, input: node/A2}
temperatures: {air: {input: logger/T1, max-age: 1 h}}
auxiliary: {force: {input: node/L1, quantity: load, unit: kN, sensitivity: 2 mV/V, capacity: 100}}
channels:
  beam: {position: girder, bridge: quarter_3wire, temperature: air, shunt: {location: completion, resistor: 100 kohm}}
  web: {bridge: quarter_3wire, temperature: air}
predictions:
  - {step: first, channel: beam, strain: 200 um/m ± 10 %}
`

// spoken is what a command prints, to be waited for.
type spoken struct {
	mutex sync.Mutex
	text  bytes.Buffer
	over  bool // nothing more will be said
}

func (s *spoken) end() {
	s.mutex.Lock()
	s.over = true
	s.mutex.Unlock()
}

func (s *spoken) ended() bool {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.over
}

func (s *spoken) Write(p []byte) (int, error) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.text.Write(p)
}

func (s *spoken) String() string {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.text.String()
}

// await waits until the words are there.
func (s *spoken) await(t *testing.T, words string) {
	t.Helper()
	for !strings.Contains(s.String(), words) {
		if s.ended() && !strings.Contains(s.String(), words) {
			t.Fatalf("%q was never said, but\n%s", words, s)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// liveBench is a service in this process, and the bench that it reads: what the
// bench reads moves only when a test says so.
type liveBench struct {
	*testing.T
	data    string
	journal *journal.Journal
	url     string // of the journal
	second  int
	frames  map[string]uint64
	beam    float64 // mV/V
	load    float64 // kN
	noise   float64 // mV/V
	celsius float64
	file    string  // the test file
	out     *spoken // of the service
	errs    *spoken
	stop    func() // ends the service, before the test does
	ended   <-chan struct{}
	ends    int // the exit status that the service is to end with
}

func newLiveBench(t *testing.T) *liveBench {
	t.Helper()
	b := &liveBench{T: t, data: filepath.Join(t.TempDir(), "data"), frames: map[string]uint64{}, noise: 0.0001, celsius: 20, errs: new(spoken)}
	b.file = write(t, t.TempDir(), "bench.yaml", liveTest)
	b.serve()
	return b
}

// serve starts the service and attaches to its journal.
func (b *liveBench) serve(more ...string) {
	b.Helper()
	ctx, stop := context.WithCancel(context.Background())
	out, ended := new(spoken), make(chan struct{})
	go func() {
		defer close(ended)
		defer out.end()
		args := []string{"serve", b.file, "--data", b.data, "--listen", "127.0.0.1:0", "--idle-cut", "1h"}
		if status := run(ctx, append(args, more...), streams{out, b.errs}); status != b.ends {
			b.Errorf("serve ended with %d: %s", status, b.errs)
		}
	}()
	b.ended = ended
	b.stop = func() {
		stop()
		<-ended
	}
	b.Cleanup(b.stop)
	b.out = out
	out.await(b.T, "it is not a protective system")
	b.url = strings.Fields(strings.SplitAfter(out.String(), "Publishers: ")[1])[0]
	conn, err := journal.Connect(b.url, journal.ConnectOptions{Name: "bench"})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(conn.Close)
	if b.journal, err = journal.Attach(b.Context(), conn, "bench", "main"); err != nil {
		b.Fatal(err)
	}
}

// restart ends the service and starts it again in the same folder.
func (b *liveBench) restart(more ...string) {
	b.Helper()
	b.stop()
	b.serve(more...)
}

var liveStart = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// feed publishes seconds of readings, a frame a source a second.
func (b *liveBench) feed(seconds int) {
	b.Helper()
	for range seconds {
		from := liveStart.UnixNano() + int64(b.second)*1e9
		b.second++
		air := &frame.Frame{Source: "logger", Time: []int64{from + 9e8}, Columns: []frame.Column{{Name: "T1", Unit: "degC", Float: []float64{b.celsius}}}}
		node := &frame.Frame{Source: "node"}
		for _, name := range []string{"A1", "A2", "L1"} {
			node.Columns = append(node.Columns, frame.Column{Name: name, Unit: "mV/V", Float: make([]float64, 10)})
		}
		for i := range 10 {
			node.Time = append(node.Time, from+int64(i)*1e8)
			hiss := b.noise * float64(i%3-1)
			node.Columns[0].Float[i], node.Columns[1].Float[i], node.Columns[2].Float[i] = b.beam+hiss, 0.05+hiss, b.load/50
		}
		for _, f := range []*frame.Frame{air, node} {
			f.Boot, f.Number = "one", b.frames[f.Source]
			b.frames[f.Source]++
			payload, err := new(frame.WireEncoder).Append(nil, f)
			if err != nil {
				b.Fatal(err)
			}
			if _, err := b.journal.Publish(b.Context(), frame.HeaderOf(f), payload); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.caughtUp()
}

// caughtUp waits until the service has reduced what was fed.
func (b *liveBench) caughtUp() {
	b.Helper()
	c := newControl(b.data)
	want := liveStart.UnixNano() + int64(b.second)*1e9 - 1e8
	for {
		l, err := c.look(b.Context())
		if err != nil {
			b.Fatalf("%v\n%s", err, b.errs)
		}
		if l.Newest["node"] == want && l.Newest["logger"] == want {
			return
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// command runs a command against the service; while it waits, during is called
// with what it says.
func (b *liveBench) command(want int, during func(*spoken), args ...string) string {
	b.Helper()
	out, ended := new(spoken), make(chan int, 1)
	args = append(args, "--data", b.data, "--who", "M. Arkle", "--why", "a trial")
	go func() {
		defer out.end()
		ended <- run(b.Context(), args, streams{out, out})
	}()
	if during != nil {
		during(out)
	}
	if status := <-ended; status != want {
		b.Fatalf("%v: status %d\n%s\n%s", args, status, out, b.errs)
	}
	return out.String()
}

// steps reports the service's files; with --now it ends them first.
func (b *liveBench) steps(args ...string) string {
	b.Helper()
	status, out, errs := glueline(b.Context(), append([]string{"steps", b.data}, args...)...)
	if status != 0 || errs != "" {
		b.Fatalf("steps %v: status %d: %s", args, status, errs)
	}
	return out
}

// fed feeds seconds once a command has said the words.
func (b *liveBench) fed(words string, seconds int) func(*spoken) {
	return func(out *spoken) {
		out.await(b.T, words)
		b.feed(seconds)
	}
}

// records are the commit records of the reduced files.
func (b *liveBench) records() (all []segment.CommitRecord) {
	b.Helper()
	paths, err := filepath.Glob(filepath.Join(b.data, reducedFolder, "*.commit.json"))
	if err != nil {
		b.Fatal(err)
	}
	for _, path := range paths {
		r, err := segment.ReadCommit(path)
		if err != nil {
			b.Fatal(err)
		}
		all = append(all, r)
	}
	return all
}

func wants(t *testing.T, text string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("no %q in\n%s", w, text)
		}
	}
}

func TestZeroByCommandIsRefusedForcedAndTaken(t *testing.T) {
	b := newLiveBench(t)
	if out := b.command(1, nil, "zero", "--kind", "test"); !strings.Contains(out, "nothing has come") {
		t.Errorf("without data: %s", out)
	}
	b.beam = 0.1
	b.feed(3)
	zero := func(status int, more ...string) string {
		t.Helper()
		return b.command(status, b.fed("zero test", 22), append([]string{"zero", "--kind", "test", "--for", "20s"}, more...)...)
	}
	wants(t, zero(1), "not said to be idle", "zero test void", "Refused")
	b.command(0, nil, "load-state", "idle")
	wants(t, zero(0, "--name", "first"), "zero test first begin", "good", "zero test first end", "counted from it from now on")

	b.noise = 0.01 // about 20 um/m
	out := zero(1)
	wants(t, out, "noise", "limit 1.00 um/m", "Refused; the zero before stays in force")
	wants(t, zero(0, "--force", "the pump cannot be stopped", "--channels", "beam", "--name", "noisy"), "zero test noisy beam end", "It was forced")
	b.noise = 0.0001
	wants(t, b.command(1, nil, "zero", "--kind", "test", "--channels", "nobody"), "unknown channel")
	b.command(0, nil, "excitation", "off", "node")
	wants(t, zero(1), "flagged excitation-off")
	b.command(0, nil, "excitation", "on", "node")
	b.feed(1)
	b.celsius = 20.4
	wants(t, b.command(1, func(out *spoken) {
		out.await(t, "zero tare begin")
		b.feed(11)
		b.celsius = 21.5
		b.feed(11)
	}, "zero", "--kind", "tare", "--for", "20s"), "temperature moved")

	b.steps("--now")
	records := b.records()
	last := records[len(records)-1]
	zeros := map[string]segment.Zero{}
	for _, z := range last.Zeros {
		zeros[z.Channel] = z
	}
	if z := zeros["web"]; z.Name != "first" || z.Readings < 190 || math.Abs(*z.Ratio-0.05e-3) > 2e-8 || z.Who != "M. Arkle" {
		t.Errorf("web: %+v", z)
	}
	if z := zeros["beam"]; z.Name != "noisy" {
		t.Errorf("beam: %+v", z)
	}
	var forced bool
	for _, r := range records {
		for _, e := range r.Events {
			forced = forced || e.State == "end" && strings.Contains(e.Why, "forced: the pump cannot be stopped; against it: beam: noise")
		}
	}
	if !forced {
		t.Error("the reason of a forced zero is not kept")
	}
}

func TestStepAndShuntByCommand(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	b.command(0, nil, "load-state", "idle")
	b.command(0, b.fed("begin", 12), "zero", "--kind", "test", "--for", "10s")
	b.feed(12)

	// MODEL section 1 and 5, by hand: a resistor across the balanced bridge's arm 2
	// makes the ratio (R - P)/(2 (R + P)) with P = R Rs/(R + Rs).
	p := 350 * 100e3 / (350 + 100e3)
	step := (350 - p) / (2 * (350 + p))
	shunt := func(status int, gain, after float64) string {
		return b.command(status, func(out *spoken) {
			out.await(t, "shunt beam on")
			b.beam = gain * step * 1e3
			b.feed(8)
			out.await(t, "shunt beam off")
			b.beam = after
			b.feed(16)
			b.beam = 0
		}, "shunt", "beam", "--for", "5s")
	}
	before := b.journaled()
	wants(t, b.command(1, nil, "shunt", "web"), "nothing was published: the test file states no shunt for web; channels that have one: beam", "SIGHUP")
	wants(t, b.command(1, nil, "shunt", "wbe"), `nothing was published: no channel is called "wbe"; channels that have one: beam`)
	if after := b.journaled(); after != before {
		t.Errorf("%d messages came of refused checks", after-before)
	}
	agreeing := shunt(0, 1, 0)
	wants(t, agreeing, "agrees", fmt.Sprintf("%.6f", step*1e3), shuntSays, "It does not change the span")
	if !regexp.MustCompile(`beam +2026-03-02T08:\d\d:\d\d\.\d{3}Z `).MatchString(agreeing) {
		t.Errorf("its time is not in milliseconds:\n%s", agreeing)
	}
	wants(t, shunt(1, 0.97, 0), "-3.00 %", "differs by more")
	b.feed(10)
	wants(t, shunt(1, 1, 0.01), "the check is void and says nothing: readings before and after differ by")
	b.feed(10)

	b.command(0, nil, "load-state", "loaded")
	wants(b.T, b.command(1, nil, "step", "begin", "first", "--target", "100 KN"), `the unit "KN" of the target "100 KN" is not known; those of the test file are kN`)
	b.command(0, nil, "step", "begin", "first", "--target", "100 kN")
	b.feed(5)
	b.beam, b.load = 0.1, 100
	b.command(0, nil, "step", "hold", "first")
	b.feed(20)
	b.command(0, nil, "step", "end", "first")
	b.beam, b.load = 0, 0
	b.feed(5)
	b.command(0, nil, "load-state", "idle")
	b.command(0, nil, "phase", "after")
	b.command(0, nil, "insulation", "beam", "2000 Mohm")
	b.command(0, nil, "note", "quiet")
	b.feed(10)
	rows := rowsOf(t, b.steps("--now", "--csv"))
	if len(rows) != 2 || rows[0]["channel"] != "beam" || rows[0]["step"] != "first" || rows[0]["target"] != "100 kN" {
		t.Fatalf("%v", rows)
	}
	// A quarter bridge at 0.1 mV/V: D = 4q/(1 - 2q), MODEL section 4.
	q := 0.1e-3
	strain := 4 * q / (1 - 2*q) / 2
	if mean := number(t, rows[0], "mean_strain"); math.Abs(mean-strain) > 1e-8 || number(t, rows[0], "load") != 100 {
		t.Errorf("mean %v, want %v: %v", mean, strain, rows[0])
	}
	if d := number(t, rows[0], "deviation_strain"); math.Abs(d-(strain-200e-6)) > 1e-8 {
		t.Errorf("deviation %v", d)
	}
	checks := rowsOf(t, b.steps("--shunts", "--csv"))
	if len(checks) != 3 || checks[0]["verdict"] != "agrees" || checks[1]["verdict"] == "agrees" {
		t.Errorf("%v", checks)
	}
}

func TestBalanceByCommandCarriesTheZero(t *testing.T) {
	b := newLiveBench(t)
	b.feed(2)
	b.command(0, nil, "load-state", "idle")
	b.command(0, b.fed("begin", 12), "zero", "--kind", "test", "--for", "10s")
	b.beam = 0.02
	b.feed(2)
	// The position is named; its channel is found.
	wants(t, b.command(0, b.fed("balance beam before", 12), "balance", "begin", "girder"), "The reading was taken. Do the work now")
	b.beam = -0.7
	b.feed(2)
	wants(t, b.command(0, b.fed("balance beam after", 12), "balance", "end", "girder"), "The zero is carried over")
	b.feed(3)
	// The web is rewired while loaded: its series restarts.
	b.command(0, nil, "load-state", "loaded")
	wants(t, b.command(0, b.fed("rewire web before", 12), "rewire", "begin", "web"), "not said to be idle", "the series restarts")
	wants(t, b.command(0, b.fed("rewire web after", 12), "rewire", "end", "web"), "Take a zero")
	b.feed(3)
	b.steps("--now")

	node := readSegments(t, filepath.Join(b.data, reducedFolder))["node"]
	n := len(node.time) - 1
	q := 0.02e-3
	if want, got := 4*q/(1-2*q)/2, node.column(t, "beam [m/m]")[n]; math.Abs(got-want) > 0.3e-6 || node.flags["beam flags"][n] != 0 {
		t.Errorf("beam: %v %s, want %v", got, node.flags["beam flags"][n], want)
	}
	if m := node.flags["web flags"][n]; m != flag.Replaced {
		t.Errorf("web: %s", m)
	}
}

func TestCommandsWithoutAServiceSaySo(t *testing.T) {
	for _, args := range [][]string{
		{"note", "x"}, {"zero", "--kind", "test", "--why", "w"}, {"shunt", "beam"}, {"handling", "begin", "beam", "--why", "w"},
		{"sign", "beam", "--why", "w"}, {"replace", "end", "beam", "--why", "w"},
	} {
		status, _, errs := glueline(t.Context(), append(args, "--data", t.TempDir(), "--who", "M. Arkle")...)
		if status != 1 || !strings.Contains(errs, "no glueline serve is running on ") {
			t.Errorf("%v: %d %s", args, status, errs)
		}
	}
	if status, _, errs := glueline(t.Context(), "note", "x", "--data", t.TempDir()); status != 2 || !strings.Contains(errs, "--who") {
		t.Errorf("nobody says it: %d %s", status, errs)
	}
}
