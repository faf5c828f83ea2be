package faults

import (
	"bytes"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// deaths is how many processes die in the middle of one re-reduction.
const deaths = 20

// interrupted is a folder whose weeks are to be reduced again.
type interrupted struct {
	*script
	change []string
	fresh  string // what a reduction under the changed file gives
	cuts   int
}

// rereductions gives copies of a folder with many small cuts, and what is to come
// of each.
func rereductions(t *testing.T) (in func(t *testing.T, dir string) *interrupted) {
	t.Helper()
	story := func(pairs ...string) *script {
		o := options{args: []string{"--keep-journal"}, cutBytes: 8 << 10}
		url := o.listening(t)
		o.testFile, _ = benchFile(t)
		s := &script{t: t, o: o}
		if len(pairs) > 0 {
			s.edit(pairs...)
		}
		s = beginTest(t, o, url, o.testFile, benchName)
		s.weeks()
		s.service.stop()
		return s
	}
	s := story()
	change := s.change("gauge-factor: 2.1", "gauge-factor: 2.17")
	fresh := filepath.Join(story("gauge-factor: 2.1", "gauge-factor: 2.17").o.data, "r1")
	return func(t *testing.T, dir string) *interrupted {
		t.Helper()
		x := &interrupted{script: &script{t: t, o: s.o}, change: change, fresh: fresh}
		x.o.data = filepath.Join(dir, "data")
		for _, folder := range []string{"raw", "r1", "test"} {
			if err := os.CopyFS(filepath.Join(x.o.data, folder), os.DirFS(filepath.Join(s.o.data, folder))); err != nil {
				t.Fatal(err)
			}
		}
		x.cuts = x.have("r1", "*.commit.json")
		return x
	}
}

// have counts the files of a revision.
func (x *interrupted) have(revision, pattern string) int {
	return len(must(filepath.Glob(filepath.Join(x.o.data, revision, pattern)))(x.t))
}

// done counts the cuts of the new revision that are made, whether or not they
// have their records.
func (x *interrupted) done() int { return x.have("r2", "*.commit.json") + x.have("r2", ".*.made.json") }

// part is a process that works at the revision.
type part struct {
	*exec.Cmd
	said bytes.Buffer
}

func (x *interrupted) start(args ...string) *part {
	x.t.Helper()
	p := &part{Cmd: x.rereduce(append(args, "--quiet")...)}
	p.Stdout, p.Stderr = &p.said, &p.said
	if err := p.Start(); err != nil {
		x.t.Fatal(err)
	}
	return p
}

// first begins the revision.
func (x *interrupted) first() *part {
	x.t.Helper()
	p := x.start(append(x.change, "--share", "0.1")...)
	x.until("the revision is begun", func() bool { return x.have("r2", "revision.json") == 1 })
	return p
}

func (x *interrupted) another() *part { return x.start("--go-on", "r2", "--share", "0.1") }

// until waits, and looks often: what is waited for may soon be over.
func (x *interrupted) until(what string, holds func() bool) {
	x.t.Helper()
	for deadline := time.Now().Add(within); !holds(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			x.t.Fatalf("waited for: %s", what)
		}
	}
}

// dies has a process die by SIGKILL while some cuts are made and others not.
func (x *interrupted) dies(p *part) {
	x.t.Helper()
	if err := p.Process.Kill(); err != nil {
		x.t.Fatalf("it had ended before it was to die: %v\n%s", err, &p.said)
	}
	_ = p.Wait()
	if how := p.ProcessState.Sys().(syscall.WaitStatus); !how.Signaled() || how.Signal() != syscall.SIGKILL {
		x.t.Fatalf("it ended by itself: %v\n%s", p.ProcessState, &p.said)
	}
	if n := x.have("r2", "*.commit.json"); n >= x.cuts {
		x.t.Fatalf("all %d cuts had their records when it died", n)
	}
	if text, err := os.ReadFile(filepath.Join(x.o.data, "current")); err == nil {
		x.t.Fatalf("%s holds before all of it was made", text)
	}
}

// ends waits for a process that is to finish the work.
func (x *interrupted) ends(p *part) {
	x.t.Helper()
	if err := p.Wait(); err != nil {
		x.t.Fatalf("%v: %v\n%s", p.Args, err, &p.said)
	}
}

