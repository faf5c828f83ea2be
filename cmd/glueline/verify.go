package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/journal"
	"glueline/pipeline/printable"
	"glueline/sinks/archive"
	"glueline/sinks/segment"
	"glueline/sinks/verify"
)

type verifyCommand struct {
	Dir       string `arg:"" help:"Data folder of serve, or results folder of reduce."`
	Recompute bool   `help:"Reduce the raw archive again and compare every byte; needs a data folder."`
	Test      string `help:"Test file that the results were made with; by default those that serve kept in the data folder."`
	Journal   string `help:"Folder of the embedded journal, for example DIR/journal: is it the one that the archive goes on from? The service must be stopped."`
	Revision  string `help:"The revision to look at; by default the one that holds." placeholder:"REVISION"`
	Quiet     bool   `short:"q" help:"Damages only: no progress bar, table or notes."`
}

// Run looks at everything and ends with status 1 when anything is wrong.
func (c *verifyCommand) Run(ctx context.Context, s streams) error {
	o := verify.Options{Reduced: c.Dir, Program: program(), Recompute: c.Recompute, Temporary: c.Dir}
	if !folderIsThere(c.Dir) {
		return nothingIn(c.Dir)
	}
	var part *unfinished
	isData := folderIsThere(filepath.Join(c.Dir, rawFolder))
	if isData {
		o.Raw, o.RawLabel = filepath.Join(c.Dir, rawFolder), rawFolder+"/"
		current, err := currentRevision(c.Dir)
		if err != nil {
			return err
		}
		name := cmp.Or(c.Revision, current)
		if name != current { // serve goes on in another
			o.Again = fmt.Sprintf("run glueline rereduce %s --go-on %s", c.Dir, name)
		}
		o.Reduced, o.ReducedLabel = filepath.Join(c.Dir, name), name+"/"
		if c.Revision != "" && (!event.IsRevision(name) || !isFolder(o.Reduced)) {
			return fmt.Errorf("%s has no revision %q; glueline calibrations %s lists them", c.Dir, name, c.Dir)
		}
		if o.Timelines, err = timelinesOf(c.Dir, name); err != nil {
			return err
		}
		if o.Ends, err = endsOf(c.Dir, name); err != nil {
			return err
		}
		if part, err = unfinishedOf(o.Reduced); err != nil {
			return err
		}
		if part != nil { // what is not made yet is not damaged
			o.Part = true
			for group, made := range part.ends {
				o.Ends[group] = made
			}
		}
		o.NoJournal = !c.mayCome()
	} else if c.Recompute || c.Journal != "" {
		return fmt.Errorf("%s has no %s folder: without raw frames nothing can be reduced again, and no journal belongs to it", c.Dir, rawFolder)
	}
	var err error
	if o.Tests, err = c.tests(s.err); err != nil {
		return err
	}
	if c.Recompute && len(o.Tests) == 0 {
		return fmt.Errorf("%s keeps no test file; give the one that the results were made with by --test", c.Dir)
	}
	total, err := verify.Size(o)
	if err != nil {
		return err
	}
	bar := newProgress(s.err, "verifying", c.Quiet)
	defer bar.Close()
	bar.Begin(total)
	o.Progress = bar.Set
	began := time.Now()
	report, err := verify.Walk(ctx, o)
	if errors.Is(err, verify.ErrNothing) {
		return c.nothing(s.out, o)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", c.Dir, err)
	}
	if c.Journal != "" {
		damages, err := c.journal(ctx, report, o)
		if err != nil {
			return err
		}
		report.Damages = append(report.Damages, damages...)
	}
	bar.Close()
	c.print(s.out, report, time.Since(began))
	if len(report.Damages) > 0 {
		return errReported
	}
	if part != nil {
		return part
	}
	return nil
}

// mayCome says whether what is not committed may come from a journal yet: from one
// in the folder or one that was named, or a service is at work, whose journal may be
// elsewhere.
func (c *verifyCommand) mayCome() bool {
	if c.Journal != "" || folderIsThere(filepath.Join(c.Dir, journalFolder)) {
		return true
	}
	unlock, err := lockFolder(c.Dir)
	if err == nil {
		unlock()
	}
	return errors.Is(err, errInUse)
}

// nothing says that nothing is committed yet, which is no damage, unless files are
// there that nobody will end.
func (c *verifyCommand) nothing(w io.Writer, o verify.Options) error {
	if o.Raw == "" {
		return nothingIn(c.Dir)
	}
	where := "What came is in the journal"
	if o.NoJournal {
		files, err := filepath.Glob(filepath.Join(o.Raw, "*.arrow"))
		if err != nil || len(files) > 0 {
			return nothingIn(c.Dir)
		}
		where = "No journal is there: it is where serve was told by --journal or --nats; if it was told nothing, what came is lost"
	}
	if !c.Quiet {
		fmt.Fprintf(w, "%s: nothing is committed yet, and nothing is damaged: the first files are not ended. %s.\n", printable.Text(c.Dir), where)
	}
	return nil
}

