package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/printable"
	"glueline/sinks/export"
	"glueline/sinks/segment"
)

type exportCommand struct {
	Results  string   `arg:"" name:"folder" help:"The data folder of a service, one of its revisions, or the results of a reduction."`
	Out      string   `required:"" placeholder:"FOLDER" help:"New folder for the tables, a file a source, and export.json, which says what they hold."`
	Format   string   `enum:"csv,parquet" default:"csv" help:"csv or parquet."`
	Channels []string `help:"These channels, rosettes, temperatures and quantities only."`
	From     string   `placeholder:"TIME" help:"From this time on, for example 2026-05-04T06:00:00Z."`
	To       string   `placeholder:"TIME" help:"Up to this one."`
	Every    string   `placeholder:"N|TIME" help:"Put rows together, so many (100) or those of a stretch of time (10s): least, largest and mean, and how many the mean is of."`
	Flagged  string   `enum:",keep,null,drop" default:"" help:"What becomes of values that a flag leaves out: keep (with their flags beside them), null (left empty), drop (rows with none left are dropped too). By default keep, and null where rows are put together."`
	Units    string   `enum:"si,practical" default:"si" help:"si: m/m, Pa, rad, as in the segments; practical: um/m, MPa, deg."`
	Tare     string   `placeholder:"NAME" help:"Subtract each strain's and stress's mean over --tare-from to --tare-to. The columns carry this name."`
	TareFrom string   `placeholder:"TIME" help:"Beginning of that stretch."`
	TareTo   string   `placeholder:"TIME" help:"And its end."`
	Quiet    bool     `short:"q" help:"No progress bar."`
}

// Run writes tables for other programs. The folder appears whole or not at all.
func (c *exportCommand) Run(ctx context.Context, s streams) (err error) {
	o, err := c.options()
	if err != nil {
		return err
	}
	if entries, err := os.ReadDir(c.Out); err == nil && len(entries) > 0 {
		return fmt.Errorf("--out %s: it holds something already; name a new folder", c.Out)
	}
	r, err := openResults(c.Results)
	if err != nil {
		return err
	}
	sources := exportedSources(r)
	said, chosen, total, err := c.describe(r, sources, o)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(parentOf(c.Out), 0o755); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	partial, err := os.MkdirTemp(parentOf(c.Out), ".export-*")
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(partial))
		}
	}()
	bar := newProgress(s.err, "exporting", c.Quiet)
	defer bar.Close()
	bar.Begin(total)
	var done int64
	o.Done = func(bytes int64) { done += bytes; bar.Set(done) }
	for _, source := range chosen {
		table, err := c.table(ctx, partial, source, o, said)
		if errors.Is(err, context.Canceled) {
			return errInterrupted
		}
		if err != nil {
			return err
		}
		said.Tables = append(said.Tables, *table)
	}
	bar.Close()
	text, err := json.MarshalIndent(said, "", "  ")
	if err == nil {
		err = writeSynced(filepath.Join(partial, "export.json"), append(text, '\n'))
	}
	if err == nil {
		err = publish(partial, c.Out)
	}
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	said.print(s.out, c.Out)
	return nil
}