// undisturbed makes sure that what holds is a fresh reduction, byte for byte.
func (x *interrupted) undisturbed() {
	x.t.Helper()
	x.holds("r2")
	if n := sameFiles(x.t, results(x.t, filepath.Join(x.o.data, "r2")), results(x.t, x.fresh)); n < 2*x.cuts {
		x.t.Errorf("%d files were compared, of %d cuts", n, x.cuts)
	}
}

// Whatever dies while a revision is made, or runs out of room, the old one holds,
// and the end is that of a reduction which nothing came between.
func TestRereductionIsInterrupted(t *testing.T) {
	parallel(t)
	in := rereductions(t)
	random := rand.New(rand.NewPCG(1, uint64(time.Now().UnixNano())))
	atSomeInstant := func() { time.Sleep(time.Duration(random.IntN(20_000)) * time.Microsecond) }

	t.Run("one worker dies 20 times", func(t *testing.T) {
		x := in(t, t.TempDir())
		var reached []int
		p := x.first()
		for range deaths {
			before := x.done()
			x.until("it has got further", func() bool { return x.done() > before })
			atSomeInstant()
			x.dies(p)
			reached = append(reached, x.have("r2", "*.commit.json"))
			p = x.another()
		}
		x.ends(p)
		t.Logf("records behind each of %d kills, of %d: %v", len(reached), x.cuts, reached)
		x.undisturbed()
	})

	t.Run("of three workers one dies 20 times", func(t *testing.T) {
		x := in(t, t.TempDir())
		var reached []int
		all := []*part{x.first(), x.another(), x.another()}
		for range deaths {
			before := x.done()
			x.until("they have got further", func() bool { return x.done() > before })
			atSomeInstant()
			i := random.IntN(len(all))
			x.dies(all[i])
			reached = append(reached, x.have("r2", "*.commit.json"))
			all[i] = x.another()
		}
		for _, p := range all {
			x.ends(p)
		}
		t.Logf("records behind each of %d kills, of %d: %v", len(reached), x.cuts, reached)
		x.undisturbed()
	})

	// Whoever helps takes the place of the one that began, and has it hold.
	t.Run("the one that began dies", func(t *testing.T) {
		x := in(t, t.TempDir())
		p := x.first()
		helper := x.another()
		before := x.done()
		x.until("they have got further", func() bool { return x.done() > before })
		x.dies(p)
		x.ends(helper)
		if said := helper.said.String(); !strings.Contains(said, "Revision r2 holds") {
			t.Errorf("the one that helped says\n%s", said)
		}
		x.undisturbed()
	})

	t.Run("the disk is full", func(t *testing.T) {
		dir, relieve := smallDisk(t, 64<<20, 1<<20)
		x := in(t, dir)
		before := filepath.Join(t.TempDir(), "r1")
		if err := os.CopyFS(before, os.DirFS(filepath.Join(x.o.data, "r1"))); err != nil {
			t.Fatal(err)
		}
		var disk unix.Statfs_t
		if err := unix.Statfs(dir, &disk); err != nil {
			t.Fatal(err)
		}
		// Room for some of the cuts: a page of 4 KiB at least for each of two files.
		filler := filepath.Join(dir, "filler")
		if err := os.WriteFile(filler, make([]byte, int(disk.Bavail)*int(disk.Bsize)-x.cuts*6<<10), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, args := range [][]string{x.change, {"--go-on", "r2"}} {
			said, err := x.rereduce(append(args, "--quiet")...).CombinedOutput()
			if err == nil || !strings.Contains(string(said), "no space left on device") || !strings.Contains(string(said), "r1 still holds") {
				t.Fatalf("on a full disk: %v\n%s", err, said)
			}
		}
		n := x.have("r2", "*.commit.json")
		if _, err := os.Stat(filepath.Join(x.o.data, "current")); err == nil || n == 0 || n >= x.cuts {
			t.Fatalf("%d of %d cuts have their records, and r2 holds (%v)", n, x.cuts, err)
		}
		sameFiles(t, before, filepath.Join(x.o.data, "r1"))
		t.Logf("the disk was full behind %d of %d records", n, x.cuts)
		relieve()
		if err := os.Remove(filler); err != nil {
			t.Fatal(err)
		}
		x.ends(x.another())
		x.undisturbed()
	})
}
