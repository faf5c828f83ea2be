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
	"glueline/pipeline/event"
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
	told := filepath.Join(dir, "told.jsonl")
	by := fmt.Sprintf("{command: [sh, -c, \"cat >> '%s'\"]}", told)
	b := newAlarmBenchBy(t, test, "people: {desk: "+by+", shift: "+by+"}\n")
	b.told = told
	return b
}

// newAlarmBenchBy has people told by a file of ways.
func newAlarmBenchBy(t *testing.T, test, ways string) *alarmBench {
	t.Helper()
	dir := t.TempDir()
	b := &alarmBench{T: t, data: filepath.Join(dir, "data"), file: write(t, dir, "bench.yaml", test), ways: write(t, dir, "ways.yaml", ways)}
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

// command runs a command about alarms against the service.
func (b *alarmBench) command(want int, args ...string) string {
	b.Helper()
	args = append([]string{"alarms"}, args...)
	status, out, errs := glueline(b.Context(), args...)
	if status != want {
		b.Fatalf("%v: status %d\n%s%s", args, status, out, errs)
	}
	return out + errs
}

// signed is command of a person.
func (b *alarmBench) signed(want int, args ...string) string {
	b.Helper()
	return b.command(want, append(args, "--data", b.data, "--who", "M. Arkle", "--why", "a trial")...)
}

// judged waits until the service has judged what was fed.
func (b *alarmBench) judged() {
	b.Helper()
	b.until("all is judged", func() bool {
		r := b.report()
		return len(r.Groups) == 1 && !r.Groups[0].Now.Before(b.at(b.second).Add(-100*time.Millisecond))
	})
}

func (b *alarmBench) report() (r alarmReport) {
	b.Helper()
	status, out, errs := glueline(b.Context(), "alarms", b.data, "--json")
	if status != 0 {
		b.Fatalf("status %d: %s", status, errs)
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	return r
}

func outline(all []alarm.Decision) string {
	var lines []string
	for _, d := range all {
		lines = append(lines, fmt.Sprintf("%.1f %s %s %s %s", d.At.Sub(liveStart).Seconds(), d.Kind, d.Alarm, d.Level, d.Who))
	}
	return strings.Join(lines, "; ")
}

// What is acknowledged by name is told nobody else, until it becomes worse; then
// that must be acknowledged too.
func TestAcknowledgedByName(t *testing.T) {
	b := newAlarmBench(t, alarmTest)
	wants(t, b.command(0, b.data), "bracket under load. Glueline monitors; it is not a protective system", "no alarm")
	b.feed(2, 70)
	b.awaits(1)
	wants(t, b.command(0, b.data), "heavy/force", "warning", "active", "what to do: unload the bracket", "told desk at 2026-03-02 08:00:00Z: command took it over",
		"shift is told at 2026-03-02 08:00:30Z", "value of force is 70 kN", "glueline alarms acknowledge heavy/force")
	wants(t, b.signed(1, "acknowledge", "heavy/mass"), `"heavy/mass" is no alarm at present; there are: heavy/force`)
	wants(t, b.signed(0, "acknowledge", "heavy/force"), "acknowledge heavy/force warning, by M. Arkle", "Its cause is there still")
	wants(t, b.signed(0, "acknowledge", "heavy/force"), "acknowledged already, by M. Arkle")
	b.feed(40, 70)
	b.judged()
	r := b.report()
	if a := r.find("heavy/force"); a == nil || a.State != alarmAcknowledged || a.Acknowledged.Who != "M. Arkle" || a.Next != nil {
		t.Errorf("acknowledged: %+v", a)
	}
	if n := len(b.came()); n != 1 {
		t.Errorf("%d told, although it was acknowledged", n)
	}
	b.feed(1, 90)
	b.awaits(2)
	wants(t, b.signed(1, "acknowledge", "heavy/force", "--level", "warning"), "it has become danger")
	status, out, _ := glueline(t.Context(), "status", "--data", b.data)
	if out = strings.Join(strings.Fields(out), " "); status != 0 || !strings.Contains(out, "group main has 1 alarm that nobody has acknowledged") {
		t.Errorf("status: %s", out)
	}
	b.feed(2, 10) // over, and still waiting for somebody
	b.judged()
	wants(t, b.command(0, b.data), "unanswered, its cause is over")
	wants(t, b.signed(0, "acknowledge", "heavy/force"), "acknowledge heavy/force danger")
	r = b.report()
	if len(r.Groups[0].Alarms) != 0 || len(r.Groups[0].Past) != 1 || r.Groups[0].Past[0].State != alarmOver {
		t.Errorf("over: %+v", r.Groups[0])
	}
	b.feed(2, 70) // it is armed again
	if got := outline(b.awaits(3)); got != "0.2 raised heavy/force warning desk; 42.2 raised heavy/force danger desk; 45.2 raised heavy/force warning desk" {
		t.Error(got)
	}
	b.stop()

	// The archive, judged again, tells the same people of the same, by the same ids.
	b.start()
	if err := newControl(b.data).cut(t.Context(), cutFor("a trial")); err != nil {
		t.Fatal(err)
	}
	b.stop()
	var ids []string
	for line := range strings.Lines(b.command(0, "replay", b.data, "--json")) {
		var d judgedAgain
		if err := json.Unmarshal([]byte(line), &d); err != nil {
			t.Fatal(err)
		}
		if d.Ledger != "sent" {
			t.Errorf("%s: %s", d.ID, d.Ledger)
		}
		ids = append(ids, d.ID)
	}
	for i, d := range b.came() {
		if i >= len(ids) || ids[i] != d.ID {
			t.Errorf("told %s, and again %v", d.ID, ids)
		}
	}
	other := write(t, t.TempDir(), "other.yaml", strings.Replace(alarmTest, "warning: 60, danger: 80", "danger: 95", 1))
	wants(t, b.command(0, "replay", b.data, "--test", other), "nobody would have been told of anything")
	wants(t, b.command(0, b.data), "No service runs on", "up to cut 0", "heavy/force", "told desk at 2026-03-02 08:00:45Z: command took it over")
}

func cutFor(why string) event.Event { return event.Event{Who: "M. Arkle", Why: why} }

// A mute holds back what it names until its end, and is told of then.
func TestMuteHasAnEnd(t *testing.T) {
	b := newAlarmBench(t, alarmTest)
	b.feed(2, 10)
	wants(t, b.signed(1, "mute", "brace", "--for", "10s"), "mute of \"brace\", which is no alarm, rule, channel or source")
	wants(t, b.signed(2, "mute", "force"), "missing flags")
	wants(t, b.signed(1, "mute", "force", "--for", "800h"), "31 days at most")
	b.judged()
	// In the time of the data, which stands still at 2 s.
	wants(t, b.signed(0, "mute", "force", "--until", b.at(20).Format(time.RFC3339)), "Nobody is told of it until 2026-03-02 08:00:20Z")
	b.feed(10, 70)
	b.judged()
	r := b.report()
	if a := r.find("heavy/force"); a == nil || !a.HeldBack || !a.MutedUntil.Equal(b.at(20)) || len(b.came()) != 0 {
		t.Errorf("muted: %+v, %d told", a, len(b.came()))
	}
	wants(t, b.command(0, b.data), "active, muted", "muted until 2026-03-02 08:00:20Z", "force until 2026-03-02 08:00:20Z, by M. Arkle: a trial; it holds back heavy/force")
	b.feed(9, 70)
	if got := outline(b.awaits(1)); got != "20.0 raised heavy/force warning desk" {
		t.Error(got)
	}
	wants(t, b.signed(1, "unmute", "force"), "which is not muted")
	wants(t, b.signed(0, "acknowledge", "heavy/force"), "acknowledge")
	b.feed(2, 10)
	wants(t, b.signed(0, "mute", "all", "--for", "1h"), "Nobody is told of it")
	b.feed(2, 70)
	b.judged()
	wants(t, b.signed(0, "unmute", "all"), "What it held back is told of now")
	b.awaits(2)
	b.stop()
}

// A source that falls silent is an alarm by the clock of the service.
func TestSilenceIsAnAlarm(t *testing.T) {
	b := newAlarmBench(t, strings.Replace(alarmTest, "  tell:", "  silence: {after: 1 s, level: danger, action: look at the logger}\n  tell:", 1))
	d := b.awaits(1)[0] // nothing has ever come
	if d.Alarm != "silence/node" || d.Level != "danger" || d.Action != "look at the logger" || d.Reading != "no frame" {
		t.Errorf("before the first frame: %+v", d)
	}
	b.signed(0, "acknowledge", "silence/node")
	b.stop()
}

// The next person is told by the clock, when no data come.
func TestNextPersonIsToldByTheClock(t *testing.T) {
	b := newAlarmBench(t, strings.Replace(alarmTest, "after: 30 s", "after: 1 s", 1))
	b.feed(1, 70)
	got := b.awaits(2)
	if got[0].Who != "desk" || got[1].Who != "shift" || got[1].Kind != "repeated" || got[1].At.Sub(got[0].At) < time.Second {
		t.Errorf("%+v", got)
	}
	b.stop()
}

// Killed in the middle and started again, a service decides what an undisturbed one
// decides: nobody is left out, and what is told twice has the same id.
func TestKilledServiceTellsTheSame(t *testing.T) {
	course := func(b *alarmBench, kill bool) map[string]bool {
		for i := range 12 {
			force := 10.0
			if i%3 == 1 {
				force = 70
			}
			if i%3 == 2 {
				force = 90
			}
			b.feed(5, force)
			if i%4 == 2 {
				if err := newControl(b.data).cut(t.Context(), cutFor("a cut in the middle")); err != nil {
					t.Fatal(err)
				}
			}
			if kill && i%3 == 1 {
				b.kill()
				b.start()
			}
			if i == 5 {
				b.judged()
				b.signed(0, "acknowledge", "heavy/force")
			}
		}
		b.judged()
		b.awaits(len(b.decided()))
		ids := map[string]bool{}
		for _, m := range b.decided() {
			if ids[m.ID] {
				t.Errorf("%s is decided twice", m.ID)
			}
			ids[m.ID] = true
		}
		for _, d := range b.came() {
			if !ids[d.ID] {
				t.Errorf("told %s, which the ledger does not have", d.ID)
			}
		}
		b.stop()
		return ids
	}
	calm := course(newAlarmBench(t, alarmTest), false)
	killed := course(newAlarmBench(t, alarmTest), true)
	if len(calm) < 4 || fmt.Sprint(calm) != fmt.Sprint(killed) {
		t.Errorf("undisturbed %v\n    killed %v", calm, killed)
	}
}

// People without a way are refused before anything begins.
func TestPeopleWithoutAWay(t *testing.T) {
	dir := t.TempDir()
	file := write(t, dir, "bench.yaml", alarmTest)
	for _, c := range []struct{ ways, want string }{
		{"people: {desk: {command: [sh]}}", "no way to tell shift"},
		{"people: {desk: {command: [sh]}, shift: {}}", "people.shift: no way"},
		{"", "it names nobody"},
		{"people: {desk: {command: [there-is-no-such-program]}, shift: {command: [sh]}}", "there-is-no-such-program"},
		{"people: {desk: {pigeon: yes}}", "pigeon"},
	} {
		data := filepath.Join(dir, "data")
		status, out, errs := glueline(t.Context(), "serve", file, "--data", data, "--ways", write(t, dir, "ways.yaml", c.ways))
		if status != 1 || !strings.Contains(errs, c.want) {
			t.Errorf("%s: status %d: %s%s", c.ways, status, out, errs)
		}
		if folderIsThere(data) {
			t.Errorf("%s: a folder was made", c.ways)
		}
	}
}