// options reads the command line.
func (c *exportCommand) options() (o export.Options, err error) {
	read := func(flag, text string) int64 {
		if text == "" {
			return 0
		}
		at, e := instantOf(text)
		if e != nil {
			err = errors.Join(err, fmt.Errorf("%s: %w", flag, e))
		}
		return at
	}
	o.From, o.To = read("--from", c.From), read("--to", c.To)
	if c.Tare != "" || c.TareFrom != "" || c.TareTo != "" {
		o.Tare = &export.Tare{Name: c.Tare, From: read("--tare-from", c.TareFrom), To: read("--tare-to", c.TareTo)}
		if strings.TrimSpace(c.Tare) == "" || c.TareFrom == "" || c.TareTo == "" || o.Tare.From >= o.Tare.To && err == nil {
			err = errors.Join(err, errors.New("a tare has a name and a stretch: --tare NAME --tare-from TIME --tare-to TIME"))
		}
	}
	if c.From != "" && c.To != "" && o.From >= o.To && err == nil {
		err = fmt.Errorf("--from %s is not before --to %s", c.From, c.To)
	}
	if c.Every != "" {
		if n, bad := strconv.Atoi(c.Every); bad == nil {
			o.Rows = n
		} else if o.Every, bad = time.ParseDuration(c.Every); bad != nil {
			err = errors.Join(err, fmt.Errorf("--every %s; write a number of rows, 100, or a time with its unit, 10s", c.Every))
		}
		if err == nil && o.Rows < 2 && o.Every <= 0 {
			err = fmt.Errorf("--every %s puts nothing together; write at least 2 rows, or a time", c.Every)
		}
	}
	switch cmp.Or(c.Flagged, map[bool]string{true: "null", false: "keep"}[c.Every != ""]) {
	case "null":
		o.Flagged = export.Null
	case "drop":
		o.Flagged = export.Drop
	}
	o.Practical = c.Units == "practical"
	if len(c.Channels) > 0 {
		o.Want = func(of string) bool { return slices.Contains(c.Channels, of) }
	}
	return o, err
}

// exportedSources finds the sources of a folder, with their groups, by the names of files.
func exportedSources(r *results) (all []exportSource) {
	for _, g := range r.groups {
		for _, f := range g.files {
			name := segment.SourceOf(f.Name)
			at := slices.IndexFunc(all, func(x exportSource) bool { return x.Name == name })
			if at < 0 {
				at = len(all)
				all = append(all, exportSource{export.Source{Name: name, Dir: r.dir}, g.name})
			}
			all[at].Files = append(all[at].Files, f)
		}
	}
	return all
}

type exportSource struct {
	export.Source
	group string
}

// saidExport is what export.json says.
type saidExport struct {
	Folder   string          `json:"folder"`
	Draft    string          `json:"draft,omitempty"`
	Program  string          `json:"program"`
	Format   string          `json:"format"`
	From     string          `json:"from,omitempty"` // as it was asked for
	To       string          `json:"to,omitempty"`
	Every    string          `json:"every,omitempty"`
	Flagged  string          `json:"flagged"`
	Tare     *saidTare       `json:"tare,omitempty"`
	Tables   []saidTable     `json:"tables"`
	Zeros    []segment.Zero  `json:"zeros"` // that strain and stress are counted from
	Bits     []saidFlag      `json:"flags"`
	Note     string          `json:"note"`
	channels map[string]bool // that are in a table
}

type saidTare struct {
	Name string `json:"name"`
	From string `json:"from"`
	To   string `json:"to"`
}

type saidFlag struct {
	Bit       int    `json:"bit"`
	Name      string `json:"name"`
	Meaning   string `json:"meaning"`
	LeavesOut bool   `json:"leaves_out"`
}

type saidTable struct {
	File      string          `json:"file"`
	Source    string          `json:"source"`
	Group     string          `json:"group"`
	Rows      int64           `json:"rows"`
	First     string          `json:"first,omitempty"`
	Last      string          `json:"last,omitempty"`
	Dropped   int64           `json:"rows_dropped,omitempty"`
	Left      []string        `json:"columns_without_tare,omitempty"` // left out: a difference of theirs is not that of what they are made from
	Constants []string        `json:"constants"`                      // digests
	Columns   []export.Column `json:"columns"`
}

const exportSays = "Strain and stress are changes since the zero in force; dead load, residual and assembly stress are not in them. Glueline monitors; it is not a protective system."

