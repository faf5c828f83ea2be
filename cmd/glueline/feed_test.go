package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// feedTest is a small test file for publishers.
const feedTest = `
test: {name: bracket on the bench, zone: UTC, zero: {first: 1 s}}
sources:
  node: {rate: 50 Hz, unit: mV/V}
lots:
  foil: {resistance: 350 ohm, gauge-factor: 2.08}
gauges:
  g1: {lot: foil}
positions:
  web: {material: carbon-steel}
wiring:
  - {input: node/A1, gauge: g1, position: web}
channels:
  web: {bridge: quarter_3wire, leads: {size: 0.14 mm2, length: 12 m}}
`

// running is a service in a process of its own.
type running struct {
	t    *testing.T
	test string // the test file
	data string
	url  string
	stop func()
	said func() string // on its standard error, when it has ended

	signal func(os.Signal) error // sends the process one
}

// startService runs glueline serve in a new folder until the test ends or stop
// is called.
func startService(t *testing.T, more ...string) *running {
	t.Helper()
	dir := t.TempDir()
	r := &running{t: t, test: write(t, dir, "bench.yaml", feedTest), data: filepath.Join(dir, "data")}
	r.start(more...)
	return r
}

// start runs glueline serve in the same folder again.
func (r *running) start(more ...string) {
	t := r.t
	t.Helper()
	args := append([]string{"serve", r.test, "--data", r.data, "--listen", "127.0.0.1:0", "--idle-cut", "300ms", "--lazy"}, more...)
	p := process(t, args...)
	out := output(t, p)
	r.url = ""
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for r.url == "" {
		r.url, _ = strings.CutPrefix(out.next(ctx, t), "Publishers: ")
		if !strings.HasPrefix(r.url, "nats://") {
			r.url = ""
		}
	}
	r.until("it is ready", func() bool { return strings.Contains(r.get("/readyz"), `"ready":true`) })
	for mqtt := slices.Contains(more, "--mqtt"); mqtt; {
		mqtt = !strings.HasPrefix(out.next(ctx, t), "MQTT publishers: ")
	}
	r.said = func() string { return out.errs.String() }
	r.signal = p.Process.Signal
	r.stop = func() {
		t.Helper()
		if err := p.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		if err := p.Wait(); err != nil {
			t.Errorf("%v\n%s", err, out.errs.String())
		}
	}
}

// get asks the control socket; "" when it does not answer.
func (r *running) get(path string) string {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", filepath.Join(r.data, socketName))
	}}}
	answer, err := client.Get("http://glueline" + path)
	if err != nil {
		return ""
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		return ""
	}
	return string(text)
}

func (r *running) until(what string, holds func() bool) {
	r.t.Helper()
	for deadline := time.Now().Add(time.Minute); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			r.t.Fatalf("it never came that %s; the service says %s", what, r.get("/status"))
		}
	}
}

// committed waits until so many rows are in files, stops the service, and
// returns the milliseconds of their times since the first, with their strain in
// microstrain to tell them apart.
func (r *running) committed(rows int) []string {
	r.t.Helper()
	var all []string
	r.until(fmt.Sprintf("%d rows are committed", rows), func() bool {
		records, err := filepath.Glob(filepath.Join(r.data, reducedFolder, "*.commit.json"))
		if err != nil || len(records) == 0 {
			return false
		}
		node := readSegments(r.t, filepath.Join(r.data, reducedFolder))["node"]
		if node == nil {
			return false
		}
		all = nil
		for i, at := range node.time {
			all = append(all, fmt.Sprintf("%d:%.0f", (at-node.time[0])/1e6, 1e6*node.column(r.t, "web [m/m]")[i]))
		}
		return len(all) >= rows
	})
	r.stop()
	return all
}

// textRows is n rows that start so many ms after 06:00, 20 ms apart: a second of
// zero, then a ratio that rises with the row.
func textRows(from, n int, row func(at string, ratio float64) string) string {
	var b strings.Builder
	for i := from; i < from+n; i++ {
		ratio := 0.0
		if i >= 51 {
			ratio = float64(i) * 1e-3
		}
		at := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC).Add(time.Duration(i) * 20 * time.Millisecond)
		fmt.Fprintln(&b, row(at.Format("2006-01-02T15:04:05.000Z"), ratio))
	}
	return b.String()
}

