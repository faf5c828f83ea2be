package faults

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
)

// weeks plays some weeks to a service: zeros, a shunt, and cuts at their sizes.
func (s *script) weeks() {
	s.t.Helper()
	for part := range uint64(6) {
		from, to := part*40, part*40+40
		if part == 1 {
			s.event(from+3, `"event":"load-state","state":"idle"`)
			s.event(from+5, `"event":"zero","state":"begin","kind":"test","name":"morning"`)
		}
		if part == 2 {
			s.event(from+9, `"event":"zero","state":"end","kind":"test","name":"morning"`)
			s.event(from+12, `"event":"shunt","state":"on","channel":"a"`)
		}
		if part == 3 {
			s.event(from+2, `"event":"shunt","state":"off","channel":"a"`)
		}
		s.frames("logger", part*4, part*4+4)
		s.frames("node", from, to)
		s.frames("far", from, to)
	}
	s.service.cut()
}

// rereduce is a process that makes a revision.
func (s *script) rereduce(args ...string) *exec.Cmd {
	s.t.Helper()
	return exec.Command(must(glueline())(s.t), append([]string{"rereduce", s.o.data}, args...)...)
}

// change says what is changed, and why.
func (s *script) change(pairs ...string) []string {
	s.t.Helper()
	text := string(must(os.ReadFile(s.o.testFile))(s.t))
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			s.t.Fatalf("the test file has no %q", pairs[i])
		}
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	path := filepath.Join(s.t.TempDir(), "right.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
	return []string{"--calibration", path, "--who", "test", "--why", "typed wrong"}
}

// holds makes sure that a revision holds and is whole.
func (s *script) holds(revision string) {
	s.t.Helper()
	text, err := os.ReadFile(filepath.Join(s.o.data, "current"))
	if err != nil || strings.TrimSpace(string(text)) != revision {
		s.t.Fatalf("%q holds (%v), want %s", text, err, revision)
	}
	run(s.t, must(glueline())(s.t), "verify", s.o.data, "--recompute")
}

// results are the files of a revision that readers see: what a fresh reduction
// has too.
func results(t testing.TB, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "results")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	for _, pattern := range []string{"revision.json", "*.state.json", "*.health*"} {
		for _, path := range must(filepath.Glob(filepath.Join(to, pattern)))(t) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}
	}
	return to
}

// The same constants give the same bytes. A cut that somebody takes away is made
// again by the service.
func TestRereductionUnderTheSameConstants(t *testing.T) {
	parallel(t)
	s := begin(t)
	s.weeks()
	s.service.stop()
	run(t, must(glueline())(t), append([]string{"rereduce", s.o.data, "--same"}, s.change()...)...)
	s.holds("r2")
	sameFiles(t, results(t, filepath.Join(s.o.data, "r2")), results(t, filepath.Join(s.o.data, "r1")))
	taken := filepath.Join(s.o.data, "r2", "main.00000002.commit.json")
	if err := os.Remove(taken); err != nil {
		t.Fatal(err)
	}
	s.service = start(t, s.o)
	s.service.ready()
	s.service.until("the cut is there again", func() bool { _, err := os.Stat(taken); return err == nil })
	s.frames("node", 240, 260)
	s.service.cut()
	s.holds("r2")
	s.service.stop()
}