// describe says what is going to be exported, and chooses the sources.
func (c *exportCommand) describe(r *results, sources []exportSource, o export.Options) (said *saidExport, chosen []exportSource, total int64, err error) {
	said = &saidExport{Folder: r.dir, Draft: saysDraft(c.Results), Program: program().Version, Format: c.Format, From: c.From, To: c.To, Every: c.Every,
		Flagged: [...]string{"keep", "null", "drop"}[o.Flagged], Tables: []saidTable{}, Zeros: []segment.Zero{}, Note: exportSays, channels: map[string]bool{}}
	if o.Tare != nil {
		said.Tare = &saidTare{o.Tare.Name, stamp(o.Tare.From), stamp(o.Tare.To)}
	}
	for bit, f := range flag.All() {
		said.Bits = append(said.Bits, saidFlag{bit, f.Name, f.Meaning, f.LeavesOut})
	}
	for _, source := range sources {
		columns, err := export.Columns(source.Source, o)
		if errors.Is(err, export.ErrNothing) {
			continue
		}
		if err != nil {
			return nil, nil, 0, err
		}
		for _, x := range columns {
			said.channels[x.Of] = true
		}
		chosen = append(chosen, source)
		for _, f := range source.Files {
			total += f.Bytes
		}
	}
	for _, name := range c.Channels {
		if !said.channels[name] {
			return nil, nil, 0, fmt.Errorf("no channel %q in %s in that time", name, r.dir)
		}
	}
	if len(chosen) == 0 {
		return nil, nil, 0, fmt.Errorf("%s has nothing from %s to %s", r.dir, cmp.Or(c.From, "the beginning"), cmp.Or(c.To, "the end"))
	}
	return said, chosen, total, said.learnZeros(r.dir)
}

// learnZeros takes the zeros of the exported channels, each once.
func (e *saidExport) learnZeros(dir string) error {
	paths, err := filepath.Glob(filepath.Join(dir, "*.commit.json"))
	if err != nil {
		return err
	}
	known := map[string]bool{}
	for _, path := range paths {
		record, err := segment.ReadCommit(path)
		if err != nil {
			return err
		}
		for _, z := range append(record.Zeros, record.OtherZeros...) {
			key := fmt.Sprintf("%s|%s|%d|%d", z.Channel, z.Name, z.From, z.To)
			if e.channels[z.Channel] && !known[key] {
				known[key] = true
				e.Zeros = append(e.Zeros, z)
			}
		}
	}
	return nil
}

// table writes the table of one source.
func (c *exportCommand) table(ctx context.Context, dir string, source exportSource, o export.Options, said *saidExport) (out *saidTable, err error) {
	name := source.Name + "." + c.Format
	f, err := os.OpenFile(filepath.Join(dir, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, fmt.Errorf("export: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	table := export.CSV(f)
	if c.Format == "parquet" {
		table = export.Parquet(f)
	}
	report, err := export.Write(ctx, source.Source, table, o)
	if err != nil {
		return nil, fmt.Errorf("export %s: %w", name, err)
	}
	out = &saidTable{File: name, Source: source.Name, Group: source.group, Rows: report.Rows, First: stamp(report.First), Last: stamp(report.Last),
		Dropped: report.Dropped, Left: report.Left, Constants: report.Constant, Columns: report.Columns}
	about := *said
	about.Tables = []saidTable{*out}
	text, err := json.Marshal(&about)
	if err != nil {
		return nil, err
	}
	if err := table.Close([][2]string{{"glueline", string(text)}}); err != nil {
		return nil, fmt.Errorf("export %s: %w", name, err)
	}
	if err := f.Sync(); err != nil {
		return nil, fmt.Errorf("export %s: %w", name, err)
	}
	return out, nil
}

func (e *saidExport) print(w io.Writer, dir string) {
	t := table{head: []string{"file", "rows", "columns", "from", "to"}, right: []bool{false, true, true, true, true}}
	for _, x := range e.Tables {
		first, last := "-", "-"
		if x.Rows > 0 {
			first, last = x.First, x.Last
		}
		t.rows = append(t.rows, []string{filepath.Join(dir, x.File), strconv.FormatInt(x.Rows, 10), strconv.Itoa(len(x.Columns)), first, last})
	}
	t.write(w)
	for _, x := range e.Tables {
		if x.Dropped > 0 {
			fmt.Fprintf(w, "%s: %s dropped for their flags.\n", x.File, count(int(x.Dropped), "row"))
		}
		if len(x.Left) > 0 {
			fmt.Fprintf(w, "%s: a tare has no meaning for %s; left out.\n", x.File, printable.Text(some(x.Left)))
		}
	}
	fmt.Fprintln(w, exportSays)
	if e.Draft != "" {
		fmt.Fprintln(w, e.Draft)
	}
}
