package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/sinks/archive"
)

// serving is a service in this process.
type serving struct {
	t         *testing.T
	data, url string
	output    *shared
	stop      func() (status int)
}

// shared is a buffer that is written and read at the same time.
type shared struct {
	mutex sync.Mutex
	b     bytes.Buffer
}

func (s *shared) Write(p []byte) (int, error) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.b.Write(p)
}

func (s *shared) String() string {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.b.String()
}

var publishers = regexp.MustCompile(`Publishers: (\S+)`)

// serve starts a service and waits until it works.
func serve(t *testing.T, testFile, data string, more ...string) *serving {
	t.Helper()
	s := &serving{t: t, data: data, output: new(shared)}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, append([]string{"serve", testFile, "--data", data, "--listen", "127.0.0.1:0", "--keep-free", "0"}, more...), streams{s.output, s.output})
	}()
	s.stop = sync.OnceValue(func() int { cancel(); return <-ended })
	t.Cleanup(func() { s.stop() })
	s.until("it is ready", func() bool {
		m := publishers.FindStringSubmatch(s.output.String())
		if m == nil {
			return false
		}
		s.url = m[1]
		status, _, _ := glueline(ctx, "status", "--data", data)
		return status == 0
	})
	return s
}

// until waits for something that must come.
func (s *serving) until(what string, holds func() bool) {
	s.t.Helper()
	for deadline := time.Now().Add(time.Minute); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			s.t.Fatalf("it never came that %s: %s", what, s.output)
		}
	}
}

// command runs a command on the service and wants it to succeed.
func (s *serving) command(args ...string) string {
	s.t.Helper()
	status, out, errs := glueline(s.t.Context(), args...)
	if status != 0 {
		s.t.Fatalf("%v: status %d: %s%s", args, status, out, errs)
	}
	return out
}

// look is the service's status.
func (s *serving) look() (st status) {
	s.t.Helper()
	if err := json.Unmarshal([]byte(s.command("status", "--data", s.data, "--json")), &st); err != nil {
		s.t.Fatal(err)
	}
	return st
}

// replay publishes raw files and waits until they are committed.
func (s *serving) replay(testFile, raw string, more ...string) {
	s.t.Helper()
	s.command(append([]string{"replay", testFile, raw, "--nats", s.url, "--quiet"}, more...)...)
	s.until("the frames are committed", func() bool {
		g := s.look().Groups[0]
		return g.LastCut != nil && g.Progress.Committed == g.Journal.Last
	})
}

// bench writes the test file and the raw file of a bench test.
func bench(t *testing.T) (dir, testFile, raw string) {
	t.Helper()
	dir = t.TempDir()
	testFile = write(t, dir, "bench.yaml", benchTest("unit: V/V", 1, oneChannel))
	raw = write(t, dir, "node.csv", rawText("time,A", benchRows, func(i int) []float64 { r, _ := benchRatio(i); return []float64{r} }))
	return dir, testFile, raw
}

// What was served is verified and reduced again; a journal that was made anew
// is refused by serve and named by verify.
func TestServeThenVerify(t *testing.T) {
	dir, testFile, raw := bench(t)
	data := filepath.Join(dir, "data")
	s := serve(t, testFile, data)
	s.replay(testFile, raw)
	if status, _, errs := glueline(t.Context(), "verify", data, "--journal", filepath.Join(data, "journal")); status != 1 || !strings.Contains(errs, "another glueline works in it") {
		t.Errorf("the journal beside the service: status %d: %s", status, errs)
	}
	if status := s.stop(); status != 0 {
		t.Fatalf("status %d: %s", status, s.output)
	}
	if err := os.Remove(testFile); err != nil { // it keeps its own
		t.Fatal(err)
	}
	out := s.command("verify", data, "--recompute", "--journal", filepath.Join(data, "journal"))
	for _, want := range []string{"1 of 1", "Everything is as it was written", "300", "2026-02-03 04:05:06Z"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in:\n%s", want, out)
		}
	}
	if out := s.command("verify", data, "--quiet"); out != "" {
		t.Errorf("quiet: %q", out)
	}

	// Another journal in the place of the first.
	if err := os.RemoveAll(filepath.Join(data, "journal")); err != nil {
		t.Fatal(err)
	}
	testFile = write(t, dir, "bench.yaml", benchTest("unit: V/V", 1, oneChannel))
	status, _, errs := glueline(t.Context(), "serve", testFile, "--data", data)
	if status != 1 || !strings.Contains(errs, errJournalAway.Error()) {
		t.Errorf("serve without its journal: status %d: %s", status, errs)
	}
	other := filepath.Join(dir, "other")
	serve(t, testFile, other, "--journal", filepath.Join(data, "journal")).stop()
	status, _, errs = glueline(t.Context(), "serve", testFile, "--data", data)
	if status != 1 || !strings.Contains(errs, errContinuity.Error()) || !strings.Contains(errs, "made anew") {
		t.Errorf("serve with another journal: status %d: %s", status, errs)
	}
	status, out, errs = glueline(t.Context(), "verify", data, "--journal", filepath.Join(data, "journal"))
	if status != 1 || !strings.Contains(out, "raw/main.00000000.commit.json: another journal") || !strings.Contains(out, "1 damage") {
		t.Errorf("verify with another journal: status %d: %s%s", status, out, errs)
	}
}