// The running service turns to the new revision while readings come, killed at
// any instant of it.
func TestServiceTurnsToARevision(t *testing.T) {
	parallel(t)
	random := rand.New(rand.NewPCG(2, uint64(time.Now().UnixNano())))
	s := begin(t)
	s.weeks()
	next := uint64(240)
	revision := 1
	for round, change := range [][]string{
		{"gauge-factor: 2.1", "gauge-factor: 2.17"},
		{"{input: logger/T}", "{input: logger/T, max-age: 1 s}"},
		{"resistance: 0.4 ohm", "resistance: 0.9 ohm"},
	} {
		ended := make(chan error, 1)
		p := s.rereduce(s.change(change...)...)
		go func() { ended <- p.Run() }()
		s.frames("logger", next/10, next/10+2)
		s.frames("node", next, next+20)
		s.frames("far", next, next+20)
		next += 20
		time.Sleep(time.Duration(random.IntN(900)) * time.Millisecond)
		s.service.kill()
		s.service = start(t, s.o)
		s.service.ready()
		err := <-ended
		revision++
		name := "r" + itoa(revision)
		if err != nil { // the service was away when it was to turn
			if _, err := os.Stat(filepath.Join(s.o.data, name)); err != nil {
				run(t, must(glueline())(t), append([]string{"rereduce", s.o.data}, s.change(change...)...)...)
			} else if text, _ := os.ReadFile(filepath.Join(s.o.data, "current")); strings.TrimSpace(string(text)) != name {
				s.service.until("turns", func() bool {
					out, err := s.rereduce("--go-on", name).CombinedOutput()
					return err == nil || strings.Contains(string(out), "holds already")
				})
			}
		}
		s.edit(change...)
		s.frames("node", next, next+20)
		s.frames("far", next, next+20)
		s.frames("logger", next/10, next/10+2)
		next += 20
		s.service.cut()
		s.holds(name)
		if t.Failed() {
			t.Fatalf("round %d", round)
		}
	}
	s.service.stop()
	// A revision ends where the next took its place, and is proved up to there.
	for r := 1; r <= revision; r++ {
		run(t, must(glueline())(t), "verify", s.o.data, "--revision", "r"+itoa(r), "--recompute", "--quiet")
	}
}

// swapped is a frame of the node with its first two inputs exchanged.
func swapped(n uint64) *frame.Frame {
	f := frameOf("node", "one", n)
	f.Columns[0].Float, f.Columns[1].Float = f.Columns[1].Float, f.Columns[0].Float
	return f
}

// Two cables were exchanged on the first day, with a zero and a shunt in between;
// three weeks later it is found. Then all is as if they never had been.
func TestSwappedCables(t *testing.T) {
	parallel(t)
	play := func(s *script, node func(uint64) *frame.Frame, shunted string) {
		for part := range uint64(4) {
			from, to := part*40, part*40+40
			switch part {
			case 1:
				s.event(from+2, `"event":"load-state","state":"idle"`)
				s.event(from+5, `"event":"zero","state":"begin","kind":"test","name":"noon"`)
			case 2:
				s.event(from+9, `"event":"zero","state":"end","kind":"test","name":"noon"`)
				s.event(from+12, `"event":"shunt","state":"on","channel":"`+shunted+`"`)
				s.event(from+25, `"event":"shunt","state":"off","channel":"`+shunted+`"`)
			}
			s.frames("logger", part*4, part*4+4)
			for n := from; n < to; n++ {
				s.send(node(n))
			}
		}
	}
	never := begin(t)
	never.edit("temperature: skin, shunt: {location: instrument, resistor: 100 kohm, settling: 10 ms}", "temperature: skin")
	never.reload("holds from here on")
	play(never, func(n uint64) *frame.Frame { return frameOf("node", "one", n) }, "b")

	s := begin(t)
	s.edit("temperature: skin, shunt: {location: instrument, resistor: 100 kohm, settling: 10 ms}", "temperature: skin")
	s.reload("holds from here on")
	// Who shunts channel a shunts what the instrument has on its input: gauge b.
	play(s, swapped, "a")
	change := s.change("gauge: a, input: node/1", "gauge: a, input: node/X", "gauge: b, input: node/2", "gauge: b, input: node/1", "node/X", "node/2")
	run(t, must(glueline())(t), append([]string{"rereduce", s.o.data}, change...)...)
	for _, story := range []struct {
		s    *script
		node func(uint64) *frame.Frame
	}{{never, func(n uint64) *frame.Frame { return frameOf("node", "one", n) }}, {s, swapped}} {
		story.s.frames("logger", 16, 20)
		for n := uint64(160); n < 200; n++ {
			story.s.send(story.node(n))
		}
		story.s.service.cut()
	}
	s.holds("r2")
	after, before := columns(t, filepath.Join(s.o.data, "r2")), columns(t, filepath.Join(never.o.data, "r1"))
	for _, channel := range []string{"a [m/m]", "a flags", "b [m/m]", "b flags"} {
		got, want := after[channel], before[channel]
		if len(want) != 200*rowsPerFrame || !slices.Equal(got, want) {
			t.Errorf("%s: %d values, want %d, or others", channel, len(got), len(want))
		}
	}
	never.service.stop()
	s.service.stop()
}
