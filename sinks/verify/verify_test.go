package verify_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"glueline/pipeline/group"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
	"glueline/sinks/verify"
)

// options look at a data folder.
func options(dir string, tests ...verify.Test) verify.Options {
	return verify.Options{
		Raw: filepath.Join(dir, "raw"), RawLabel: "raw/", Reduced: filepath.Join(dir, "r1"), ReducedLabel: "r1/",
		Tests: tests, Program: program, Recompute: len(tests) > 0, Temporary: dir,
	}
}

func testOf(t *testing.T, text string) verify.Test { return verify.Test{Plans: plansOf(t, text)} }

func walk(t *testing.T, o verify.Options) *verify.Report {
	t.Helper()
	report, err := verify.Walk(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return report
}

func TestSoundFolder(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, beam)
	o := options(dir, testOf(t, beam))
	o.Program.Version = "another"
	var done int64
	o.Progress = func(n int64) { done = n }
	total, err := verify.Size(o)
	if err != nil {
		t.Fatal(err)
	}
	report := walk(t, o)
	for _, d := range report.Damages {
		t.Error(d)
	}
	for _, n := range report.Notes {
		t.Errorf("note: %s", n)
	}
	if done == 0 || done > total {
		t.Errorf("progress ends at %d of %d", done, total)
	}
	if len(report.Groups) != 2 {
		t.Fatalf("%+v", report.Groups)
	}
	for _, g := range report.Groups {
		// 16 s of 10 Hz and 1 Hz, in three cuts that have files.
		if g.Cuts != cuts || g.Files != 6 || g.Rows != 16*11 || g.FirstTime != start.UnixNano() || g.Damages != 0 {
			t.Errorf("%+v", g)
		}
	}
	if raw, reduced := report.Groups[0], report.Groups[1]; raw.FirstSeq != 1 || raw.LastSeq != uint64(len(given(t).all)) || reduced.Recomputed != cuts {
		t.Errorf("%+v\n%+v", raw, reduced)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".verify-*")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
}

// folder is a copy of a sound one, to be damaged.
type folder struct {
	t   *testing.T
	dir string
}

func (f folder) path(name string) string { return filepath.Join(f.dir, name) }

func (f folder) read(name string) []byte {
	f.t.Helper()
	text, err := os.ReadFile(f.path(name))
	if err != nil {
		f.t.Fatal(err)
	}
	return text
}

func (f folder) write(name string, text []byte) {
	f.t.Helper()
	if err := os.WriteFile(f.path(name), text, 0o644); err != nil {
		f.t.Fatal(err)
	}
}

func (f folder) remove(name string) {
	f.t.Helper()
	if err := os.Remove(f.path(name)); err != nil {
		f.t.Fatal(err)
	}
}

func (f folder) exchange(a, b string) {
	f.t.Helper()
	x, y := f.read(a), f.read(b)
	f.write(a, y)
	f.write(b, x)
}

func sum(text []byte) string {
	s := sha256.Sum256(text)
	return hex.EncodeToString(s[:])
}

// raw changes raw records and makes the chain good again.
func (f folder) raw(change func(*archive.Record)) {
	f.t.Helper()
	previous := ""
	for cut := range uint64(cuts) {
		r, err := archive.Read(f.path("raw"), "main", cut)
		if err != nil {
			f.t.Fatal(err)
		}
		change(r)
		r.Previous = previous
		text, err := r.Encode()
		if err != nil {
			f.t.Fatal(err)
		}
		f.write("raw/"+r.Name(), text)
		previous = sum(text)
	}
}

// reduced changes commit records and makes the chain good again.
func (f folder) reduced(change func(*segment.CommitRecord)) {
	f.t.Helper()
	previous := ""
	for cut := range uint64(cuts) {
		name := "r1/" + segment.CommitRecord{Group: "main", Cut: cut}.Name()
		r, err := segment.ReadCommit(f.path(name))
		if err != nil {
			f.t.Fatal(err)
		}
		change(&r)
		r.Previous = previous
		text, err := r.Encode()
		if err != nil {
			f.t.Fatal(err)
		}
		f.write(name, text)
		previous = sum(text)
	}
}

