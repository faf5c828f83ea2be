package faults

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"glueline/pipeline/journal"
	"glueline/sinks/archive"
	"glueline/sinks/segment"
)

// edit changes the test file of a script.
func (s *script) edit(pairs ...string) {
	s.t.Helper()
	text := string(must(os.ReadFile(s.o.testFile))(s.t))
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			s.t.Fatalf("the test file has no %q", pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	if err := os.WriteFile(s.o.testFile, []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
}

// reload has the service read its test file again, and waits until it says.
func (s *script) reload(says string) {
	s.t.Helper()
	if err := s.service.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		s.t.Fatal(err)
	}
	s.service.until("says "+says, func() bool { return strings.Contains(s.service.said.String(), says) })
}

// cuts lists the records of both folders of a group, which must go together.
func (s *script) cuts(group string) (raw []*archive.Record, reduced []segment.CommitRecord) {
	s.t.Helper()
	dir := filepath.Join(s.o.data, "raw")
	for _, cut := range must(archive.Cuts(dir, group))(s.t) {
		raw = append(raw, must(archive.Read(dir, group, cut))(s.t))
		name := segment.CommitRecord{Group: group, Cut: cut}.Name()
		reduced = append(reduced, must(segment.ReadCommit(filepath.Join(s.o.data, "r1", name)))(s.t))
	}
	return raw, reduced
}

// constants are the digests of the calibrations of all cuts that have rows.
func constants(cuts []segment.CommitRecord) (digests []string) {
	for _, c := range cuts {
		if len(c.Files) > 0 && (len(digests) == 0 || digests[len(digests)-1] != c.Calibration) {
			digests = append(digests, c.Calibration)
		}
	}
	return digests
}

// checkJournal checks that the whole journal gives the same files in an empty
// folder that has the test files that were kept.
func (s *script) checkJournal() {
	s.t.Helper()
	s.service.stop()
	fresh := filepath.Join(s.t.TempDir(), "fresh")
	for _, folder := range []string{"journal", "test"} {
		if err := os.CopyFS(filepath.Join(fresh, folder), os.DirFS(filepath.Join(s.o.data, folder))); err != nil {
			s.t.Fatal(err)
		}
	}
	other := start(s.t, options{testFile: s.o.testFile, data: fresh, args: []string{"--keep-journal"}})
	other.ready()
	other.untilCommitted()
	other.stop()
	for _, folder := range []string{"raw", "r1"} {
		sameFiles(s.t, filepath.Join(s.o.data, folder), filepath.Join(fresh, folder))
	}
	program := must(glueline())(s.t)
	run(s.t, program, "verify", s.o.data, "--recompute", "--quiet")
}

const (
	factor    = "gauge-factor: 2.1\n"
	newFactor = "gauge-factor: 2.13\n"
)

// Another gauge factor from here on, in the middle of a zero window: the rows
// before have the old one, those behind the new one, whether the process goes
// on, or is killed right after, or is stopped, edited and started again.
func TestReload(t *testing.T) {
	parallel(t)
	strains := map[string]string{}
	for _, how := range []string{"goes on", killed, cutKilled, stopped, "edited between"} {
		s := begin(t)
		s.frames("logger", 0, 4)
		s.frames("node", 0, 5)
		s.event(5, `"event":"zero","state":"begin","kind":"test","name":"empty"`)
		s.frames("node", 5, 8)
		s.edit(factor, newFactor)
		const says = "lot l: gauge factor 2.1 -> 2.13: 2 channels (a, b)"
		switch how {
		case "edited between":
			s.service.stop()
			s.service = start(t, s.o)
			s.service.ready()
		default:
			s.reload(says)
		}
		if how == killed || how == cutKilled || how == stopped {
			s.restart(how)
		}
		s.frames("node", 8, 12)
		s.event(12, `"event":"zero","state":"end","kind":"test","name":"empty"`)
		s.frames("node", 12, 20)
		s.frames("far", 0, 3)
		s.service.cut()
		s.checkJournal()

		raw, reduced := s.cuts("main")
		digests := constants(reduced)
		if len(digests) != 2 {
			t.Errorf("%s: %d calibrations among the cuts, want 2", how, len(digests))
		}
		named, events := map[string]bool{}, 0
		for _, r := range raw {
			named[r.Calibration] = true
			for _, e := range r.Events {
				if e.Event.Event == "calibration" {
					events++
					if e.Event.Who == "" || !strings.Contains(e.Event.Why, says) {
						t.Errorf("%s: %+v does not say who and why", how, e.Event)
					}
				}
			}
		}
		if len(named) != 2 || named[""] || events != 1 {
			t.Errorf("%s: the archive names the calibrations %v by %d events", how, named, events)
		}
		strains[how] = s.strainOf("a")
	}
	for how, text := range strains {
		if text != strains["goes on"] {
			t.Errorf("%s: other strains than without a restart", how)
		}
	}
}

// strainOf is the strain of a channel in all segments, as text.
func (s *script) strainOf(channel string) string {
	s.t.Helper()
	var text strings.Builder
	for p := range partsOf(s.t, filepath.Join(s.o.data, "r1")) {
		if p.Name == channel+" [m/m]" {
			fmt.Fprintln(&text, p.Float)
		}
	}
	if text.Len() == 0 {
		s.t.Fatalf("channel %s has no strain", channel)
	}
	return strings.NewReplacer("[", "", "]", "", "\n", " ").Replace(text.String())
}

// A wrong test file changes nothing, and every error is told; so does one that
// needs a restart; one that is the same says so.
func TestReloadOfAWrongFile(t *testing.T) {
	parallel(t)
	s := begin(t)
	s.frames("node", 0, 2)
	s.edit("gauge-factor: 2.1\n", "gauge-factr: 2.1\n", "bridge: quarter_3wire", "bridge: quarter_4wire")
	s.reload("Nothing has changed")
	for _, want := range []string{"gauge-factr", "quarter_4wire"} {
		if !strings.Contains(s.service.said.String(), want) {
			t.Errorf("it does not name %s:\n%s", want, s.service.said)
		}
	}
	s.edit("gauge-factr: 2.1\n", "gauge-factor: 2.1\n", "bridge: quarter_4wire", "bridge: quarter_3wire")
	s.reload("is as it was")
	s.edit("\n  logger:", "\n  second: {rate: 1 Hz, unit: degC}\n  logger:")
	s.reload("stop it and start it again")
	s.frames("node", 2, 4)
	if err := s.service.tryEvent(`{"event":"calibration","digest":"0123456789abcdef","time":"2026-03-01T08:00:00Z","who":"test"}`); err == nil {
		t.Error("a calibration is taken as a person's event")
	}
	s.service.cut()
	s.service.stop()
	raw, reduced := s.cuts("main")
	if len(constants(reduced)) != 1 || raw[0].Calibration == "" || raw[0].Calibration != raw[len(raw)-1].Calibration {
		t.Error("the calibration is another")
	}
	// The restart that it needs. What somebody publishes by mistake, past the
	// service, stops nothing.
	s.service = start(t, s.o)
	s.service.ready()
	id := journal.NewEventID()
	s.service.until("the event is in the journal", func() bool { // once the connection stands again
		_, err := s.journals["node"].PublishEvent(t.Context(), id,
			[]byte(`{"event":"calibration","digest":"newest","time":"2026-03-01T08:00:00Z","who":"test"}`))
		return err == nil
	})
	s.frames("node", 4, 6)
	s.service.cut()
	s.checkJournal()
	raw, _ = s.cuts("main")
	if first, last := raw[0].Calibration, raw[len(raw)-1].Calibration; first == last || last == "" {
		t.Errorf("calibration %q, then %q", first, last)
	}
	refused := 0
	for _, r := range raw {
		for _, m := range r.Refused {
			if m.Reason == "event" {
				refused++
			}
		}
	}
	if refused != 1 {
		t.Errorf("%d events refused, want 1", refused)
	}
}

// The journal names a test file that the folder does not have: nothing is
// reduced by another one.
func TestTestFileIsMissing(t *testing.T) {
	parallel(t)
	s := begin(t)
	s.frames("node", 0, 2)
	s.edit(factor, newFactor)
	s.reload("holds from here on")
	s.frames("node", 2, 4)
	s.service.stop()
	fresh := filepath.Join(t.TempDir(), "fresh")
	if err := os.CopyFS(filepath.Join(fresh, "journal"), os.DirFS(filepath.Join(s.o.data, "journal"))); err != nil {
		t.Fatal(err)
	}
	other := start(t, options{testFile: s.o.testFile, data: fresh})
	if code := other.exits(); code != 1 || !strings.Contains(other.said.String(), "a calibration that is not there") {
		t.Errorf("status %d:\n%s", code, other.said)
	}
}

// While it recovers, the service answers that it lives and what it does.
func TestRecoveryIsTold(t *testing.T) {
	parallel(t)
	s := begin(t)
	s.frames("node", 0, 40)
	s.service.stop()
	s.o.fault = "slow:reduced-sync:300ms"
	s.service = start(t, s.o)
	told := map[string]bool{}
	s.service.until("ready", func() bool {
		answer, err := s.service.client.Get("http://glueline/readyz")
		if err != nil {
			return false
		}
		defer answer.Body.Close()
		var r struct {
			Ready  bool
			Doing  string
			Groups []struct{ Doing string }
		}
		if err := json.NewDecoder(answer.Body).Decode(&r); err != nil {
			t.Fatal(err)
		}
		told[r.Doing] = true
		if r.Ready != (answer.StatusCode == http.StatusOK) {
			t.Errorf("ready %v with status %d", r.Ready, answer.StatusCode)
		}
		if _, err := s.service.get("/healthz"); err != nil {
			t.Errorf("it does not say that it lives: %v", err)
		}
		return r.Ready
	})
	if !told["working"] || !told["opening the journal"] && !told["recovering"] {
		t.Errorf("it told %v", told)
	}
}

// Stopped under load, again and again: it ends well and in time, and nothing is
// lost or doubled.
func TestStoppedUnderLoad(t *testing.T) {
	parallel(t)
	testFile, plans := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--keep-journal"}}
	url := o.listening(t)
	s := start(t, o)
	s.ready()
	load := loadOf(t, testFile)(url)
	for range 3 {
		before, err := s.status()
		if err != nil {
			t.Fatal(err)
		}
		s.until("moves", func() bool {
			now, err := s.status()
			return err == nil && now[0].Progress.Frames > before[0].Progress.Frames+20
		})
		s.stop()
		s = start(t, o)
		s.ready()
	}
	load.stop()
	s.cut()
	s.stop()
	checkAcknowledged(t, o.data, plans, load.acknowledged())
	fresh := again(t, o)
	for _, folder := range []string{"raw", "r1"} {
		sameFiles(t, filepath.Join(o.data, folder), filepath.Join(fresh, folder))
	}
}

// run runs a command that must end well.
func run(t testing.TB, program string, args ...string) {
	t.Helper()
	if said, err := exec.Command(program, args...).CombinedOutput(); err != nil {
		t.Errorf("%s: %v\n%s", strings.Join(args, " "), err, said)
	}
}

// Whoever started the process is told when it is ready and when it stops.
func TestSupervisorOfTheProcess(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	socket := must(net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"}))(t)
	defer socket.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	if err := socket.SetReadDeadline(time.Now().Add(within)); err != nil {
		t.Fatal(err)
	}
	next := func() string {
		text := make([]byte, 1<<10)
		return string(text[:must(socket.Read(text))(t)])
	}
	s := begin(t)
	if told := next(); !strings.HasPrefix(told, "READY=1\n") {
		t.Errorf("told %q at the start", told)
	}
	s.service.stop()
	if told := next(); told != "STOPPING=1" {
		t.Errorf("told %q at the end", told)
	}
}
