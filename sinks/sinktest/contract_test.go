package sinktest

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
	"glueline/sinks/csvfile"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
	"glueline/sinks/summary"
)

// sinks are all there are: what makes one that writes into a folder, and what
// it has made so far, by name. After a cut that is what the cut made durable.
var sinks = map[string]func(dir string, p *group.Plan) (worker.Sink, func(t *testing.T) map[string]string){
	"segment": func(dir string, p *group.Plan) (worker.Sink, func(t *testing.T) map[string]string) {
		s := segment.NewSink(disk.At(dir), "bracket", p, segment.Program{Version: "test", Architecture: "any"})
		return s, func(t *testing.T) map[string]string { return files(t, dir) }
	},
	"csvfile": func(dir string, p *group.Plan) (worker.Sink, func(t *testing.T) map[string]string) {
		return csvfile.New(dir, p), func(t *testing.T) map[string]string { return files(t, dir) }
	},
	"summary": func(_ string, p *group.Plan) (worker.Sink, func(t *testing.T) map[string]string) {
		s := summary.New(p)
		return s, func(t *testing.T) map[string]string {
			made := map[string]string{}
			for _, r := range s.Rows() {
				made[r.Field.Name] = fmt.Sprintf("%+v", r)
			}
			return made
		}
	},
}

// files are the contents of a folder's files but temporary ones.
func files(t *testing.T, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		all[e.Name()] = string(text)
	}
	return all
}

// bracket is the group of a small test, and what is reduced of it: batches of
// both sources by turns.
func bracket(t *testing.T) (*group.Plan, []*group.Batch) {
	t.Helper()
	const golden = "../../testdata/golden/"
	test, err := testfile.Load(golden + "test.yaml")
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	frames, err := frame.Open(test, []string{golden + "node.csv", golden + "logger.csv"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer frames.Close()
	reducer := group.NewReducer(plans[0])
	var batches []*group.Batch
	for len(batches) < 40 {
		f, err := frames.Next()
		if err != nil {
			t.Fatal(err)
		}
		b := new(group.Batch)
		if err := reducer.Reduce(f, b); err != nil {
			t.Fatal(err)
		}
		batches = append(batches, b)
		f.Release()
	}
	return plans[0], batches
}

// spoil overwrites a batch, as the worker does that uses it again.
func spoil(b *group.Batch) {
	for i := range b.Time {
		b.Time[i], b.Counter[i] = -1, math.MaxUint64
	}
	for _, c := range b.Columns {
		for i := range c.Float {
			c.Float[i] = math.Inf(-1)
		}
		for i := range c.Flags {
			c.Flags[i] = math.MaxUint32
		}
	}
}

func clone(b *group.Batch) *group.Batch {
	c := *b
	c.Time, c.Counter = slices.Clone(b.Time), slices.Clone(b.Counter)
	c.Columns = slices.Clone(b.Columns)
	for i := range c.Columns {
		c.Columns[i].Float, c.Columns[i].Flags = slices.Clone(c.Columns[i].Float), slices.Clone(c.Columns[i].Flags)
	}
	return &c
}

// A word of a sequence: "a", "b" and "c" append a third of the batches each,
// "|" is a cut, "x" an abort.
func play(t *testing.T, s worker.Sink, batches []*group.Batch, sequence string) {
	t.Helper()
	third := len(batches) / 3
	for _, word := range sequence {
		var err error
		switch word {
		case '|':
			err = s.Cut(nil)
		case 'x':
			err = s.Abort()
		default:
			from := int(word-'a') * third
			for _, b := range batches[from : from+third] {
				mine := clone(b)
				if err := s.Append(mine); err != nil {
					t.Fatal(err)
				}
				spoil(mine)
			}
		}
		if err != nil {
			t.Fatalf("%q: %v", word, err)
		}
	}
}

// Every sink: what was appended is there after a cut and not changed by what
// comes later; an abort drops what came since the last cut and nothing else,
// and the sink can go on; nothing of a batch is kept after Append, and the same
// batches give the same.
func TestContract(t *testing.T) {
	plan, batches := bracket(t)
	for _, name := range slices.Sorted(maps.Keys(sinks)) {
		made := func(t *testing.T, sequence string) map[string]string {
			t.Helper()
			s, look := sinks[name](t.TempDir(), plan)
			play(t, s, batches, sequence)
			got := look(t)
			if err := s.Abort(); err != nil { // what is left open
				t.Fatal(err)
			}
			return got
		}
		for _, c := range []struct {
			what, sequence, as string
		}{
			{"the same again", "a|b|c|", "a|b|c|"},
			{"an abort before anything", "xa|b|", "a|b|"},
			{"an abort drops what no cut has", "a|bx", "a|"},
			{"without a cut, everything", "ax", "x"},
			{"going on after an abort", "a|bxb|c|", "a|b|c|"},
			{"with other batches", "a|cxb|", "a|b|"},
			{"after an abort without a cut", "bxa|b|", "a|b|"},
			{"aborts in a row", "a|bxxb|", "a|b|"},
			{"an abort behind a cut", "a|xb|", "a|b|"},
		} {
			t.Run(name+"/"+c.what, func(t *testing.T) {
				got, want := made(t, c.sequence), made(t, c.as)
				if len(want) == 0 && c.as != "x" {
					t.Fatal("nothing was made")
				}
				if !maps.Equal(got, want) {
					t.Errorf("%s makes other things than %s: %s", c.sequence, c.as, difference(got, want))
				}
			})
		}
		t.Run(name+"/another order is not the same", func(t *testing.T) {
			if maps.Equal(made(t, "a|b|"), made(t, "a|c|")) {
				t.Error("what is compared does not depend on what was appended")
			}
		})
		t.Run(name+"/cuts without rows", func(t *testing.T) {
			if got := made(t, "||a||"); len(got) == 0 {
				t.Error("nothing was made")
			}
		})
	}
}

func difference(got, want map[string]string) string {
	var names []string
	for name := range got {
		if want[name] != got[name] {
			names = append(names, name)
		}
	}
	for name := range want {
		if _, there := got[name]; !there {
			names = append(names, "no "+name)
		}
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}