// rewrite changes the rows of a segment of cut 1 as a program with a fault might
// have written them: sums, record and chain are right.
func (f folder) rewrite(source string, change func(*segment.Batch) segment.Batch, metadata func(m [][2]string)) {
	f.t.Helper()
	name := "main.00000001." + source + ".arrow"
	f.reduced(func(r *segment.CommitRecord) {
		for i, file := range r.Files {
			if file.Name != name {
				continue
			}
			s, err := segment.ReadCommitted(f.path("r1"), file)
			if err != nil {
				f.t.Fatal(err)
			}
			metadata(s.Metadata)
			w, err := segment.Create(disk.At(f.path("r1")), name, s.Fields, s.Metadata, 4096)
			if err != nil {
				f.t.Fatal(err)
			}
			for {
				b, err := s.Next()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					f.t.Fatal(err)
				}
				if err := w.Append(change(b)); err != nil {
					f.t.Fatal(err)
				}
			}
			if r.Files[i], err = w.Commit(); err != nil {
				f.t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				f.t.Fatal(err)
			}
		}
	})
}

func asItIs(b *segment.Batch) segment.Batch { return *b }
func noChange([][2]string)                  {}

// rearchive makes the archive anew with a fault in it.
func (f folder) rearchive(change func(cut uint64, i worker.Item, add func(worker.Item))) {
	f.t.Helper()
	if err := os.Rename(f.path("raw"), f.path("old")); err != nil {
		f.t.Fatal(err)
	}
	if err := os.Mkdir(f.path("raw"), 0o755); err != nil {
		f.t.Fatal(err)
	}
	again(f.t, f.path("old"), f.path("raw"), change)
}

func flip(text []byte, at int) []byte {
	text = slices.Clone(text)
	text[at] ^= 4
	return text
}