func csvRow(at string, ratio float64) string { return fmt.Sprintf("%s,%g", at, ratio) }
func jsonRow(at string, ratio float64) string {
	return fmt.Sprintf(`{"time":%q,"A1":%g}`, at, ratio)
}

// feedRows are what textRows gives, reduced.
func feedRows(t *testing.T, n int) []string {
	t.Helper()
	dir := t.TempDir()
	out := reduceTo(t, write(t, dir, "bench.yaml", feedTest), write(t, dir, "node.csv", "time,A1 [mV/V]\n"+textRows(0, n, csvRow)))
	node := readSegments(t, out)["node"]
	var all []string
	for i, at := range node.time {
		all = append(all, fmt.Sprintf("%d:%.0f", (at-node.time[0])/1e6, 1e6*node.column(t, "web [m/m]")[i]))
	}
	return all
}

func sameRows(t *testing.T, got, want []string) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d rows, want %d", len(got), len(want))
	}
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("row %d is %s, want %s", i, got[i], want[i])
		}
	}
}

// Rows from standard input, with mistakes among them, come out as those of a
// raw file without the mistakes; the mistakes are told by line, and the status
// is 1.
func TestFeedFromStandardInput(t *testing.T) {
	want := feedRows(t, 120)
	for name, text := range map[string]string{
		"CSV":  "# source: node\ntime,A1 [mV/V]\n" + textRows(0, 70, csvRow) + "nonsense\n" + textRows(60, 1, csvRow) + textRows(70, 50, csvRow) + "2026-05-04T06:00:09Z,0.00",
		"JSON": `{"units":{"A1":"mV/V"}}` + "\n\n" + textRows(0, 70, jsonRow) + "nonsense\n" + textRows(60, 1, jsonRow) + textRows(70, 50, jsonRow) + `{"time":"2026-05-04T06:00:09Z","A1":0}`,
	} {
		t.Run(name, func(t *testing.T) {
			s := startService(t)
			p := process(t, "feed", s.test, "node", "--nats", s.url)
			p.Stdin = strings.NewReader(text)
			var out, errs strings.Builder
			p.Stdout, p.Stderr = &out, &errs
			if err := p.Run(); p.ProcessState == nil || p.ProcessState.ExitCode() != 1 {
				t.Fatalf("%v\n%s", err, errs.String())
			}
			if !strings.Contains(out.String(), "120 rows read; ") || !strings.Contains(out.String(), "; 3 lines refused.") {
				t.Errorf("it says %q", out.String())
			}
			for _, place := range []string{"-:73: ", "-:74: the time is not later", "-:125: the end of the line is missing"} {
				if !strings.Contains(errs.String(), place) {
					t.Errorf("it does not say %q but %s", place, errs.String())
				}
			}
			sameRows(t, s.committed(120), want)
		})
	}
}

