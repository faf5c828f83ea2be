package faults

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/simulate"
	"glueline/pipeline/worker"
	"glueline/sinks/health"
)

// A quarter of an hour and more of the simulated gate in which one state follows
// another.
const (
	gate       = "Hollin Lock lower gate"
	gateSpan   = 30 * time.Second // of a frame
	gateLength = 22 * time.Minute
)

var gateStart = time.Date(2026, 4, 19, 11, 53, 0, 0, time.UTC) // the posts are cured at 12:00

var gateFaults = []simulate.Fault{
	{Kind: simulate.Stuck, Channel: "skin-3", At: 16 * time.Minute, For: time.Minute},
	{Kind: simulate.Offset, Channel: "skin-4", At: 16 * time.Minute, For: time.Second / 10, Value: 50e-6},
	{Kind: simulate.Offset, Channel: "skin-6", At: 16*time.Minute + 30*time.Second, Value: 30e-6},
	{Kind: simulate.Dark, Channel: "frame", At: 17 * time.Minute, For: time.Minute},
}

// gateEvents are beside those of the simulation.
var gateEvents = []string{
	`{"event":"excitation","state":"off","source":"frame","who":"test","time":"2026-04-19T12:10:00Z"}`,
	`{"event":"excitation","state":"on","source":"frame","who":"test","time":"2026-04-19T12:11:00Z"}`,
}

// middle is a moment in front of which readings have been published and behind
// which none, and what the reduction is in the middle of then.
type middle struct {
	name string
	at   time.Duration
	is   func(s *group.State) bool
}

func skin(s *group.State, n int) *group.InputState {
	return s.Inputs[fmt.Sprintf("skin/S%d|skin-%d", n, n)]
}

var middles = []middle{
	{"the cure", 3 * time.Minute, nil}, // no state: a comparison of times, and the flags tell
	{"a zero window", 7 * time.Minute, func(s *group.State) bool { return skin(s, 3).InProgress["test"] != nil }},
	{"the shunt on", 10*time.Minute + 10*time.Second, func(s *group.State) bool { return skin(s, 1).ShuntOn && !settling(s) }},
	{"the shunt's settling", 10*time.Minute + 30*time.Second + 500*time.Millisecond, func(s *group.State) bool { return skin(s, 1).ShuntOn && settling(s) }},
	{"a spike just seen", 16*time.Minute + 100*time.Millisecond, func(s *group.State) bool { return skin(s, 4).Spikes.Hit }},
	{"a frozen run", 16*time.Minute + 20*time.Second, func(s *group.State) bool { return skin(s, 3).Run > 100 }},
	{"a jump that is not decided", 16*time.Minute + 31*time.Second, func(s *group.State) bool { return skin(s, 6).Jumps.Stayed > 0 }},
	{"warming up", 19 * time.Minute, func(s *group.State) bool {
		frame := s.Sources["frame"]
		return !frame.ExcitationOff && frame.Newest < frame.WarmUntil
	}},
	{"an open half cycle", 21 * time.Minute, nil}, // of the health file: its counts are compared
}

func settling(s *group.State) bool {
	return slices.ContainsFunc(s.Sources["skin"].Waiting, func(p group.Pending) bool { return p.Settled != "" })
}

// told is a frame, or an event.
type told struct {
	at    time.Time // of its first row
	frame *frame.Frame
	event string
}

// gateStory is what is published, in order, and the test file. A frame ends at
// every middle. Its events come ahead of the frame that they are in.
func gateStory(t testing.TB) (all []told, testFile string) {
	t.Helper()
	stream := must(simulate.NewStream(simulate.Options{Seed: 3, Start: gateStart, Rate: 10, Duration: gateLength, Faults: gateFaults, Flicker: 20e-9}, gateSpan))(t)
	testFile = filepath.Join(t.TempDir(), "gate.yaml")
	if err := os.WriteFile(testFile, stream.TestFile(), 0o600); err != nil {
		t.Fatal(err)
	}
	lines := slices.Clone(gateEvents)
	for line := range bytes.Lines(must(stream.Events())(t)) {
		lines = append(lines, strings.TrimSpace(string(line)))
	}
	// Frames end at events too: what a shunt or zero has begun stands in the state
	// only behind rows that come after it.
	var ends []time.Time
	for _, m := range middles {
		ends = append(ends, gateStart.Add(m.at))
	}
	for _, line := range lines {
		var e map[string]any
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if e["who"] == nil {
			e["who"] = "test"
		}
		at := must(time.Parse(time.RFC3339Nano, e["time"].(string)))(t)
		all = append(all, told{at: at, event: string(must(json.Marshal(e))(t))})
		ends = append(ends, at)
	}
	numbers := map[string]uint64{}
	for f := stream.Next(); f != nil; f = stream.Next() {
		from := 0
		for row := 1; row <= f.Rows(); row++ {
			if row < f.Rows() && !slices.ContainsFunc(ends, func(end time.Time) bool {
				at := end.UnixNano()
				return f.Time[row-1] < at && at <= f.Time[row]
			}) {
				continue
			}
			part := copied(f, from, row)
			part.Number = numbers[f.Source]
			numbers[f.Source]++
			all = append(all, told{at: time.Unix(0, part.Time[0]), frame: part})
			from = row
		}
	}
	slices.SortStableFunc(all, func(a, b told) int { return a.at.Compare(b.at) })
	return all, testFile
}