// Each planted damage is named, by kind and file, and nothing else is but what
// follows from it.
func TestPlantedDamages(t *testing.T) {
	sound, other := t.TempDir(), t.TempDir()
	fill(t, sound, beam)
	otherBeam := strings.Replace(beam, "2.08", "2.09", 1)
	fill(t, other, otherBeam)
	const (
		node0, node1, node3  = "r1/main.00000000.node.arrow", "r1/main.00000001.node.arrow", "r1/main.00000003.node.arrow"
		raw1                 = "raw/main.00000001.node.arrow"
		cut0, cut1, cut2     = "r1/main.00000000.commit.json", "r1/main.00000001.commit.json", "r1/main.00000002.commit.json"
		cut3, cut4           = "r1/main.00000003.commit.json", "r1/main.00000004.commit.json"
		rawCut0, rawCut1     = "raw/main.00000000.commit.json", "raw/main.00000001.commit.json"
		rawCut2, rawCut3     = "raw/main.00000002.commit.json", "raw/main.00000003.commit.json"
		logger0, logger1     = "r1/main.00000000.logger.arrow", "r1/main.00000001.logger.arrow"
		frameToPlant, inCut1 = 26, 1
	)
	is := func(kind verify.Kind, file string) string { return string(kind) + ": " + file }
	for _, c := range []struct {
		name  string
		plant func(f folder)
		want  []string
		tests string // test file that is kept; "" for the right one
	}{
		{"flipped byte in a batch", func(f folder) { b := f.read(node1); f.write(node1, flip(b, len(b)/2)) }, []string{is(verify.FileChanged, node1)}, ""},
		{"flipped byte in a schema", func(f folder) { f.write(raw1, flip(f.read(raw1), 100)) }, []string{is(verify.FileChanged, raw1)}, ""},
		{"flipped byte in a commit record", func(f folder) {
			b := f.read(cut0)
			f.write(cut0, flip(b, strings.Index(string(b), `"calibration": "`)+20))
		},
			[]string{is(verify.Chain, cut0), is(verify.Constants, cut0)}, ""},
		{"flipped byte in the state of the newest raw record", func(f folder) {
			b := f.read(rawCut3)
			f.write(rawCut3, flip(b, strings.Index(string(b), `"Newest":`)+12))
		},
			[]string{is(verify.RecordUnreadable, rawCut3)}, ""},
		{"missing commit record", func(f folder) { f.remove(cut1) }, []string{is(verify.RecordMissing, cut1)}, ""},
		{"missing raw commit record", func(f folder) { f.remove(rawCut1) }, []string{is(verify.RecordMissing, rawCut1)}, ""},
		{"missing first records", func(f folder) { f.remove(cut0); f.remove(cut1) }, []string{is(verify.RecordMissing, cut0), is(verify.RecordMissing, cut1)}, ""},
		{"missing newest reduced record", func(f folder) { f.remove(cut3) }, []string{is(verify.RecordMissing, cut3)}, ""},
		{"two newest raw records missing", func(f folder) { f.remove(rawCut2); f.remove(rawCut3) }, []string{is(verify.RecordMissing, rawCut2), is(verify.RecordMissing, rawCut3)}, ""},
		{"doubled commit record", func(f folder) {
			f.write("raw/main.00000004.commit.json", f.read(rawCut3))
			f.write(cut4, f.read(cut3))
		}, []string{is(verify.RecordDoubled, "raw/main.00000004.commit.json"), is(verify.RecordDoubled, cut4)}, ""},
		{"doubled under another name", func(f folder) { f.write("r1/main.00000001.commit (copy).json", f.read(cut1)) },
			[]string{is(verify.RecordDoubled, "r1/main.00000001.commit (copy).json")}, ""},
		{"exchanged commit records", func(f folder) { f.exchange(cut0, cut1) }, []string{is(verify.RecordDoubled, cut0), is(verify.RecordDoubled, cut1)}, ""},
		{"swapped segments", func(f folder) { f.exchange(node0, node1) }, []string{is(verify.FileSwapped, node0), is(verify.FileSwapped, node1)}, ""},
		{"swapped segments of two sources", func(f folder) { f.exchange(node0, logger0) }, []string{is(verify.FileSwapped, node0), is(verify.FileSwapped, logger0)}, ""},
		{"swapped in the records too", func(f folder) {
			f.exchange(logger0, logger1)
			var first segment.File
			f.reduced(func(r *segment.CommitRecord) {
				if r.Cut > 1 {
					return
				}
				file := &r.Files[0] // the logger's
				if r.Cut == 0 {
					second, err := segment.ReadCommit(f.path(cut1))
					if err != nil {
						t.Fatal(err)
					}
					first, *file = *file, second.Files[0]
					file.Name = filepath.Base(logger0)
				} else {
					*file = first
					file.Name = filepath.Base(logger1)
				}
			})
		}, []string{is(verify.FileForeign, logger0), is(verify.FileForeign, logger1)}, ""},
		{"dropped frame", func(f folder) {
			f.rearchive(func(cut uint64, i worker.Item, add func(worker.Item)) {
				if i.Place != frameToPlant {
					add(i)
				}
			})
		}, []string{is(verify.FrameDropped, rawCut1)}, ""},
		{"dropped frames at the end of a cut", func(f folder) {
			f.raw(func(r *archive.Record) {
				if r.Cut == inCut1 {
					r.Last -= 2
					r.Journal.Last -= 2
				}
			})
		}, []string{is(verify.FrameDropped, "raw/main.00000002.commit.json"), is(verify.FrameDoubled, rawCut1), is(verify.JournalRange, rawCut1), is(verify.JournalRange, rawCut2),
			is(verify.RecordUnreadable, rawCut1)}, ""},
		{"doubled frame", func(f folder) {
			f.rearchive(func(cut uint64, i worker.Item, add func(worker.Item)) {
				add(i)
				if i.Place == frameToPlant {
					i.Place++
					add(i)
				}
			})
		}, []string{is(verify.FrameDoubled, rawCut1), is(verify.FrameDoubled, rawCut1)}, ""},
		{"frame of an earlier cut again", func(f folder) {
			f.raw(func(r *archive.Record) {
				if r.Cut == inCut1 {
					r.Runs[len(r.Runs)-1].Number -= 3
				}
			})
		}, []string{is(verify.FrameDoubled, rawCut1)}, ""},
		{"record that says a frame more", func(f folder) {
			f.raw(func(r *archive.Record) {
				if r.Cut == inCut1 {
					r.Runs[len(r.Runs)-1].Frames++
				}
			})
		}, []string{is(verify.FrameDropped, raw1)}, ""},
		{"changed constant in the test file", func(folder) {},
			[]string{is(verify.Constants, cut0), is(verify.Constants, cut1), is(verify.Result, cut2), is(verify.Constants, cut3)}, otherBeam},
		{"changed constant in a segment", func(f folder) {
			f.rewrite("node", asItIs, func(m [][2]string) {
				for i := range m {
					if m[i][0] == "calibration" {
						m[i][1] = strings.Repeat("0", 64)
					}
				}
			})
		}, []string{is(verify.Constants, cut1)}, ""},
		{"cut of another revision", func(f folder) {
			o := folder{t, other}
			for _, name := range []string{cut1, node1, logger1} {
				f.write(name, o.read(name))
			}
		}, []string{is(verify.Chain, cut0), is(verify.Chain, cut1), is(verify.Constants, cut1)}, ""},
		{"record of a later form", func(f folder) { f.reduced(func(r *segment.CommitRecord) { r.Version += int(r.Cut) / 3 }) }, []string{is(verify.RecordUnreadable, cut3)}, ""},
		{"record of another test", func(f folder) {
			f.reduced(func(r *segment.CommitRecord) { r.Test += strings.Repeat("s", int(r.Cut)/3) })
		}, []string{is(verify.RecordForeign, cut3)}, ""},
		{"record of another group", func(f folder) {
			f.reduced(func(r *segment.CommitRecord) { r.Group += strings.Repeat("s", int(r.Cut)/3) })
		}, []string{is(verify.RecordForeign, cut3)}, ""},
		{"truncated segment", func(f folder) { f.write(node3, f.read(node3)[:2000]) }, []string{is(verify.FileLength, node3)}, ""},
		{"truncated raw commit record", func(f folder) { f.write(rawCut3, f.read(rawCut3)[:500]) }, []string{is(verify.RecordUnreadable, rawCut3)}, ""},
		{"empty commit record", func(f folder) { f.write(cut3, nil) }, []string{is(verify.RecordUnreadable, cut3)}, ""},
		{"record edited by hand", func(f folder) { f.write(cut3, append(f.read(cut3), ' ')) }, []string{is(verify.RecordUnreadable, cut3)}, ""},
		{"replaced journal", func(f folder) {
			f.raw(func(r *archive.Record) {
				if r.Cut > 1 {
					r.Journal.Identity = "journal-2"
				}
			})
		}, []string{is(verify.JournalReplaced, rawCut2)}, ""},
		{"messages in no cut", func(f folder) {
			f.raw(func(r *archive.Record) {
				if r.Cut > 1 {
					r.Journal.First += 3
					r.Journal.Last += 3
				} else if r.Cut == 1 {
					r.Refused = append(r.Refused, worker.Refused{Sequence: 4, Reason: "unfit"})
				}
			})
		}, []string{is(verify.JournalRange, rawCut1), is(verify.JournalRange, rawCut1), is(verify.JournalRange, rawCut2)}, ""},
		{"missing segment", func(f folder) { f.remove(node1) }, []string{is(verify.FileMissing, node1)}, ""},
		{"segment that nothing lists", func(f folder) { f.write("r1/main.00000001.mast.arrow", f.read(node1)) }, []string{is(verify.FileUnlisted, "r1/main.00000001.mast.arrow")}, ""},
		{"rows that are missing in a segment", func(f folder) {
			f.rewrite("node", func(b *segment.Batch) segment.Batch {
				return cutRows(b, b.Rows-1)
			}, noChange)
		}, []string{is(verify.Rows, node1), is(verify.Samples, node3), is(verify.Result, node1)}, ""},
		{"sample that is counted twice", func(f folder) {
			f.rewrite("node", func(b *segment.Batch) segment.Batch {
				c := *b
				c.Counter = slices.Clone(b.Counter)
				c.Counter[30]--
				return c
			}, noChange)
		}, []string{is(verify.Samples, node1), is(verify.Result, node1)}, ""},
		{"changed result", func(f folder) {
			f.rewrite("node", func(b *segment.Batch) segment.Batch {
				c := *b
				c.Columns = slices.Clone(b.Columns)
				c.Columns[0].Float = slices.Clone(b.Columns[0].Float)
				c.Columns[0].Float[30] *= 1 + 1e-15
				return c
			}, noChange)
		}, []string{is(verify.Result, node1)}, ""},
		{"changed zero in a record", func(f folder) {
			f.reduced(func(r *segment.CommitRecord) {
				for i := range r.Zeros {
					if r.Cut == 1 {
						*r.Zeros[i].Ratio *= 1.5
					}
				}
			})
		}, []string{is(verify.Result, cut1)}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := folder{t, t.TempDir()}
			if err := os.CopyFS(f.dir, os.DirFS(sound)); err != nil {
				t.Fatal(err)
			}
			c.plant(f)
			test := beam
			if c.tests != "" {
				test = c.tests
			}
			report := walk(t, options(f.dir, testOf(t, test)))
			var got []string
			for _, d := range report.Damages {
				got = append(got, is(d.Kind, d.File))
				if d.Found == "" || d.Do == "" {
					t.Errorf("%+v says too little", d)
				}
			}
			slices.Sort(got)
			slices.Sort(c.want)
			if !slices.Equal(got, c.want) {
				t.Errorf("found:\n%s\nnotes: %s\nwant: %q", lines(report.Damages), lines(report.Notes), c.want)
			}
		})
	}
}