// A file is followed: rows that are appended, another file of its name, and the
// same file cut off and begun anew.
func TestFeedFollowsAFile(t *testing.T) {
	s := startService(t)
	path := filepath.Join(t.TempDir(), "node.csv")
	const head = "time,A1 [mV/V]\n"
	add := func(text string) {
		t.Helper()
		f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
		if err == nil {
			_, err = f.WriteString(text)
		}
		if err == nil {
			err = f.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	rows := func(n int) {
		t.Helper()
		s.until(fmt.Sprint(n, " rows have come"), func() bool { return strings.Contains(s.get("/status"), fmt.Sprintf(`"Rows":%d,`, n)) })
	}
	add(head + textRows(0, 10, csvRow))
	p := process(t, "feed", s.test, "node", "--nats", s.url, "--from", path)
	out := output(t, p)
	rows(10)
	more := textRows(10, 60, csvRow)
	add(more[:len(more)-5]) // a line in two pieces
	rows(69)
	add(more[len(more)-5:])
	rows(70)
	if err := os.Rename(path, path+".1"); err != nil {
		t.Fatal(err)
	}
	add(head + textRows(70, 30, csvRow))
	rows(100)
	if err := os.WriteFile(path, []byte(head+textRows(100, 20, csvRow)), 0o644); err != nil {
		t.Fatal(err)
	}
	rows(120)
	if err := p.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := p.Wait(); err != nil {
		t.Errorf("%v\n%s", err, out.errs.String())
	}
	for _, want := range []string{"is a new file; it is read from its beginning", "was cut off from"} {
		if !strings.Contains(out.errs.String(), want) {
			t.Errorf("it does not say %q but %s", want, out.errs.String())
		}
	}
	sameRows(t, s.committed(120), feedRows(t, 120))
}

// Connections come one after the other, each with its own header.
func TestFeedFromTCP(t *testing.T) {
	s := startService(t)
	address := freeAddress(t)
	p := process(t, "feed", s.test, "node", "--nats", s.url, "--from", "tcp://"+address)
	out := output(t, p)
	send := func(text string) {
		t.Helper()
		var conn net.Conn
		s.until("the port is open", func() bool {
			var err error
			conn, err = net.Dial("tcp", address)
			return err == nil
		})
		_, err := io.WriteString(conn, text)
		if err == nil {
			err = conn.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	send("time,A1 [mV/V]\n" + textRows(0, 60, csvRow))
	send("time,A1 [V/V]\n" + textRows(60, 1, csvRow))                                // somebody has set up the logger anew
	send("time,A1 [mV/V]\n" + textRows(60, 60, csvRow) + "2026-05-04T06:00:09Z,0.0") // broken off
	s.until("120 rows have come", func() bool { return strings.Contains(s.get("/status"), `"Rows":120,`) })
	if err := p.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := p.Wait(); err == nil || p.ProcessState.ExitCode() != 1 {
		t.Errorf("a line broke off, and the end is %v", err)
	}
	if !strings.Contains(out.errs.String(), ":2: not the columns before: the unit of A1 changed from mV/V to V/V; put it back as it was") {
		t.Errorf("it says %s", out.errs.String())
	}
	if !strings.Contains(out.errs.String(), "the end of the line is missing") {
		t.Errorf("it says %s", out.errs.String())
	}
	sameRows(t, s.committed(120), feedRows(t, 120))
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func TestFeedRefuses(t *testing.T) {
	dir := t.TempDir()
	test := write(t, dir, "bench.yaml", feedTest)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{test, "nobody"}, `no source is called "nobody"; the test file declares node`},
		{[]string{test, "node", "--from", filepath.Join(dir, "missing.csv")}, "no such file"},
		{[]string{test, "node", "--from", "tcp://0.0.0.0:7000"}, "nobody signs in there"},
		{[]string{test, "node", "--from", "tcp://:7000"}, "nobody signs in there"},
		{[]string{test, "node", "--from", "tcp://7000"}, "missing port"},
		{[]string{test, "node"}, "connect to the journal's server"},
	} {
		status, _, errs := glueline(t.Context(), append(append([]string{"feed"}, c.args...), "--nats", "nats://127.0.0.1:1", "--wait", "0s")...)
		if status != 1 || !strings.Contains(errs, c.want) {
			t.Errorf("%v: status %d, %s", c.args, status, errs)
		}
	}
}

// A missing reading is no mistake, and not passed over in silence either.
func TestFeedTellsOfMissingReadings(t *testing.T) {
	s := startService(t)
	defer s.stop()
	dir := t.TempDir()
	for _, c := range []struct{ name, text, first, counted string }{
		{"all.csv", "time,A1 [mV/V]\n2026-05-04T06:00:00.00Z,0.1\n2026-05-04T06:00:00.02Z,0.2\n", "", "2 rows read; 1 frame in the journal; 0 lines refused."},
		{"nan.csv", "time,A1 [mV/V]\n2026-05-04T06:00:01.00Z,0.1\n2026-05-04T06:00:01.02Z,nan\n2026-05-04T06:00:01.04Z,\n",
			"nan.csv:3: no reading of A1 (an empty cell, nan or null): it is missing", "3 rows read; 2 readings missing; 2 frames in the journal; 0 lines refused."},
		{"null.jsonl", `{"time":"2026-05-04T06:00:02.00Z","A1":null}` + "\n", "null.jsonl:1: no reading of A1", "1 row read; 1 reading missing; 1 frame in the journal; 0 lines refused."},
	} {
		path := write(t, dir, c.name, c.text)
		status, out, errs := glueline(t.Context(), "feed", s.test, "node", "--from", path, "--end", "--nats", s.url)
		if status != 0 || !strings.Contains(out, c.counted) || !strings.Contains(errs, c.first) {
			t.Errorf("%s: status %d: %s%s", c.name, status, out, errs)
		}
		if n := strings.Count(errs, "no reading of"); n > 1 || (n == 0) != (c.first == "") {
			t.Errorf("%s: told %d times: %s", c.name, n, errs)
		}
	}
}

// A file that is fed again, longer, goes on behind the newest row in the journal;
// with --again its rows come twice.
func TestFeedGoesOnInAFile(t *testing.T) {
	want := feedRows(t, 120)
	s := startService(t)
	dir := t.TempDir()
	for _, c := range []struct {
		rows int
		said string
	}{
		{70, "70 rows read; "},
		{70, "0 rows read; 70 rows left out that the journal had; 0 frames in"},
		{120, "50 rows read; 70 rows left out that the journal had; "},
	} {
		path := write(t, dir, "node.csv", "time,A1 [mV/V]\n"+textRows(0, c.rows, csvRow))
		status, out, errs := glueline(t.Context(), "feed", s.test, "node", "--from", path, "--end", "--nats", s.url)
		if status != 0 || !strings.Contains(out, c.said) || !strings.Contains(out, "; 0 lines refused.") {
			t.Errorf("%d rows: status %d: %s%s", c.rows, status, out, errs)
		}
		if strings.Count(errs, "are left out") != strings.Count(c.said, "left out") {
			t.Errorf("%d rows: it says %s", c.rows, errs)
		}
	}
	status, out, errs := glueline(t.Context(), "feed", s.test, "node", "--again", "--end", "--nats", s.url,
		"--from", write(t, dir, "again.csv", "time,A1 [mV/V]\n"+textRows(0, 3, csvRow)))
	if status != 0 || !strings.Contains(out, "3 rows read; ") {
		t.Errorf("again: status %d: %s%s", status, out, errs)
	}
	got := s.committed(123)
	sameRows(t, got[:120], want)
}

// The service would refuse every frame of such columns: that is told at the
// first row, and nothing is sent.
func TestFeedRefusesColumnsThatDoNotFit(t *testing.T) {
	s := startService(t)
	defer s.stop()
	dir := t.TempDir()
	for _, c := range []struct{ name, text, want string }{
		{"unit.csv", "time,A1 [degC]\n" + textRows(0, 3, csvRow), `A1`},
		{"column.csv", "time,B7 [mV/V]\n" + textRows(0, 3, csvRow), `A1`},
		{"unit.jsonl", `{"units":{"A1":"kN"}}` + "\n" + textRows(0, 3, jsonRow), `A1`},
	} {
		status, out, errs := glueline(t.Context(), "feed", s.test, "node", "--from", write(t, dir, c.name, c.text), "--end", "--nats", s.url)
		if status != 1 || !strings.Contains(errs, c.want) || !strings.Contains(out, "0 frames in the journal; ") {
			t.Errorf("%s: status %d: %s%s", c.name, status, out, errs)
		}
		if n := strings.Count(errs, "refused:"); n != 1 {
			t.Errorf("%s: told %d times: %s", c.name, n, errs)
		}
	}
}

// A stray message of another boot does not send what a running feed brings to
// quarantine; a boot that has ended does not come back, and feed says so.
func TestFeedAmongOtherPublishers(t *testing.T) {
	s := startService(t)
	defer s.stop()
	dir := t.TempDir()
	rows := func(n int) {
		t.Helper()
		s.until(fmt.Sprint(n, " rows have come"), func() bool { return strings.Contains(s.get("/status"), fmt.Sprintf(`"Rows":%d,`, n)) })
	}
	path := write(t, dir, "long.csv", "time,A1 [mV/V]\n"+textRows(0, 10, csvRow))
	long := process(t, "feed", s.test, "node", "--nats", s.url, "--from", path, "--boot", "long")
	said := output(t, long)
	rows(10)
	short := func(from int) (int, string) {
		t.Helper()
		status, out, errs := glueline(t.Context(), "feed", s.test, "node", "--nats", s.url, "--boot", "stray", "--end",
			"--from", write(t, dir, "stray.csv", "time,A1 [mV/V]\n"+textRows(from, 1, csvRow)))
		return status, out + errs
	}
	if status, text := short(20); status != 0 {
		t.Errorf("status %d: %s", status, text)
	}
	rows(11)
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString(textRows(30, 40, csvRow)); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	rows(51)
	// Its frame 0 is known, and the boot is a former one besides.
	if status, text := short(80); status != 1 || !strings.Contains(text, "the service refuses these frames: former-boot") {
		t.Errorf("status %d: %s", status, text)
	}
	if err := long.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := long.Wait(); err != nil {
		t.Errorf("%v\n%s", err, said.errs.String())
	}
	if text := said.errs.String(); strings.Count(text, "somebody else has sent frames of node, under the boot stray; these go on under the boot long-") != 1 {
		t.Errorf("it says %q; %q", text, <-said.lines)
	}
	if !strings.Contains(s.get("/status"), `"Refused":1,`) {
		t.Errorf("%s", s.get("/status"))
	}
}

// rowFeeds are feeds from files, to which rows are appended one by one.
type rowFeeds struct {
	service *running
	sent    int
}

type rowFeed struct {
	path string
	p    *exec.Cmd
	said *said
}

func (r *rowFeeds) begin(more ...string) *rowFeed {
	t := r.service.t
	f := &rowFeed{path: write(t, t.TempDir(), "rows.csv", "time,A1 [mV/V]\n")}
	f.p = process(t, append([]string{"feed", r.service.test, "node", "--nats", r.service.url, "--from", f.path}, more...)...)
	f.said = output(t, f.p)
	return f
}

// row appends one row, which goes in a frame of its own, and waits until it is in
// the journal, which has no events.
func (r *rowFeeds) row(f *rowFeed, from int) {
	t := r.service.t
	t.Helper()
	file, err := os.OpenFile(f.path, os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = file.WriteString(textRows(from, 1, csvRow))
		err = errors.Join(err, file.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	r.sent++
	r.service.until(fmt.Sprint(r.sent, " frames are in the journal"), func() bool {
		return strings.Contains(r.service.get("/status"), fmt.Sprintf(`"Last":%d,`, r.sent+1))
	})
}

// end interrupts a feed; it returns its exit status and what it said.
func (r *rowFeeds) end(f *rowFeed) (int, string) {
	r.service.t.Helper()
	if err := f.p.Process.Signal(os.Interrupt); err != nil {
		r.service.t.Fatal(err)
	}
	_ = f.p.Wait() // the exit status is returned
	return f.p.ProcessState.ExitCode(), f.said.errs.String()
}

// Two feeds at the same time, each under a boot of its own: both are told, the
// status warns, and all rows of both are taken. After eight changes within a minute
// a feed used to take nothing any more.
func TestTwoFeedsGoOn(t *testing.T) {
	s := startService(t, "--idle-cut", "1h") // no events among the frames
	defer s.stop()
	feeds := &rowFeeds{service: s}
	a, b := feeds.begin(), feeds.begin()
	const rows = 12
	for i := range rows {
		feeds.row(a, 2*i)
		feeds.row(b, 2*i+1)
	}
	s.until("all rows are taken", func() bool {
		return strings.Contains(s.get("/status"), fmt.Sprintf(`"Rows":%d,"Refused":0,"Repeated":0,`, 2*rows))
	})
	if _, text, _ := glueline(t.Context(), "status", "--data", s.data); !strings.Contains(strings.Join(strings.Fields(text), " "), "two publishers send frames of source node, as it seems: its boot changed 5 times within") {
		t.Errorf("the status does not warn: %s", text)
	}
	for _, f := range []*rowFeed{a, b} {
		if status, text := feeds.end(f); status != 0 || !strings.Contains(text, "find the other and stop it") {
			t.Errorf("it ended with %d: %s", status, text)
		}
	}
}

// Two feeds at the same time under one boot, with other rows: both say so and fail,
// and what they send from then on is not taken for repeats.
func TestTwoFeedsUnderOneBoot(t *testing.T) {
	s := startService(t, "--idle-cut", "1h") // no events among the frames
	defer s.stop()
	feeds := &rowFeeds{service: s}
	a, b := feeds.begin("--boot", "bench"), feeds.begin("--boot", "bench")
	for i := range 4 {
		feeds.row(a, 100+i)
		feeds.row(b, i) // older rows, under numbers that came
	}
	// Of a's rows none is gone; of b's, those from when it noticed.
	s.until("the rows behind are taken", func() bool {
		text := s.get("/status")
		return strings.Contains(text, `"Frames":6,`) && strings.Contains(text, `"Repeated":2,`)
	})
	for _, f := range []*rowFeed{a, b} {
		if status, text := feeds.end(f); status != 1 || strings.Count(text, "another feed sends rows of node under the same boot bench at the same time") != 1 || !strings.Contains(text, "these go on under the boot bench-") {
			t.Errorf("it ended with %d: %s", status, text)
		}
	}
}