// A journal that does not fit the newest commit record is named by verify, and
// serve does not start with it.
func TestJournalThatDoesNotFit(t *testing.T) {
	dir, testFile, raw := bench(t)
	data := filepath.Join(dir, "data")
	s := serve(t, testFile, data)
	s.replay(testFile, raw)
	s.stop()
	sound, err := archive.Newest(filepath.Join(data, rawFolder), "main")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		says   string
		change func(*archive.Record)
	}{
		{"the journal lost its end", func(r *archive.Record) { r.Journal.Last += 5 }},
		{"is another than the archive knows", func(r *archive.Record) { r.Journal.LastHash = strings.Repeat("0", 64) }},
		{"made anew", func(r *archive.Record) { r.Journal.Identity = "another" }},
	} {
		record := *sound
		c.change(&record)
		text, err := record.Encode()
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(data, rawFolder), record.Name(), string(text))
		status, out, errs := glueline(t.Context(), "verify", data, "--journal", filepath.Join(data, journalFolder))
		if status != 1 || !strings.Contains(out, "raw/"+record.Name()+": another journal") || !strings.Contains(out, c.says) {
			t.Errorf("verify, %s: status %d: %s%s", c.says, status, out, errs)
		}
		status, _, errs = glueline(t.Context(), "serve", testFile, "--data", data)
		if status != 1 || !strings.Contains(errs, errContinuity.Error()) || !strings.Contains(errs, c.says) {
			t.Errorf("serve, %s: status %d: %s", c.says, status, errs)
		}
	}
}

// A damaged segment is made again as verify says.
func TestWhatVerifySaysMendsASegment(t *testing.T) {
	dir, testFile, raw := bench(t)
	data := filepath.Join(dir, "data")
	s := serve(t, testFile, data)
	s.replay(testFile, raw)
	s.stop()
	const file = "main.00000000.node.arrow"
	path := filepath.Join(data, reducedFolder, file)
	before := digests(t, filepath.Join(data, reducedFolder))
	if err := os.Truncate(path, 1000); err != nil {
		t.Fatal(err)
	}
	if status, out, _ := glueline(t.Context(), "verify", data); status != 1 || !strings.Contains(out, "r1/"+file+": file of another length") {
		t.Errorf("status %d: %s", status, out)
	}
	if err := os.Remove(filepath.Join(data, reducedFolder, "main.00000000.commit.json")); err != nil {
		t.Fatal(err)
	}
	s = serve(t, testFile, data)
	s.until("the cut is made again", func() bool {
		_, err := os.Stat(filepath.Join(data, reducedFolder, "main.00000000.commit.json"))
		return err == nil
	})
	s.stop()
	after := digests(t, filepath.Join(data, reducedFolder))
	for name, sum := range before {
		if after[name] != sum {
			t.Errorf("%s was not made again as it was", name)
		}
	}
	s.command("verify", data, "--recompute")
}

func TestVerifyResultsOfReduce(t *testing.T) {
	dir, testFile, raw := bench(t)
	out := reduceTo(t, testFile, raw)
	for _, args := range [][]string{{out}, {out, "--test", testFile}} {
		if status, text, errs := glueline(t.Context(), append([]string{"verify"}, args...)...); status != 0 {
			t.Errorf("%v: status %d: %s%s", args, status, text, errs)
		}
	}
	other := write(t, dir, "other.yaml", strings.Replace(read(t, testFile), "gauge-factor: 2.1", "gauge-factor: 2.2", 1))
	if status, text, _ := glueline(t.Context(), "verify", out, "--test", other); status != 1 || !strings.Contains(text, "main.00000000.commit.json: constants") {
		t.Errorf("with other constants: status %d: %s", status, text)
	}
	for _, c := range []struct{ says, dir string }{{"no raw folder", out}, {"no commit record is there", dir}, {"no such folder", filepath.Join(dir, "none")}} {
		args := []string{"verify", c.dir}
		if c.dir == out {
			args = append(args, "--recompute")
		}
		if status, text, errs := glueline(t.Context(), args...); status != 1 || text != "" || !strings.Contains(errs, c.says) {
			t.Errorf("%v: status %d: %s%s", args, status, text, errs)
		}
	}
}

