package faults

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
	"glueline/sinks/segment"
)

// script plays a story to a service: frames and events one after the other,
// and ends of the process between them.
type script struct {
	t        testing.TB
	o        options
	url      string
	service  *service
	conn     *journal.Conn
	journals map[string]*journal.Journal // by source
	given    map[string]string           // hashes of what was acknowledged, by source, boot and number
}

func begin(t testing.TB, args ...string) *script {
	t.Helper()
	o := options{args: append([]string{"--keep-journal"}, args...)}
	url := o.listening(t)
	return beginAt(t, o, url)
}

// beginAt begins a story whose journal is at a URL.
func beginAt(t testing.TB, o options, url string) *script {
	t.Helper()
	testFile, _ := benchFile(t)
	return beginTest(t, o, url, testFile, benchName)
}

// beginTest begins the story of a test with a file and name of its own.
func beginTest(t testing.TB, o options, url, testFile, name string) *script {
	t.Helper()
	o.testFile, o.data = testFile, filepath.Join(t.TempDir(), "data")
	s := &script{t: t, o: o, url: url, journals: map[string]*journal.Journal{}, given: map[string]string{}}
	s.service = start(t, s.o)
	s.service.ready()
	s.conn = must(journal.Connect(s.url, journal.ConnectOptions{}))(t)
	t.Cleanup(s.conn.Close)
	for _, p := range must(plansOf(testFile))(t) {
		j := must(journal.Attach(t.Context(), s.conn, name, p.Name))(t)
		for _, source := range p.Sources() {
			s.journals[source] = j
		}
	}
	return s
}

// send publishes a frame until it is acknowledged.
func (s *script) send(f *frame.Frame) {
	s.t.Helper()
	payload := must(frame.EncodeWire(nil, f))(s.t)
	s.bytes(f.Source, frame.HeaderOf(f), payload)
	s.given[fmt.Sprintf("%s %s %d", f.Source, f.Boot, f.Number)] = hashOf(f)
}