func folderIsThere(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// tests are the test files to compare with.
func (c *verifyCommand) tests(warn io.Writer) ([]verify.Test, error) {
	if c.Test != "" {
		plans, err := plansOf(c.Test)
		return []verify.Test{{Plans: plans}}, err
	}
	tests, err := keptTests(c.Dir)
	if err != nil {
		fmt.Fprintf(warn, "glueline: a kept test file cannot be read, and is passed over: %s\n", printable.Lines(err.Error()))
	}
	return tests, nil
}

// journal compares the journal of every group with the newest commit record.
func (c *verifyCommand) journal(ctx context.Context, report *verify.Report, o verify.Options) (damages []verify.Damage, err error) {
	if !folderIsThere(c.Journal) {
		return nil, fmt.Errorf("--journal %s: no such folder", c.Journal) // a new journal would be made there
	}
	unlock, err := lockFolder(c.Dir)
	if err != nil {
		return nil, err
	}
	defer unlock()
	log := slog.New(slog.DiscardHandler)
	server, err := journal.Embedded(ctx, journal.ServerOptions{StoreDir: c.Journal, Log: log})
	if err != nil {
		return nil, err
	}
	defer server.Close()
	conn, err := server.Connect(log)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	raw := filepath.Join(c.Dir, rawFolder)
	for _, g := range report.Groups {
		if g.Folder != rawFolder+"/" {
			continue
		}
		newest, err := archive.Newest(raw, g.Name)
		if err != nil || newest == nil {
			continue // it is named already
		}
		j, err := journal.Attach(ctx, conn, newest.Test, g.Name)
		if err == nil {
			_, err = (&liveGroup{journal: j}).from(ctx, newest)
		}
		if err == nil {
			var lost *verify.Damage
			if lost, err = lostCut(ctx, j, newest, o); lost != nil {
				damages = append(damages, *lost)
			}
		}
		switch {
		case errors.Is(err, errContinuity), errors.Is(err, journal.ErrNoJournal):
			damages = append(damages, verify.Damage{
				Kind: verify.JournalReplaced, File: rawFolder + "/" + newest.Name(), Found: err.Error(),
				Do: "find the journal that belongs here; serve does not start with another",
			})
		case err != nil:
			return nil, err
		}
	}
	return damages, nil
}

// lostCut is the damage of results whose raw cut is neither in the archive, of which
// newest is the last, nor in the journal.
func lostCut(ctx context.Context, j *journal.Journal, newest *archive.Record, o verify.Options) (*verify.Damage, error) {
	next := segment.CommitRecord{Group: newest.Group, Cut: newest.Cut + 1}.Name()
	if _, err := os.Stat(filepath.Join(o.Reduced, next)); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
		return nil, err
	}
	if _, ended := o.Ends[newest.Group]; ended {
		return nil, nil
	}
	state, err := j.State(ctx)
	if err != nil || state.Last > newest.Journal.Last {
		return nil, err
	}
	return &verify.Damage{
		Kind: verify.RecordMissing, File: o.RawLabel + next,
		Found: fmt.Sprintf("the record of this cut is not there, its results are, and the journal ends with message %d, before it", state.Last),
		Do:    "put the raw files and the record back from a copy of the folder, or find the journal: nothing here can make them again",
	}, nil
}

func (c *verifyCommand) print(w io.Writer, r *verify.Report, took time.Duration) {
	if !c.Quiet {
		t := table{head: []string{"group", "folder", "cuts", "files", "rows", "size", "from", "to", "journal", "reduced again", "damages"},
			right: []bool{false, false, true, true, true, true, false, false, true, true, true}}
		for _, g := range r.Groups {
			from, to, sequences := "-", "-", "-"
			if g.Rows > 0 {
				from, to = moment(g.FirstTime), moment(g.LastTime)
			}
			if g.LastSeq > 0 {
				sequences = fmt.Sprintf("%d-%d", g.FirstSeq, g.LastSeq)
			}
			again := "-"
			if c.Recompute && g.Folder != rawFolder+"/" {
				again = fmt.Sprintf("%d of %d", g.Recomputed, g.Cuts)
			}
			t.rows = append(t.rows, []string{g.Name, cmp.Or(strings.TrimSuffix(g.Folder, "/"), "."), fmt.Sprint(g.Cuts), fmt.Sprint(g.Files), fmt.Sprint(g.Rows), size(g.Bytes),
				from, to, sequences, again, fmt.Sprint(g.Damages)})
		}
		t.write(w)
		fmt.Fprintln(w)
		for _, n := range r.Notes {
			fmt.Fprintf(w, "Note: %s.\n", printable.Text(n))
		}
	}
	for _, d := range r.Damages {
		fmt.Fprintf(w, "%s: %s\n  found: %s\n  to do: %s\n", printable.Text(d.File), d.Kind, printable.Text(d.Found), printable.Text(d.Do))
	}
	switch {
	case len(r.Damages) > 0:
		fmt.Fprintf(w, "%s.\n", count(len(r.Damages), "damage"))
	case !c.Quiet:
		fmt.Fprintf(w, "Everything is as it was written (%.1f s).\n", took.Seconds())
	}
}

// moment is a time for people, in UTC.
func moment(ns int64) string { return time.Unix(0, ns).UTC().Format("2006-01-02 15:04:05Z") }