// copied is a stretch of a frame whose arrays are its own.
func copied(f *frame.Frame, from, to int) *frame.Frame {
	part := f.Slice(from, to)
	part.Time = slices.Clone(part.Time)
	for i := range part.Columns {
		c := &part.Columns[i]
		c.Float, c.Counts, c.Valid = slices.Clone(c.Float), slices.Clone(c.Counts), slices.Clone(c.Valid)
	}
	return &part
}

// tell publishes the story. It is interrupted in every middle, where the files are
// ended, and again a few frames later, which are in the journal alone.
func (s *script) tell(all []told, interrupt func(m middle, cut bool)) {
	s.t.Helper()
	next, left := 0, 0
	for _, x := range all {
		if next < len(middles) && !x.at.Before(gateStart.Add(middles[next].at)) {
			s.service.cut()
			interrupt(middles[next], true)
			next, left = next+1, 4
		}
		if x.event != "" {
			s.service.event(x.event)
		} else {
			s.send(x.frame)
		}
		if left--; left == 0 {
			interrupt(middles[next-1], false)
		}
	}
}

// newest is the state of the newest commit record.
func (s *script) newest(plan *group.Plan) *group.State {
	s.t.Helper()
	raw, _ := s.cuts(plan.Name)
	if len(raw) == 0 {
		s.t.Fatal("nothing is committed")
	}
	return must(plan.ReadState(must(worker.GroupState(raw[len(raw)-1].State))(s.t)))(s.t)
}

// healthBehind is the middle whose end of the files is the first behind a full hour
// of data: there a health file is made, and what comes later goes on from it.
const healthBehind = "the shunt on"

// kill -9 in the middle of every state, once behind the files' end, so that what
// goes on has the state of the commit record alone, and once a few frames later,
// which it takes from the journal again. Flags, strains, counts and what is said of
// drift are those of a run that nobody disturbs, and of the journal played again.
func TestKilledInsideEveryState(t *testing.T) {
	parallel(t)
	all, testFile := gateStory(t)
	run := func(interrupt func(s *script, m middle, cut bool)) *script {
		o := options{args: []string{"--keep-journal"}, cutBytes: 64 << 20}
		url := o.listening(t)
		s := beginTest(t, o, url, testFile, gate)
		s.tell(all, func(m middle, cut bool) { interrupt(s, m, cut) })
		s.service.cut()
		s.service.stop()
		return s
	}
	whole := run(func(*script, middle, bool) {})

	plan := must(plansOf(testFile))(t)[0]
	kills := 0
	s := run(func(s *script, m middle, cut bool) {
		if cut && m.is != nil && !m.is(s.newest(plan)) {
			t.Errorf("the files' end is not in the middle of %s", m.name)
		}
		if !cut && m.name == healthBehind {
			s.healthUpTo(plan)
		}
		s.restart(killed)
		kills++
	})
	if kills != 2*len(middles) {
		t.Errorf("%d kills", kills)
	}
	fresh := again(t, s.o)
	for _, folder := range []string{"raw", "r1"} {
		sameFiles(t, filepath.Join(s.o.data, folder), filepath.Join(fresh, folder))
		n := sameFiles(t, arrows(t, filepath.Join(s.o.data, folder)), arrows(t, filepath.Join(whole.o.data, folder)))
		if n < 3*len(middles) {
			t.Errorf("%d files of %s were compared", n, folder)
		}
	}
	for channel, f := range map[string]flag.Mask{
		"girder-1": flag.Uncured, "skin-1": flag.ShuntOn, "skin-3": flag.Frozen, "skin-4": flag.Spike, "skin-6": flag.Jump, "tie": 0,
	} {
		if n := s.flagged(channel, f); f != 0 && n == 0 {
			t.Errorf("%s is never flagged %s", channel, f)
		}
	}
	said := driftOf(t, s.o.data)
	if !strings.Contains(said, `"skin-3"`) {
		t.Errorf("drift says\n%s", said)
	}
	for what, data := range map[string]string{"undisturbed": whole.o.data, "the journal again": fresh} {
		if got := driftOf(t, data); got != said {
			t.Errorf("%s: drift says\n%s\nkilled:\n%s", what, got, said)
		}
	}
}

// healthUpTo waits until there is a health file of the newest cut, so that the
// next one goes on from it.
func (s *script) healthUpTo(plan *group.Plan) {
	s.t.Helper()
	raw, _ := s.cuts(plan.Name)
	dir, cut := filepath.Join(s.o.data, "r1"), raw[len(raw)-1].Cut
	s.service.until("the health file is made", func() bool {
		_, err := os.Stat(filepath.Join(dir, health.Name(plan.Name, cut)))
		return err == nil
	})
}

// driftOf is what is said of the drift of a folder.
func driftOf(t testing.TB, data string) string {
	t.Helper()
	var said bytes.Buffer
	c := exec.Command(must(glueline())(t), "drift", data, "--json", "--quiet")
	c.Stderr = &said
	out, err := c.Output()
	if err != nil {
		t.Fatalf("glueline drift: %v\n%s", err, said.String())
	}
	return string(out)
}

// arrows is a copy of a folder with its Arrow files alone: a commit record names
// the journal, of which there are two.
func arrows(t testing.TB, dir string) string {
	t.Helper()
	to := t.TempDir()
	for _, path := range must(filepath.Glob(filepath.Join(dir, "*.arrow")))(t) {
		if err := os.Link(path, filepath.Join(to, filepath.Base(path))); err != nil {
			t.Fatal(err)
		}
	}
	return to
}
