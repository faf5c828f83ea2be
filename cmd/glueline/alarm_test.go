package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/alarm"
	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
	"glueline/sinks/tell"
)

const alarmTest = `
test: {name: bracket under load, zone: UTC}
sources:
  node: {rate: 10 Hz, unit: mV/V}
lots: {foil: {resistance: 350 ohm, gauge-factor: 2.08}}
gauges: {g1: {lot: foil}}
positions: {web: {material: carbon-steel}}
wiring: [{input: node/A1, gauge: g1, position: web}]
channels: {web: {bridge: quarter_3wire}}
auxiliary: {force: {input: node/L1, quantity: load, unit: kN, sensitivity: 2 mV/V, capacity: 100}}
alarms:
  limits:
    heavy: {of: [force], reading: value, above: {warning: 60, danger: 80}, hysteresis: 5, samples: 3, action: unload the bracket}
  tell: [{who: desk}, {who: shift, after: 30 s}]
`

// alarmBench is a service in a process of its own, whose people are told by a
// command that writes down what it was told.
type alarmBench struct {
	*testing.T
	data, file, ways, told string
	process                *exec.Cmd
	out                    *said
	journal                *journal.Journal
	conn                   *journal.Conn
	second                 int
	number                 uint64
}

func newAlarmBench(t *testing.T, test string) *alarmBench {
	t.Helper()
	dir := t.TempDir()
	b := &alarmBench{T: t, data: filepath.Join(dir, "data"), file: write(t, dir, "bench.yaml", test), told: filepath.Join(dir, "told.jsonl")}
	by := fmt.Sprintf("{command: [sh, -c, \"cat >> '%s'\"]}", b.told)
	b.ways = write(t, dir, "ways.yaml", "people: {desk: "+by+", shift: "+by+"}\n")
	b.start()
	return b
}

// start starts the service, again in the same folder.
func (b *alarmBench) start() {
	b.Helper()
	b.process = process(b.T, "serve", b.file, "--data", b.data, "--ways", b.ways, "--listen", "127.0.0.1:0", "--idle-cut", "1h")
	b.out = output(b.T, b.process)
	ctx, cancel := context.WithTimeout(b.Context(), time.Minute)
	defer cancel()
	var url string
	for url == "" {
		url, _ = strings.CutPrefix(b.out.next(ctx, b.T), "Publishers: ")
		if !strings.HasPrefix(url, "nats://") {
			url = ""
		}
	}
	var err error
	if b.conn, err = journal.Connect(url, journal.ConnectOptions{Name: "bench"}); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(b.conn.Close)
	if b.journal, err = journal.Attach(b.Context(), b.conn, "bracket under load", "main"); err != nil {
		b.Fatal(err)
	}
	b.until("it is at work", func() bool { return newControl(b.data).call(b.Context(), "GET", "/begun", nil, new([]any)) == nil })
}

// kill ends the service as a power cut does.
func (b *alarmBench) kill() {
	b.Helper()
	b.conn.Close()
	if err := b.process.Process.Kill(); err != nil {
		b.Fatal(err)
	}
	_ = b.process.Wait() // it was killed
}

// stop asks the service to end.
func (b *alarmBench) stop() {
	b.Helper()
	b.conn.Close()
	if err := b.process.Process.Signal(os.Interrupt); err != nil {
		b.Fatal(err)
	}
	if err := b.process.Wait(); err != nil {
		b.Errorf("%v\n%s", err, b.out.errs.String())
	}
}

func (b *alarmBench) until(what string, holds func() bool) {
	b.Helper()
	for deadline := time.Now().Add(time.Minute); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			b.Fatalf("it never came that %s", what)
		}
	}
}

// at is a second of the data.
func (b *alarmBench) at(second int) time.Time {
	return liveStart.Add(time.Duration(second) * time.Second)
}

// feed publishes seconds of readings at a force, a frame each.
func (b *alarmBench) feed(seconds int, force float64) {
	b.Helper()
	for range seconds {
		f := &frame.Frame{Source: "node", Boot: "one", Number: b.number, Columns: []frame.Column{
			{Name: "A1", Unit: "mV/V", Float: make([]float64, 10)}, {Name: "L1", Unit: "mV/V", Float: make([]float64, 10)}}}
		for i := range 10 {
			f.Time = append(f.Time, b.at(b.second).UnixNano()+int64(i)*1e8)
			f.Columns[0].Float[i], f.Columns[1].Float[i] = 1e-4*float64(i%3), force/50
		}
		b.number++
		b.second++
		payload, err := frame.EncodeWire(nil, f)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := b.journal.Publish(b.Context(), frame.HeaderOf(f), payload); err != nil {
			b.Fatal(err)
		}
	}
}

// came are the decisions that the command was told, in their order.
func (b *alarmBench) came() (all []alarm.Decision) {
	b.Helper()
	text, err := os.ReadFile(b.told)
	if err != nil && !os.IsNotExist(err) {
		b.Fatal(err)
	}
	for line := range bytes.Lines(text) {
		if !bytes.HasSuffix(line, []byte("\n")) {
			break // being written
		}
		var d alarm.Decision
		if err := json.Unmarshal(line, &d); err != nil {
			b.Fatalf("%v: %s", err, line)
		}
		all = append(all, d)
	}
	return all
}

// awaits waits until so many were told.
func (b *alarmBench) awaits(n int) []alarm.Decision {
	b.Helper()
	b.until(fmt.Sprintf("%d are told; the ledger has\n%s", n, read(b.T, ledgerOf(b.data, "main"))), func() bool { return len(b.came()) >= n })
	return b.came()
}

// decided are the decisions in the ledger.
func (b *alarmBench) decided() (all []tell.Message) {
	b.Helper()
	lines, damaged, err := tell.ReadLedger(ledgerOf(b.data, "main"))
	if err != nil || damaged > 0 {
		b.Errorf("%d lines damaged, %v", damaged, err)
	}
	for _, l := range lines {
		if l.Decided != nil {
			all = append(all, *l.Decided)
		}
	}
	return all
}

// Readings over a limit reach a person as what they are.
func TestAlarmReachesAPerson(t *testing.T) {
	b := newAlarmBench(t, alarmTest)
	b.feed(3, 10)
	b.feed(2, 70)
	got := b.awaits(1)[0]
	want := alarm.Decision{ID: got.ID, Test: "bracket under load", Group: "main", Alarm: "heavy/force", Of: "force", Level: "warning", Kind: "raised", Who: "desk",
		Since: b.at(3), At: b.at(3).Add(200 * time.Millisecond), Reading: "value", Value: got.Value, Unit: "kN",
		Text: "value of force is 70 kN, above its warning of 60 kN", Action: "unload the bracket", Notice: alarm.Monitors}
	if got != want || len(got.ID) != 16 || !(got.Value > 69.999 && got.Value < 70.001) {
		t.Errorf("\n got %+v\nwant %+v", got, want)
	}
	b.feed(31, 70) // nobody acknowledges
	if got := b.awaits(2)[1]; got.Kind != "repeated" || got.Who != "shift" || got.Alarm != "heavy/force" || got.At.Sub(want.At) < 30*time.Second {
		t.Errorf("the next person: %+v", got)
	}
	b.stop()
	if n := len(b.decided()); n != 2 {
		t.Errorf("%d decided", n)
	}
}
