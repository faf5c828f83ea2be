package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"glueline/pipeline/flag"
	"glueline/sinks/segment"
)

// reduced is what the segments of one source hold, over all cuts.
type reduced struct {
	fields  []segment.Field // behind time and sample
	time    []int64
	sample  []uint64
	columns map[string][]float64   // by name with unit; NaN where null
	flags   map[string][]flag.Mask // by name
	about   map[string]string      // metadata of the schema
}

// column returns a column that must be there.
func (r *reduced) column(t *testing.T, name string) []float64 {
	t.Helper()
	c, ok := r.columns[name]
	if !ok {
		t.Fatalf("no column %q", name)
	}
	return c
}

// readSegments reads a folder of results, every batch against its checksum.
func readSegments(t *testing.T, dir string) map[string]*reduced {
	t.Helper()
	records, err := filepath.Glob(filepath.Join(dir, "*.commit.json"))
	if err != nil || len(records) == 0 {
		t.Fatalf("%d commit records in %s: %v", len(records), dir, err)
	}
	slices.Sort(records)
	all := map[string]*reduced{}
	for _, path := range records {
		record, err := segment.ReadCommit(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range record.Files {
			appendSegment(t, all, dir, f)
		}
	}
	return all
}

func appendSegment(t *testing.T, all map[string]*reduced, dir string, f segment.File) {
	t.Helper()
	s, err := segment.ReadCommitted(dir, f)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	about := map[string]string{}
	for _, m := range s.Metadata {
		about[m[0]] = m[1]
	}
	r := all[about["source"]]
	if r == nil {
		r = &reduced{fields: s.Fields[2:], about: about, columns: map[string][]float64{}, flags: map[string][]flag.Mask{}}
		all[about["source"]] = r
	}
	for {
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		r.time = append(r.time, b.Time...)
		r.sample = append(r.sample, b.Counter...)
		for i, field := range r.fields {
			if field.Kind == segment.Flags {
				for _, m := range b.Columns[i].Flags {
					r.flags[field.Name] = append(r.flags[field.Name], flag.Mask(m))
				}
			} else {
				r.columns[field.Name] = append(r.columns[field.Name], b.Columns[i].Float...)
			}
		}
	}
}

// glueline runs a command as from a shell, in this process.
func glueline(ctx context.Context, args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(ctx, args, streams{&o, &e})
	return status, o.String(), e.String()
}

// reduceTo reduces raw files into a new folder and returns it.
func reduceTo(t *testing.T, args ...string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "out")
	status, out, errs := glueline(t.Context(), append(append([]string{"reduce"}, args...), "--out", dir, "--quiet")...)
	if status != 0 || out != "" || errs != "" {
		t.Fatalf("status %d: %s%s", status, out, errs)
	}
	return dir
}

// write makes a file in a folder and returns its path.
func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// edit changes a file in one place that must be there.
func edit(t *testing.T, path, old, new string) {
	t.Helper()
	text := read(t, path)
	if !strings.Contains(text, old) {
		t.Fatalf("%s has no %q", path, old)
	}
	if err := os.WriteFile(path, []byte(strings.ReplaceAll(text, old, new)), 0o644); err != nil {
		t.Fatal(err)
	}
}