func lines[T any](all []T) string {
	var b strings.Builder
	for _, a := range all {
		fmt.Fprintf(&b, "  %v\n", a)
	}
	return b.String()
}

func cutRows(b *segment.Batch, rows int) segment.Batch {
	c := segment.Batch{Rows: rows, Time: b.Time[:rows], Counter: b.Counter[:rows]}
	for _, column := range b.Columns {
		if column.Float != nil {
			column.Float = column.Float[:rows]
		} else {
			column.Flags = column.Flags[:rows]
		}
		c.Columns = append(c.Columns, column)
	}
	return c
}

// What a stop in the middle of a cut leaves is no damage, and is said.
func TestUnfinishedCutIsNoDamage(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, beam)
	f := folder{t, dir}
	f.remove("raw/main.00000003.commit.json")
	f.write("raw/.main.00000004.node.arrow.tmp-1-2", []byte("half"))
	f.write("r1/notes.txt", []byte("mine"))
	report := walk(t, options(dir, testOf(t, beam)))
	if len(report.Damages) > 0 {
		t.Errorf("damages:\n%s", lines(report.Damages))
	}
	for _, want := range []string{"main.00000003.commit.json", "raw/main.00000003.node.arrow", "raw/main.00000003.logger.arrow", "tmp-1-2", "r1/notes.txt"} {
		if !slices.ContainsFunc(report.Notes, func(n string) bool { return strings.Contains(n, want) }) {
			t.Errorf("no note of %s:\n%s", want, lines(report.Notes))
		}
	}
}