func (s *script) bytes(source string, h frame.Header, payload []byte) {
	s.t.Helper()
	deadline := time.Now().Add(within)
	for {
		_, err := s.journals[source].Publish(s.t.Context(), h, payload)
		if err == nil {
			return
		}
		if time.Now().After(deadline) {
			s.t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// frames sends a stretch of a source's frames.
func (s *script) frames(source string, from, to uint64) {
	s.t.Helper()
	for n := from; n < to; n++ {
		s.send(frameOf(source, "one", n))
	}
}

// event publishes an event at the time of a row of the node's n-th frame.
func (s *script) event(n uint64, text string) {
	s.t.Helper()
	at := time.Unix(0, frameOf("node", "one", n).Time[0]).UTC().Format(time.RFC3339Nano)
	s.service.event(fmt.Sprintf(`{"time":%q,"who":"test",%s}`, at, text))
}

// How a process ends between two steps of a script.
const (
	killed     = "killed"
	cutKilled  = "killed behind a cut"
	stopped    = "stopped"
	cutStopped = "stopped behind a cut"
)

func (s *script) restart(how string) {
	s.t.Helper()
	switch how {
	case killed:
		s.service.kill()
	case cutKilled:
		s.service.cut()
		s.service.kill()
	case stopped:
		s.service.stop()
	case cutStopped:
		s.service.cut()
		s.service.stop()
	}
	s.service = start(s.t, s.o)
	s.service.ready()
}

// end ends the story and checks that the whole journal gives the same files in
// an empty folder.
func (s *script) end() {
	s.t.Helper()
	s.service.cut()
	s.service.stop()
	fresh := again(s.t, s.o)
	for _, folder := range []string{"raw", "r1"} {
		sameFiles(s.t, filepath.Join(s.o.data, folder), filepath.Join(fresh, folder))
	}
	if got, want := driftOf(s.t, s.o.data), driftOf(s.t, fresh); got != want {
		s.t.Errorf("drift says\n%s\nof the journal again:\n%s", got, want)
	}
	checkRecomputed(s.t, s.o.data, must(plansOf(s.o.testFile))(s.t))
}

// flagged counts the rows of a channel that have a flag.
func (s *script) flagged(channel string, f flag.Mask) (rows int) {
	s.t.Helper()
	for p := range partsOf(s.t, filepath.Join(s.o.data, "r1")) {
		if !slices.Contains(p.Metadata, [2]string{"of", channel}) {
			continue
		}
		for _, m := range p.Flags {
			if flag.Mask(m)&f != 0 {
				rows++
			}
		}
	}
	return rows
}

// The process ends in the middle of a zero window, with the shunt on, and
// inside a frozen run: the same bytes, and the zero, the shunt and the frozen
// run are what they are without.
func TestEndsInTheMiddle(t *testing.T) {
	parallel(t)
	for _, how := range []string{killed, cutKilled, stopped, cutStopped} {
		t.Run(how, func(t *testing.T) {
			s := begin(t)
			s.frames("logger", 0, 4)
			s.frames("node", 0, 5)
			s.event(5, `"event":"zero","state":"begin","kind":"test","name":"empty"`)
			s.frames("node", 5, 10)
			s.restart(how)
			s.frames("node", 10, 15)
			s.event(15, `"event":"zero","state":"end","kind":"test","name":"empty"`)
			s.frames("node", 15, 18)
			s.event(18, `"event":"shunt","state":"on","channel":"a"`)
			s.frames("node", 18, 21)
			s.restart(how)
			s.frames("node", 21, 24)
			s.event(24, `"event":"shunt","state":"off","channel":"a"`)
			s.frames("node", 24, 28)
			frozen := func(from, to uint64) {
				for n := from; n < to; n++ {
					f := frameOf("node", "one", n)
					for row := range f.Columns[1].Float {
						f.Columns[1].Float[row] = 0.5
					}
					s.send(f)
				}
			}
			frozen(28, 32) // 200 rows: too few to be called frozen yet
			s.restart(how)
			frozen(32, 38)
			s.frames("node", 38, 40)
			s.end()
			// 6 frames and the settling time of 10 ms: a row a millisecond.
			if rows := s.flagged("a", flag.ShuntOn); rows < 6*rowsPerFrame || rows > 6*rowsPerFrame+12 {
				t.Errorf("the shunt is on in %d rows", rows)
			}
			// 10 frames but for the rows before the run is long enough.
			if rows := s.flagged("b", flag.Frozen); rows < 200 || rows > 10*rowsPerFrame {
				t.Errorf("frozen in %d rows", rows)
			}
			records := must(filepath.Glob(filepath.Join(s.o.data, "r1", "*.commit.json")))(t)
			zeros := map[string]int{}
			for _, path := range records {
				for _, z := range must(segment.ReadCommit(path))(t).Zeros {
					if z.Name == "empty" {
						zeros[z.Channel] = z.Readings
					}
				}
			}
			if zeros["a"] != 10*rowsPerFrame {
				t.Errorf("the zero of a is over %d readings, want those on both sides of the restart: %v", zeros["a"], zeros)
			}
		})
	}
}

// Frames late, repeated, out of order and damaged, a clock that steps back, a
// source that reboots, a frame of a former boot; the process is killed among
// them. What can be taken is archived once, the rest is in quarantine.
func TestSourcesThatMisbehave(t *testing.T) {
	parallel(t)
	s := begin(t)
	refuse := map[string]bool{} // acknowledged by the journal, but no frames of the test
	s.frames("node", 0, 3)
	s.frames("far", 0, 3)
	s.frames("node", 1, 2) // repeated
	s.frames("node", 4, 6)
	s.restart(killed)
	s.frames("node", 3, 4)  // late
	s.frames("node", 3, 4)  // and repeated
	s.frames("node", 8, 9)  // out of order:
	s.frames("node", 7, 8)  //
	s.frames("node", 6, 7)  //
	s.frames("node", 9, 10) //
	s.restart(cutKilled)
	s.frames("node", 5, 8) // repeated, across cut and kill
	back := frameOf("node", "one", 10)
	for row := range back.Time {
		back.Time[row] -= 3e9 // its clock steps back, its counter goes on
	}
	s.send(back)
	s.bytes("node", frame.Header{Source: "node", Boot: "one", Number: 11}, []byte("this is no frame"))
	s.restart(killed)
	for n := range uint64(5) { // it reboots, and counts from 0 again
		f := frameOf("node", "two", n)
		for row := range f.Time {
			f.Time[row] += 60e9
		}
		s.send(f)
	}
	other := frameOf("node", "two", 2) // its number came, with other rows
	for row := range other.Time {
		other.Time[row] += 600e9
	}
	s.bytes("node", frame.HeaderOf(other), must(frame.EncodeWire(nil, other))(t))
	s.frames("node", 12, 13) // of the former boot
	refuse["node one 12"] = true
	old := frameOf("far", "one", 5000)
	s.send(old)
	s.frames("far", 3, 4) // too far behind to know whether it was seen
	refuse["far one 3"] = true
	s.restart(cutKilled)
	s.frames("far", 4990, 4992) // late
	s.end()

	want := maps.Clone(s.given)
	for key := range refuse {
		delete(want, key)
	}
	got, _ := archived(t, filepath.Join(s.o.data, "raw"), must(plansOf(s.o.testFile))(t))
	for _, key := range slices.Sorted(maps.Keys(want)) {
		if got[key] != want[key] {
			t.Errorf("%s: archived as %q, want %q", key, got[key], want[key])
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d frames are archived, want %d", len(got), len(want))
	}
	if rows := s.flagged("a", flag.OutOfOrder); rows < 3*rowsPerFrame {
		t.Errorf("%d rows are flagged out of order, want those of frames 3, 7 and 6", rows)
	}
	if rows := s.flagged("a", flag.ClockStepped); rows < rowsPerFrame {
		t.Errorf("%d rows are flagged for the clock", rows)
	}
	for reason, times := range map[string]int{"malformed": 1, "former-boot": 1, "too-old": 1, "number-used": 1} {
		if n := refusedFor(t, s.o.data, reason); n != times {
			t.Errorf("%d messages are refused as %s, want %d", n, reason, times)
		}
	}
}

// refusedFor counts the messages that the raw archive's records name as refused
// for a reason.
func refusedFor(t testing.TB, data, reason string) (n int) {
	t.Helper()
	for _, path := range must(filepath.Glob(filepath.Join(data, "raw", "*.commit.json")))(t) {
		n += strings.Count(string(must(os.ReadFile(path))(t)), fmt.Sprintf("%q", reason))
	}
	return n
}

// keep copies a folder and returns the copy.
func keep(t testing.TB, from string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "kept")
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	return to
}

// replace makes a folder a copy of another.
func replace(t testing.TB, dir, with string) {
	t.Helper()
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(dir, os.DirFS(with)); err != nil {
		t.Fatal(err)
	}
}

// A journal that does not belong to the archive: the service stops, says so,
// and changes nothing.
func TestJournalThatIsNotTheOne(t *testing.T) {
	parallel(t)
	for name, c := range map[string]struct {
		says string
		// what happens to the journal, given what it was before the last cut
		happens func(t testing.TB, s *script, before string)
	}{
		"gone": {"its journal is not there", func(t testing.TB, s *script, _ string) {
			if err := os.RemoveAll(filepath.Join(s.o.data, "journal")); err != nil {
				t.Fatal(err)
			}
		}},
		"lost its end": {"lost its end", func(t testing.TB, s *script, before string) {
			replace(t, filepath.Join(s.o.data, "journal"), before)
		}},
		"lost its end and went on": {"another than the archive knows", func(t testing.TB, s *script, before string) {
			// Another service takes the shortened journal further than the archive is.
			other := *s
			other.o.data = filepath.Join(t.TempDir(), "other")
			replace(t, filepath.Join(other.o.data, "journal"), before)
			other.service = start(t, other.o)
			other.service.ready()
			other.frames("node", 100, 120)
			other.frames("far", 100, 120)
			other.service.cut()
			other.service.stop()
			replace(t, filepath.Join(s.o.data, "journal"), filepath.Join(other.o.data, "journal"))
		}},
		"archive is gone": {"the archive is empty", func(t testing.TB, s *script, _ string) {
			s.o.args = slices.DeleteFunc(slices.Clone(s.o.args), func(a string) bool { return a == "--keep-journal" })
			s.service = start(t, s.o)
			s.service.ready()
			for n := range uint64(4) { // the journal is trimmed behind the second cut from here
				s.frames("node", 20+n, 21+n)
				s.frames("far", 20+n, 21+n)
				s.service.cut()
			}
			s.service.stop()
			for _, folder := range []string{"raw", "r1"} {
				if err := os.RemoveAll(filepath.Join(s.o.data, folder)); err != nil {
					t.Fatal(err)
				}
			}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			s := begin(t)
			s.frames("node", 0, 5)
			s.frames("far", 0, 5)
			s.service.cut()
			s.service.stop()
			before := keep(t, filepath.Join(s.o.data, "journal"))
			s.service = start(t, s.o)
			s.service.ready()
			s.frames("node", 5, 10)
			s.frames("far", 5, 10)
			s.service.cut()
			s.service.stop()
			c.happens(t, s, before)
			files := filepath.Join(t.TempDir(), "files")
			for _, folder := range []string{"raw", "r1"} {
				if err := os.MkdirAll(filepath.Join(s.o.data, folder), 0o755); err != nil {
					t.Fatal(err)
				}
				replace(t, filepath.Join(files, folder), filepath.Join(s.o.data, folder))
			}
			s.service = start(t, s.o)
			if code := s.service.exits(); code != 1 || !strings.Contains(s.service.said.String(), c.says) {
				t.Errorf("status %d, it should say %q:\n%s", code, c.says, s.service.said)
			}
			for _, folder := range []string{"raw", "r1"} {
				sameFiles(t, filepath.Join(files, folder), filepath.Join(s.o.data, folder))
			}
		})
	}
}
