package faults

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/journal/brokertest"
	"glueline/pipeline/simulate"
)

// frames is how many frames the service has taken in all.
func (s *service) frames() (n uint64) {
	groups, err := s.status()
	if err != nil {
		return 0
	}
	for _, g := range groups {
		n += g.Progress.Frames
	}
	return n
}

// moves waits until the service takes frames from here on.
func (s *service) moves() {
	s.t.Helper()
	from := uint64(0)
	s.until("frames are taken", func() bool {
		now := s.frames()
		if from == 0 {
			from = now
		}
		return from > 0 && now > from+20
	})
}

// endAndCheck ends the load and the service, and checks that what was
// acknowledged is archived, that the whole journal gives the same files in an
// empty folder, and so does the archive.
func endAndCheck(t testing.TB, s *service, load *generator, o options, plans []*group.Plan) {
	t.Helper()
	load.stop()
	s.cut()
	s.stop()
	checkAcknowledged(t, o.data, plans, load.acknowledged())
	fresh := options{testFile: o.testFile, data: filepath.Join(t.TempDir(), "fresh"), args: o.args}
	second := start(t, fresh)
	second.ready()
	second.untilCommitted()
	second.stop()
	for _, folder := range []string{"raw", "r1"} {
		sameFiles(t, filepath.Join(o.data, folder), filepath.Join(fresh.data, folder))
	}
	checkRecomputed(t, o.data, plans)
}

// The broker is killed and started again under load: service and publishers
// wait and go on by themselves.
func TestBrokerIsKilled(t *testing.T) {
	parallel(t)
	e := brokertest.Start(t)
	testFile, plans := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--nats", e.URL(), "--one-replica", "--keep-journal"}}
	s := start(t, o)
	s.ready()
	load := loadOf(t, testFile)(e.URL())
	for range 3 {
		s.moves()
		e.Kill()
		time.Sleep(300 * time.Millisecond)
		e.Start()
	}
	s.moves()
	endAndCheck(t, s, load, o, plans)
}

// The broker comes back under a running service with less than it had
// acknowledged, or with nothing: the service ends and says so.
func TestBrokerComesBackWithLess(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		says string
		keep bool
	}{
		"older":   {"lost its end", true},
		"nothing": {"there is no such journal", false},
	} {
		t.Run(name, func(t *testing.T) {
			parallel(t)
			e := brokertest.Start(t)
			s := beginAt(t, options{args: []string{"--nats", e.URL(), "--one-replica"}}, e.URL())
			play := func(from, to uint64) {
				t.Helper()
				s.frames("node", from, to)
				s.frames("far", from, to)
				s.service.cut()
			}
			play(0, 5)
			e.Kill()
			older := keep(t, e.Store)
			e.Start()
			play(5, 10)
			e.Kill()
			if c.keep {
				replace(t, e.Store, older)
			} else if err := os.RemoveAll(e.Store); err != nil {
				t.Fatal(err)
			}
			e.Start()
			if code := s.service.exits(); code != 1 || !strings.Contains(s.service.said.String(), c.says) {
				t.Errorf("status %d, it should say %q:\n%s", code, c.says, s.service.said)
			}
		})
	}
}

// The connection to the broker is cut: for a moment, and for a minute, which is
// longer than anything waits for an answer (the longest, a minute, is how long a
// server remembers a reader). The service's is cut, the publishers', or both and
// nobody is told. Whoever is cut off says so, waits with no more than it may
// hold, and goes on by itself.
func TestConnectionIsCut(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name                string
		service, publishers bool
		how                 func(*brokertest.Wire)
	}{
		{"of the service", true, false, (*brokertest.Wire).Cut},
		{"of the publishers", false, true, (*brokertest.Wire).Cut},
		{"of both, silently", true, true, (*brokertest.Wire).Silence},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			e := brokertest.Start(t)
			ofService, ofPublishers := brokertest.NewWire(t, e.URL()), brokertest.NewWire(t, e.URL())
			testFile, plans := benchFile(t)
			o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--nats", ofService.URL(), "--one-replica", "--keep-journal"}}
			s := start(t, o)
			s.ready()
			load := generate(t, loadTo(t, ofPublishers.URL(), testFile, 40*time.Millisecond))
			var wires []*brokertest.Wire
			if c.service {
				wires = append(wires, ofService)
			}
			if c.publishers {
				wires = append(wires, ofPublishers)
			}
			for _, away := range []time.Duration{50 * time.Millisecond, time.Minute + time.Second} {
				s.moves()
				for _, w := range wires {
					c.how(w)
				}
				cut := time.Now()
				if away > time.Second {
					s.tells(c.service, !c.publishers)
				}
				time.Sleep(away - time.Since(cut))
				for _, w := range wires {
					w.Mend()
				}
			}
			s.moves()
			s.tells(false, true)
			endAndCheck(t, s, load, o, plans)
			least, most := load.waited()
			if most > bufferBytes || c.publishers && least < bufferBytes*9/10 {
				t.Errorf("publishers held %d to %d bytes, where %d are allowed", least, most, bufferBytes)
			}
		})
	}
}