// Segments alone, as reduce leaves them, are checked too; a folder without any
// is none of ours.
func TestFolderWithoutArchive(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, beam)
	f := folder{t, dir}
	o := verify.Options{Reduced: f.path("r1")}
	if report := walk(t, o); len(report.Damages) > 0 || len(report.Groups) != 1 || report.Groups[0].Files != 6 {
		t.Errorf("%+v", report)
	}
	f.remove("r1/main.00000003.node.arrow")
	if report := walk(t, o); len(report.Damages) != 1 || report.Damages[0].File != "main.00000003.node.arrow" {
		t.Errorf("%+v", report)
	}
	if _, err := verify.Walk(t.Context(), verify.Options{Reduced: t.TempDir()}); !errors.Is(err, verify.ErrNothing) {
		t.Errorf("an empty folder: %v", err)
	}
	if _, err := verify.Walk(t.Context(), verify.Options{Reduced: f.path("none")}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no folder: %v", err)
	}
}

// What another program version made may differ in its last bits, but no more.
func TestAnotherProgramVersion(t *testing.T) {
	for factor, damages := range map[float64]int{1 + 1e-15: 0, 1 + 1e-9: 1} {
		dir := t.TempDir()
		fill(t, dir, beam)
		folder{t, dir}.rewrite("node", func(b *segment.Batch) segment.Batch {
			c := *b
			c.Columns = slices.Clone(b.Columns)
			c.Columns[0].Float = slices.Clone(b.Columns[0].Float)
			c.Columns[0].Float[30] *= factor
			return c
		}, noChange)
		o := options(dir, testOf(t, beam))
		o.Program.Version = "later"
		report := walk(t, o)
		if len(report.Damages) != damages || len(report.Notes) != 1-damages {
			t.Errorf("factor %v: damages:\n%s\nnotes:\n%s", factor, lines(report.Damages), lines(report.Notes))
		}
	}
}

