package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// corrected is a data folder whose constants turn out wrong, and the test files
// around it: the gauge factor of all gauges is what differs.
type corrected struct {
	*testing.T
	dir, data string
	began     time.Time
}

func newCorrected(t *testing.T) *corrected {
	dir := t.TempDir()
	return &corrected{t, dir, filepath.Join(dir, "data"), time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)}
}

// test writes the test file with a gauge factor, and what is edited beside it.
func (c *corrected) test(factor string, pairs ...string) string {
	c.Helper()
	text := strings.NewReplacer(append([]string{"gauge-factor: 2.0}", "gauge-factor: " + factor + "}"}, pairs...)...).Replace(liveTest)
	return write(c.T, c.dir, fmt.Sprintf("bench-%s-%d.yaml", factor, len(pairs)), text)
}

// at is so many minutes into the readings.
func (c *corrected) at(minutes float64) string {
	return c.began.Add(time.Duration(minutes * float64(time.Minute))).Format(time.RFC3339)
}

// readings are the raw files from one minute to another.
func (c *corrected) readings(from, to int) (raw []string) {
	c.Helper()
	dir := c.TempDir()
	for _, s := range []struct {
		name, head, row string
		every           time.Duration
	}{{"node", "time,A1,A2,L1", "0.5,0.25,1", time.Second / 10}, {"logger", "time,T1", "20", time.Second}} {
		var b strings.Builder
		fmt.Fprintln(&b, s.head)
		for at := time.Duration(from) * time.Minute; at < time.Duration(to)*time.Minute; at += s.every {
			fmt.Fprintf(&b, "%s,%s\n", c.began.Add(at).Format(time.RFC3339Nano), s.row)
		}
		raw = append(raw, s.name+"="+write(c.T, dir, s.name+".csv", b.String()))
	}
	return raw
}

// serves takes the readings from one minute to another in under a test file.
func (c *corrected) serves(test string, from, to int, more ...string) {
	c.Helper()
	s := serve(c.T, test, c.data, append([]string{"--lazy", "--idle-cut", "300ms"}, more...)...)
	s.command(append([]string{"replay", test, "--nats", s.url, "--quiet"}, c.readings(from, to)...)...)
	s.until("the frames are committed", func() bool {
		g := s.look().Groups[0]
		return g.LastCut != nil && g.Progress.Committed == g.Journal.Last
	})
	if status := s.stop(); status != 0 {
		c.Fatal(s.output)
	}
}

// says wants a command to end with a status and to say words.
func (c *corrected) says(want int, words []string, args ...string) string {
	c.Helper()
	status, out, errs := glueline(c.Context(), args...)
	if status != want {
		c.Fatalf("%q: status %d, want %d\n%s%s", args, status, want, out, errs)
	}
	for _, w := range words {
		if !strings.Contains(out+errs, w) {
			c.Errorf("%q: no %q in\n%s%s", args, w, out, errs)
		}
	}
	return out + errs
}

// change is a re-reduction by a test file.
func (c *corrected) change(test string, more ...string) []string {
	return append([]string{"rereduce", c.data, "--calibration", test, "--who", "M. Arkle", "--why", "the package says so", "--quiet"}, more...)
}

// holds wants the gauge factors that hold, by the time from which they do.
func (c *corrected) holds(want string) {
	c.Helper()
	name, err := currentRevision(c.data)
	if err != nil {
		c.Fatal(err)
	}
	timelines, err := timelinesOf(c.data, name)
	if err != nil {
		c.Fatal(err)
	}
	var got []string
	for _, e := range timelines["main"] {
		k, err := keptTestOf(c.data, e.Digest)
		if err != nil {
			c.Fatal(err)
		}
		_, factor, _ := strings.Cut(string(k.files[0].text), "gauge-factor: ")
		got = append(got, factor[:strings.IndexByte(factor, '}')])
	}
	if s := strings.Join(got, " "); s != want {
		c.Errorf("%s has the gauge factors %s, want %s", name, s, want)
	}
}