// tells waits until the service's status says that it cannot reach its journal,
// or that it can, and then whether frames come to be taken.
func (s *service) tells(cutOff, fed bool) {
	s.t.Helper()
	s.until("the status tells how the connection is", func() bool {
		groups, err := s.status()
		if err != nil || len(groups) == 0 {
			return false
		}
		for _, g := range groups {
			if (g.Error != "") != cutOff {
				return false
			}
		}
		return true
	})
	if !cutOff && !fed {
		last := s.frames()
		s.until("no frame comes any more", func() bool {
			before := last
			time.Sleep(time.Second) // in which publishers that are not cut off send dozens
			last = s.frames()
			return last == before
		})
	}
}

// Serve and replay give the segments of reduce, by the embedded broker and by
// one of others, and by a replay that is killed and given again: neither frames nor
// events come twice.
func TestServeAndReplayGiveTheSegmentsOfReduce(t *testing.T) {
	parallel(t)
	truth, err := simulate.Write(t.TempDir(), simulate.Options{Seed: 3, Duration: time.Hour}, nil)
	if err != nil {
		t.Fatal(err)
	}
	program := must(glueline())(t)
	run := func(args ...string) string {
		t.Helper()
		said, err := exec.Command(program, args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, said)
		}
		return string(said)
	}
	reduced := filepath.Join(t.TempDir(), "reduced")
	run(append([]string{"reduce", truth.TestFile, "--events", truth.Events, "--out", reduced, "--quiet"}, truth.Files...)...)
	for _, name := range []string{"embedded", "external", "killed"} {
		t.Run(name, func(t *testing.T) {
			o := options{testFile: truth.TestFile, data: filepath.Join(t.TempDir(), "data")}
			var url string
			if name == "external" {
				url = brokertest.Start(t).URL()
				o.args = []string{"--nats", url, "--one-replica"}
			} else {
				port := brokertest.FreePort(t)
				url = fmt.Sprintf("nats://127.0.0.1:%d", port)
				o.args = []string{"--listen", fmt.Sprintf("127.0.0.1:%d", port)}
			}
			o.args = append(o.args, "--cut-bytes", "0") // as reduce cuts
			s := start(t, o)
			s.ready()
			replay := append([]string{"replay", truth.TestFile, "--events", truth.Events, "--nats", url, "--quiet"}, truth.Files...)
			for frames := uint64(0); name == "killed" && frames < 1500; {
				killed := exec.Command(program, replay...)
				if err := killed.Start(); err != nil {
					t.Fatal(err)
				}
				for before := frames; frames < before+300; time.Sleep(time.Millisecond) {
					frames = s.frames()
				}
				must(0, killed.Process.Kill())(t)
				_ = killed.Wait() // it was killed
			}
			said := run(replay...)
			if again := strings.Contains(said, "were in the journal already"); again != (name == "killed") {
				t.Errorf("it says %s", said)
			}
			s.untilCommitted()
			s.stop()
			if files := sameFiles(t, reduced, filepath.Join(o.data, "r1")); files < 4 {
				t.Errorf("only %d files were compared", files)
			}
			if name != "embedded" {
				return
			}
			// From a moment in the past on: reduced again, and reduced anew.
			text := must(os.ReadFile(truth.TestFile))(t)
			right := filepath.Join(filepath.Dir(truth.TestFile), "right.yaml")
			changed := bytes.Replace(text, []byte("gauge-factor: 2.08"), []byte("gauge-factor: 2.11"), 1)
			if bytes.Equal(text, changed) || os.WriteFile(right, changed, 0o600) != nil {
				t.Fatal("the test file was not changed")
			}
			const moment = "2026-05-04T06:20:00.123Z"
			run("rereduce", o.data, "--calibration", right, "--from", moment, "--who", "test", "--why", "another batch was bonded", "--quiet")
			anew := filepath.Join(t.TempDir(), "anew")
			run(append([]string{"reduce", truth.TestFile, "--then", moment + "=" + right, "--events", truth.Events, "--out", anew, "--quiet"}, truth.Files...)...)
			if files := sameFiles(t, anew, results(t, filepath.Join(o.data, "r2"))); files < 6 {
				t.Errorf("only %d files were compared", files)
			}
			run("verify", o.data, "--recompute")
		})
	}
}