func TestStatusAndQuarantine(t *testing.T) {
	dir, testFile, raw := bench(t)
	data := filepath.Join(dir, "data")
	for _, args := range [][]string{{"status"}, {"quarantine"}, {"quarantine", "show", "1"}} {
		status, _, errs := glueline(t.Context(), append(args, "--data", data)...)
		if status != 1 || !strings.Contains(errs, errNoService.Error()) || !strings.Contains(errs, "glueline serve") {
			t.Errorf("%v without a service: status %d: %s", args, status, errs)
		}
	}
	s := serve(t, testFile, data)
	if out := s.command("status", "--data", data); !strings.Contains(out, "none since the start") {
		t.Errorf("status before any frame:\n%s", out)
	}
	if out := s.command("quarantine", "--data", data); out != "Nothing is in quarantine.\n" {
		t.Errorf("empty quarantine: %q", out)
	}
	s.replay(testFile, raw)
	s.replay(testFile, raw) // all of it is known
	out := s.command("status", "--data", data)
	row := func(name string) []string {
		for line := range strings.Lines(out) {
			if f := strings.Fields(line); len(f) > 0 && f[0] == name {
				return f
			}
		}
		t.Fatalf("no row of %s in:\n%s", name, out)
		return nil
	}
	// group, frames, rows, refused, repeated, lag: 300 rows of 10 Hz are a frame each.
	if f := row("main"); !slices.Equal(f[:7], []string{"main", "300", "300", "0", "0", "0", "0"}) {
		t.Errorf("%q", f)
	}
	if f := row("node"); strings.Join(f[2:4], " ") != "2026-02-03 04:05:35Z" {
		t.Errorf("%q", f)
	}

	conn, err := journal.Connect(s.url, journal.ConnectOptions{Name: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	j, err := journal.Attach(t.Context(), conn, "bench", "main")
	if err != nil {
		t.Fatal(err)
	}
	for number, payload := range map[uint64]string{1000: "words,\nnot a frame", 1001: "\x00\x1b[2J binary"} {
		if _, err := j.Publish(t.Context(), frame.Header{Source: "node", Boot: "b\x1b", Number: number}, []byte(payload)); err != nil {
			t.Fatal(err)
		}
	}
	s.until("both are refused", func() bool { return s.look().Groups[0].Progress.Refused == 2 })
	out = s.command("quarantine", "--data", data)
	if f := row("main/1"); !slices.Contains(f, "node") || !slices.Contains(f, "1000") && !slices.Contains(f, "1001") || strings.Contains(out, "\x1b") {
		t.Errorf("list:\n%s", out)
	}
	all := s.command("quarantine", "show", "1", "--data", data) + s.command("quarantine", "show", "main/2", "--data", data)
	if !strings.Contains(all, "words,\nnot a frame") || !strings.Contains(all, "00 1b 5b 32 4a") || strings.Contains(all, "\x1b") {
		t.Errorf("shown: %s", all)
	}
	saved := filepath.Join(dir, "saved")
	s.command("quarantine", "show", "main/2", "--data", data, "--save", saved)
	if text := read(t, saved); text != "words,\nnot a frame" && text != "\x00\x1b[2J binary" {
		t.Errorf("saved %q", text)
	}
	for _, c := range [][]string{{"9", "no message 9"}, {"0", "no number"}, {"x", "no number"}, {"tower/1", "the groups are main"}, {"1/2/3", "the groups are main"}} {
		status, _, errs := glueline(t.Context(), "quarantine", "show", c[0], "--data", data)
		if status != 1 || !strings.Contains(errs, c[1]) {
			t.Errorf("show %s: status %d: %s", c[0], status, errs)
		}
	}
	if status, _, errs := glueline(t.Context(), "quarantine", "show", "1", "--data", data, "--save", saved); status != 1 || !strings.Contains(errs, "exists") {
		t.Errorf("saving over a file: status %d: %s", status, errs)
	}
	// Refused messages are no damage.
	s.stop()
	s.command("verify", data)
}

// With several groups a number alone names no message.
func TestNumbersOfTheQuarantineNameAGroup(t *testing.T) {
	s := &service{groups: []*liveGroup{{plan: &group.Plan{Name: "hall"}}, {plan: &group.Plan{Name: "mast"}}}}
	if g, number, err := s.refusedBy("mast/7"); err != nil || g.plan.Name != "mast" || number != 7 {
		t.Errorf("mast/7: %v %d %v", g, number, err)
	}
	for _, which := range []string{"7", "roof/7", "mast/", "mast/-1", "mast/99999999999999999999", ""} {
		if _, _, err := s.refusedBy(which); err == nil {
			t.Errorf("%q is accepted", which)
		}
	}
}

// A test file is kept with its channel list, once a content.
func TestTestFilesAreKept(t *testing.T) {
	dir, data := t.TempDir(), t.TempDir()
	lists := filepath.Join(dir, "lists")
	if err := os.Mkdir(lists, 0o755); err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(benchTest("unit: V/V", 1, oneChannel), "channels:\n  c0: {bridge: quarter_3wire, transverse: none}\n", "channel-list: lists/channels.csv\n")
	path := write(t, dir, "hall.yaml", text)
	write(t, lists, "channels.csv", "name,bridge,transverse\nc0,quarter_3wire,none\n")
	keep := func() int {
		k, err := readTest(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := k.keep(data); err != nil {
			t.Fatal(err)
		}
		tests, err := keptTests(data)
		if err != nil {
			t.Fatal(err)
		}
		return len(tests)
	}
	if n := keep(); n != 1 {
		t.Errorf("%d kept", n)
	}
	if n := keep(); n != 1 {
		t.Errorf("kept again: %d", n)
	}
	write(t, lists, "channels.csv", "name,bridge,transverse\nc0,quarter_2wire,none\n")
	if n := keep(); n != 2 {
		t.Errorf("with another list: %d kept", n)
	}
	entries, err := os.ReadDir(filepath.Join(data, keptFolder))
	if err != nil || len(entries) != 2 {
		t.Errorf("%v %v", entries, err)
	}
}

// A folder of serve that is stopped before its first cut is not damaged. What such a
// folder has of a cut is lost where no journal is there to end it from.
func TestVerifyBeforeTheFirstCut(t *testing.T) {
	b := newLiveBench(t)
	b.feed(1)
	b.stop()
	verify := func(want int, says string) {
		t.Helper()
		status, out, errs := glueline(t.Context(), "verify", b.data)
		if status != want || !strings.Contains(out+errs, says) {
			t.Errorf("status %d, want %d and %q: %s%s", status, want, says, out, errs)
		}
	}
	verify(0, "nothing is committed yet, and nothing is damaged: the first files are not ended. What came is in the journal.")
	write(t, filepath.Join(b.data, rawFolder), "main.00000000.node.arrow", "begun")
	verify(0, "What came is in the journal.")
	if err := os.Rename(filepath.Join(b.data, journalFolder), filepath.Join(t.TempDir(), "elsewhere")); err != nil {
		t.Fatal(err)
	}
	verify(1, "but no commit record that lists them")
	if err := os.Remove(filepath.Join(b.data, rawFolder, "main.00000000.node.arrow")); err != nil {
		t.Fatal(err)
	}
	verify(0, "No journal is there")
}

// The newest raw record and the journal are gone, and the results name a cut that
// nothing can make again: with no journal in the folder, and with one that ends
// before it.
func TestVerifyNamesANewestCutThatIsGone(t *testing.T) {
	b := newLiveBench(t)
	cut := func() {
		b.feed(2)
		b.steps("--now")
	}
	cut()
	b.stop()
	old := filepath.Join(t.TempDir(), "old")
	if err := os.CopyFS(old, os.DirFS(filepath.Join(b.data, journalFolder))); err != nil {
		t.Fatal(err)
	}
	b.serve()
	cut()
	b.stop()
	newest, err := filepath.Glob(filepath.Join(b.data, rawFolder, "main.*.commit.json"))
	if err != nil || len(newest) < 2 {
		t.Fatalf("%v, %v: want two raw records", newest, err)
	}
	lost := newest[len(newest)-1]
	if err := os.Remove(lost); err != nil {
		t.Fatal(err)
	}
	named := rawFolder + "/" + filepath.Base(lost) + ": commit record missing"
	for _, c := range []struct {
		name    string
		prepare func() error
		args    []string
		want    int
		says    string
	}{
		{"serve makes it from its journal", func() error { return nil }, nil, 0, "makes it from the journal"},
		{"its journal has it", func() error { return nil }, []string{"--journal", filepath.Join(b.data, journalFolder)}, 0, "makes it from the journal"},
		{"a journal that ends before", func() error { return nil }, []string{"--journal", old}, 1, named},
		{"no journal", func() error { return os.RemoveAll(filepath.Join(b.data, journalFolder)) }, nil, 1, named},
	} {
		if err := c.prepare(); err != nil {
			t.Fatal(err)
		}
		status, out, errs := glueline(t.Context(), append([]string{"verify", b.data}, c.args...)...)
		if status != c.want || !strings.Contains(out, c.says) {
			t.Errorf("%s: status %d, want %d and %q: %s%s", c.name, status, c.want, c.says, out, errs)
		}
	}
}