// A calibration that the journal names holds from its cut on; results that were
// made with the other one are named, though its test file is kept as well.
func TestCalibrationsInTheJournal(t *testing.T) {
	dir := t.TempDir()
	later := strings.Replace(beam, "2.08", "2.11", 1)
	tests := []verify.Test{{Digest: earlyDigest, Plans: plansOf(t, beam)}, {Digest: lateDigest, Plans: plansOf(t, later)}}
	fillFrom(t, dir, beam, recalibrated(t, lateDigest), func(digest string) *group.Plan {
		for _, test := range tests {
			if test.Digest == digest {
				return test.Plans[0]
			}
		}
		return nil
	})
	report := walk(t, options(dir, tests...))
	if len(report.Damages) > 0 || len(report.Notes) != 1 || !strings.Contains(report.Notes[0], "main.00000003.commit.json: other constants from here on") {
		t.Errorf("damages:\n%s\nnotes:\n%s", lines(report.Damages), lines(report.Notes))
	}
	const cut3 = "main.00000003.commit.json"
	for _, c := range []struct {
		name  string
		tests []verify.Test
		want  string
	}{
		{"without the later test file", tests[:1], "r1/" + cut3},
		{"exchanged test files", []verify.Test{tests[0], {Digest: lateDigest, Plans: tests[0].Plans}, {Digest: "x", Plans: tests[1].Plans}}, "r1/" + cut3},
	} {
		report := walk(t, options(dir, c.tests...))
		if len(report.Damages) != 1 || report.Damages[0].Kind != verify.Constants || report.Damages[0].File != c.want {
			t.Errorf("%s:\n%s", c.name, lines(report.Damages))
		}
	}
	folder{t, dir}.raw(func(r *archive.Record) {
		if r.Cut == 3 {
			r.Calibration = earlyDigest
		}
	})
	report = walk(t, options(dir, tests...))
	if !slices.ContainsFunc(report.Damages, func(d verify.Damage) bool { return d.Kind == verify.Constants && d.File == "raw/"+cut3 }) {
		t.Errorf("a record that names another calibration:\n%s", lines(report.Damages))
	}
}

// Groups of one test share the folders and are walked apart.
func TestTwoGroups(t *testing.T) {
	dir := t.TempDir()
	hall := strings.NewReplacer("rate: 10 Hz,", "rate: 10 Hz, group: hall,", "rate: 1 Hz,", "rate: 1 Hz, group: hall,").Replace(beam)
	fill(t, dir, beam)
	fill(t, dir, hall)
	o := options(dir, verify.Test{Plans: append(plansOf(t, beam), plansOf(t, hall)...)})
	if report := walk(t, o); len(report.Damages) > 0 || len(report.Notes) > 0 || len(report.Groups) != 4 || report.Groups[0].Name != "hall" || report.Groups[1].Recomputed != cuts {
		t.Errorf("%+v", report)
	}
	f := folder{t, dir}
	f.exchange("r1/hall.00000001.node.arrow", "r1/main.00000001.node.arrow")
	f.exchange("r1/hall.00000000.commit.json", "r1/main.00000000.commit.json")
	var got []string
	for _, d := range walk(t, o).Damages {
		got = append(got, string(d.Kind)+" "+d.File)
	}
	want := []string{
		string(verify.RecordForeign) + " r1/hall.00000000.commit.json", string(verify.RecordForeign) + " r1/main.00000000.commit.json",
		string(verify.FileSwapped) + " r1/hall.00000001.node.arrow", string(verify.FileSwapped) + " r1/main.00000001.node.arrow",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