// The test file from before a re-reduction is taken neither by a start, which goes
// on by the one that holds, nor by a reload: the constants that were put right would
// be wrong again. It says which, and which file to take; --undo insists.
func TestCorrectedConstantIsNotUndone(t *testing.T) {
	c := newCorrected(t)
	old, right := c.test("2.08"), c.test("2.14")
	c.serves(old, 0, 2)
	said := c.says(0, []string{"Revision r2 holds", "Now give serve the right test file too"}, c.change(right)...)
	_, kept, _ := strings.Cut(said, "in the place of its own: ")
	kept, _, _ = strings.Cut(kept, ". With")
	if read(t, kept) != read(t, right) {
		t.Fatalf("%s is not the right test file", kept)
	}
	refusal := []string{"takes back what was put right", "re-reduction r2 put right (M. Arkle: the package says so)", "gauge factor 2.14 -> 2.08: 2 channels (beam, web)", "take " + kept + " in its place", "serve with --undo r2"}
	noted := c.test("2.08", "zone: UTC", "zone: Europe/Oslo")
	for _, test := range []string{old, noted} {
		s := serve(t, test, c.data, "--lazy")
		wants(t, s.output.String(), append(refusal, "the test file was not taken", "file="+test, "works by the test file that holds")...)
		if status := s.stop(); status != 0 {
			t.Fatal(s.output)
		}
	}
	c.serves(old, 2, 3) // the power failed, and nobody was there
	c.holds("2.14")
	c.serves(right, 3, 4)
	c.holds("2.14")

	// A reload for something else.
	live := filepath.Join(c.dir, "live.yaml")
	if err := os.WriteFile(live, []byte(read(t, kept)), 0o600); err != nil {
		t.Fatal(err)
	}
	s := serve(t, live, c.data, "--lazy")
	reload := func(text, says string) {
		t.Helper()
		if err := os.WriteFile(live, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		s.until("it says "+says, func() bool { return strings.Contains(s.output.String(), says) })
	}
	reload(read(t, noted), "Nothing has changed: the test file in force stays.")
	for _, words := range refusal {
		if !strings.Contains(s.output.String(), words) {
			t.Errorf("a reload: no %q in\n%s", words, s.output)
		}
	}
	reload(read(t, c.test("2.14", "zone: UTC", "zone: Europe/Oslo")), "holds from here on")
	if status := s.stop(); status != 0 {
		t.Fatal(s.output)
	}

	// It was right all the same: whoever insists is heard, and asked no more.
	c.serves(old, 4, 5, "--undo", "r2")
	c.serves(old, 5, 6)
	if got := c.says(0, nil, "verify", c.data, "--recompute", "--quiet"); strings.Contains(got, "damage") {
		t.Error(got)
	}
}

// A test file is refused as no change only where it holds over the whole of the
// time that is asked for.
func TestChangeIsComparedOverItsWholeTime(t *testing.T) {
	c := newCorrected(t)
	first, second, other := c.test("2.08"), c.test("2.14"), c.test("2.10")
	c.serves(first, 0, 4)
	c.serves(second, 4, 5) // from here on, as by a reload
	const already = "has the constants that hold already"
	c.holds0("2.08 2.14")

	c.says(0, nil, c.change(other, "--from", c.at(1), "--to", c.at(2))...)
	c.holds("2.08 2.10 2.08 2.14")
	c.says(1, []string{already + ", from " + c.at(1)}, c.change(other, "--from", c.at(1), "--to", c.at(2))...)
	// What was for a while is taken back, for the while and beyond it.
	c.says(0, []string{"gauge factor 2.1 -> 2.08"}, c.change(first, "--from", c.at(1), "--to", c.at(2))...)
	c.holds("2.08 2.14")
	c.says(0, nil, c.change(other, "--from", c.at(1), "--to", c.at(2))...)
	c.says(0, []string{"gauge factor 2.1 -> 2.08"}, c.change(first, "--to", c.at(3))...)
	c.holds("2.08 2.14")
	// The moment of a change was an earlier one.
	c.says(0, nil, c.change(second, "--from", c.at(3))...)
	c.says(1, []string{already}, c.change(second, "--from", c.at(3.5))...)
	c.says(0, []string{"gauge factor 2.08 -> 2.14"}, c.change(second, "--from", c.at(2))...)
	c.holds("2.08 2.14")
	c.says(0, nil, c.change(second, "--from", c.at(1), "--to", c.at(2))...)
	// What holds from here on was true from the first day on, also in a stretch of its own.
	c.says(0, nil, c.change(other, "--from", c.at(2), "--to", c.at(3))...)
	c.says(1, []string{"another test file held from " + c.at(2) + " to " + c.at(3), `there it is "2.10"`, "--from " + c.at(2) + " --to " + c.at(3)}, c.change(c.test("2.2"), "--from", c.at(1))...)
	c.says(0, []string{"gauge factor 2.08 -> 2.14", "gauge factor 2.1 -> 2.14"}, c.change(second)...)
	c.holds("2.14")
	c.says(1, []string{already + ", for all time"}, c.change(second)...)
}

// holds0 wants the gauge factors under which the readings came.
func (c *corrected) holds0(want string) {
	c.Helper()
	var r struct{ Named []calibrationLine }
	if err := json.Unmarshal([]byte(c.says(0, nil, "calibrations", c.data, "--json")), &r); err != nil {
		c.Fatal(err)
	}
	var got []string
	for _, l := range r.Named {
		k, err := keptTestOf(c.data, l.Digest)
		if err != nil {
			c.Fatal(err)
		}
		_, factor, _ := strings.Cut(string(k.files[0].text), "gauge-factor: ")
		got = append(got, factor[:strings.IndexByte(factor, '}')])
		if at := c.at(float64(4 * (len(got) - 1))); l.From.Format(time.RFC3339) != at {
			c.Errorf("%s holds from %s, want %s", l.Digest, l.From, at)
		}
	}
	if s := strings.Join(got, " "); s != want {
		c.Errorf("the readings came under %s, want %s", s, want)
	}
	c.says(0, []string{"2026-05-04 06:04:00Z"}, "calibrations", c.data)
}

// A time that no reading is of is a slip of the hand; so is a share of nothing.
func TestChangeOfNoReadingIsRefused(t *testing.T) {
	c := newCorrected(t)
	first, second := c.test("2.08"), c.test("2.14")
	c.serves(first, 0, 2)
	none := []string{"no reading in the raw archive is of that time", "from 2026-05-04 06:00:00Z to 2026-05-04 06:01:59Z", "the year"}
	for _, span := range [][]string{
		{"--from", "2030-05-04T06:00:00Z"},
		{"--to", "2020-05-04T06:00:00Z"},
		{"--from", "2030-05-04T06:00:00Z", "--to", "2030-05-04T06:01:00Z"},
		{"--to", c.at(0)},
	} {
		c.says(1, none, c.change(second, span...)...)
		c.says(1, none, append(c.change(second, span...), "--preview")...)
		c.says(1, none, append(c.change(second, span...), "--same")...)
	}
	for _, share := range []string{"0", "-0.1", "1.5", "NaN"} {
		c.says(1, []string{"above 0 and up to 1"}, c.change(second, "--share="+share)...)
	}
	if all, err := revisions(c.data); err != nil || len(all) != 1 {
		t.Fatalf("%d revisions, %v", len(all), err)
	}
	c.says(0, nil, c.change(second, "--from", "2020-05-04T06:00:00Z", "--share", "1")...)
	c.holds("2.08 2.14") // the former before the first reading

	raw := c.readings(0, 1)
	c.says(1, []string{`--then "2030-05-04T06:00:00Z=`, "the last is of 2026-05-04T06:00:59.9Z", "the year"},
		append([]string{"reduce", first, "--then", "2030-05-04T06:00:00Z=" + second, "--out", filepath.Join(c.dir, "out"), "--quiet"}, raw...)...)
	if _, err := os.Stat(filepath.Join(c.dir, "out")); err == nil {
		t.Error("results were written")
	}
}

// Of two re-reductions that are begun at the same time one is told of the other.
func TestRevisionBegunMeanwhile(t *testing.T) {
	data := t.TempDir()
	r := &revision{Version: 1, Name: "r2", From: "r1", Who: "M. Arkle", Why: "the package says so"}
	if err := r.write(data); err != nil {
		t.Fatal(err)
	}
	err := r.write(data)
	if err == nil || !strings.Contains(err.Error(), "r2 was begun meanwhile by M. Arkle (the package says so); wait until it holds, then ask again") {
		t.Error(err)
	}
	if left := entries(t, data); len(left) != 1 {
		t.Errorf("it left %q", left)
	}
}
