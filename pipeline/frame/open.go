package frame

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"glueline/pipeline/frame/arrowipc"
	"glueline/pipeline/testfile"
)

// What raw files call their parts.
const (
	TimeColumn = "time"   // the time column, when the source declares no other as csv.time
	SourceKey  = "source" // schema metadata key, and word in a CSV comment, that names the source
	UnitKey    = "unit"   // field metadata key of an input's unit
)

// rows is an open raw file: its rows in order, a block at a time.
type rows interface {
	next(b *block, limit int) error // io.EOF behind the last row; an error when there is none at all
	done() int64                    // bytes of the file that are behind it
	close() error
}

// rawFile is a raw file that has been looked at and can be opened.
type rawFile struct {
	path    string
	info    os.FileInfo
	source  string
	columns []Column
	first   int64
	open    func() (rows, error)
}

// Open looks at raw files, finds each one's source, and returns the reader
// that merges them all into one order. What is wrong with any of them is
// reported together, as InputErrors.
//
// A path is a file, or NAME=FILE to state its source, which must not contradict
// what the file itself states: the schema metadata key `source` of an Arrow
// file, the comment `# source: NAME` before the header of a CSV file. Where
// neither states one, it is the only source of the test all of whose inputs in
// use the file has.
//
// progress, when not nil, is called by Next with the bytes read so far of
// TotalBytes.
func Open(test *testfile.Test, paths []string, progress func(bytes int64)) (*Reader, error) {
	if len(paths) == 0 {
		return nil, &InputError{File: "raw files", Found: "none", Want: "give at least one CSV or Arrow file"}
	}
	r := &Reader{progress: progress}
	bySource := map[string][]*rawFile{}
	var problems []error
	var files []*rawFile
	for _, path := range paths {
		f, err := lookAt(test, path)
		if err != nil {
			problems = append(problems, err)
			continue
		}
		for _, other := range files {
			if os.SameFile(f.info, other.info) {
				problems = append(problems, &InputError{File: f.path, Found: "the same file twice", Want: "give each raw file once"})
			}
		}
		files = append(files, f)
		bySource[f.source] = append(bySource[f.source], f)
		r.total += f.info.Size()
	}
	for i := range test.Sources.Entries {
		declared := &test.Sources.Entries[i]
		if of := bySource[declared.Name]; of != nil {
			problems = append(problems, alike(of)...)
			r.streams = append(r.streams, newStream(declared.Name, declared.Value.Rate.Value, of))
		}
	}
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	return r, nil
}

// alike sorts the files of one source by time and checks that they have the
// same columns.
func alike(files []*rawFile) (problems []error) {
	slices.SortStableFunc(files, func(a, b *rawFile) int {
		return cmp.Or(cmp.Compare(a.first, b.first), cmp.Compare(a.path, b.path))
	})
	for _, f := range files[1:] {
		same := slices.EqualFunc(f.columns, files[0].columns, func(a, b Column) bool {
			return a.Name == b.Name && a.Unit == b.Unit && (a.Counts == nil) == (b.Counts == nil)
		})
		if !same {
			problems = append(problems, &InputError{File: f.path, Found: "the columns " + describe(f.columns),
				Want: fmt.Sprintf("all files of a source have the same; %s has %s", files[0].path, describe(files[0].columns))})
		}
	}
	return problems
}

func describe(columns []Column) string {
	var names []string
	for _, c := range columns {
		name := headerName(c)
		if c.Counts != nil {
			name += " (integers)"
		}
		names = append(names, name)
	}
	return strings.Join(names, ", ")
}

// lookAt opens one file as far as its header and first row.
func lookAt(test *testfile.Test, argument string) (f *rawFile, err error) {
	source, path := splitArgument(test, argument)
	f = &rawFile{path: path}
	if f.info, err = os.Stat(path); err != nil {
		want := "give the path of a raw file, or SOURCE=PATH"
		if before, after, ok := strings.Cut(argument, "="); ok {
			if _, missing := os.Stat(after); missing == nil {
				want = fmt.Sprintf("no source is called %q; the test file declares %s", before, sourceNames(test))
			}
		}
		return nil, &InputError{File: path, Want: want, Err: err}
	}
	switch {
	case f.info.IsDir():
		return nil, &InputError{File: path, Found: "a directory", Want: "give the raw files in it, one by one or as " + filepath.Join(path, "*")}
	case !f.info.Mode().IsRegular():
		return nil, &InputError{File: path, Found: "no regular file", Want: "give a file; it is read twice"}
	}
	in, err := os.Open(path)
	if err != nil {
		return nil, &InputError{File: path, Err: err}
	}
	var head [8]byte
	n, err := io.ReadFull(in, head[:])
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil // a short file is judged by its reader
	}
	if err := errors.Join(err, in.Close()); err != nil {
		return nil, &InputError{File: path, Err: err}
	}
	if arrowipc.Looks(head[:n]) {
		err = f.lookAtArrow(test, source)
	} else {
		err = f.lookAtCSV(test, source)
	}
	if err != nil {
		return nil, err
	}
	opened, err := f.open()
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, opened.close()) }()
	b := (&blockPool{rows: 1}).get(len(f.columns))
	if err := opened.next(b, 1); err != nil {
		return nil, err
	}
	f.first = b.time[0]
	return f, nil
}

// splitArgument takes SOURCE=PATH apart, where SOURCE is declared.
func splitArgument(test *testfile.Test, argument string) (source, path string) {
	if before, after, ok := strings.Cut(argument, "="); ok {
		if _, declared := test.Sources.Get(before); declared {
			return before, after
		}
	}
	return "", argument
}

func (f *rawFile) lookAtCSV(test *testfile.Test, source string) error {
	p, err := readPreamble(f.path)
	if err != nil {
		return err
	}
	if source, err = f.oneSource(source, p.source, "its comment `# source:`"); err != nil {
		return err
	}
	var form *csvForm
	err = f.identify(test, source, func(s *testfile.Source) ([]Column, error) {
		var err error
		form, err = newCSVForm(f.path, &p, &s.CSV, test.About.Zone.Text)
		if err != nil {
			return nil, err
		}
		return form.columns, nil
	})
	if err != nil {
		return err
	}
	p.sample = nil
	f.columns = form.columns
	f.open = func() (rows, error) {
		in, err := os.Open(f.path)
		if err == nil {
			_, err = in.Seek(p.offset, io.SeekStart)
		}
		if err != nil {
			return nil, &InputError{File: f.path, Err: err}
		}
		return newCSVRows(f.path, in, &p, form), nil
	}
	return nil
}

func (f *rawFile) lookAtArrow(test *testfile.Test, source string) error {
	file, err := arrowipc.Open(f.path)
	if err != nil {
		return &InputError{File: f.path, Want: "give a sound, uncompressed Arrow IPC file", Err: err}
	}
	defer file.Close()
	stated, _ := file.Schema.Metadata.Get(SourceKey)
	if source, err = f.oneSource(source, stated, "its schema metadata `source`"); err != nil {
		return err
	}
	var form *arrowForm
	err = f.identify(test, source, func(s *testfile.Source) ([]Column, error) {
		var err error
		form, err = newArrowForm(f.path, file.Schema, s.CSV.Time.Or(TimeColumn), s.CSV.Zone.Or(test.About.Zone.Text))
		if err != nil {
			return nil, err
		}
		return form.columns, nil
	})
	if err != nil {
		return err
	}
	f.columns = form.columns
	f.open = func() (rows, error) {
		file, err := arrowipc.Open(f.path)
		if err != nil {
			return nil, &InputError{File: f.path, Err: err}
		}
		return newArrowRows(f.path, file, form), nil
	}
	return nil
}

// oneSource is the source that the command line or the file names; where both
// do they must agree, since one source's readings under another's constants
// would look sound.
func (f *rawFile) oneSource(given, stated, where string) (string, error) {
	if given != "" && stated != "" && given != stated {
		return "", &InputError{File: f.path, Found: fmt.Sprintf("the source %q in %s, given as %q", stated, where, given),
			Want: "give the file by its path alone, or correct what it says"}
	}
	return cmp.Or(given, stated), nil
}

// identify finds the file's source. form tells the columns that the file has
// when it is read as a certain source declares; the last call is for the
// source that is found.
func (f *rawFile) identify(test *testfile.Test, stated string, form func(*testfile.Source) ([]Column, error)) error {
	if stated != "" {
		s, ok := test.Sources.Get(stated)
		if !ok {
			return &InputError{File: f.path, Found: fmt.Sprintf("the source %q", stated), Want: "the test file declares " + sourceNames(test)}
		}
		f.source = stated
		_, err := form(s)
		return err
	}
	used := inputsInUse(test)
	var fitting, reasons []string
	for i := range test.Sources.Entries {
		declared := &test.Sources.Entries[i]
		columns, err := form(&declared.Value)
		if err != nil {
			if len(test.Sources.Entries) == 1 {
				return err
			}
			var e *InputError
			if errors.As(err, &e) && e.Found != "" {
				reasons = append(reasons, fmt.Sprintf("%s cannot read it (%s)", declared.Name, e.Found))
			} else {
				reasons = append(reasons, declared.Name+" cannot read it")
			}
			continue
		}
		switch missing := missingInputs(used[declared.Name], columns); {
		case len(used[declared.Name]) == 0:
			reasons = append(reasons, declared.Name+" has no inputs in use")
		case len(missing) > 0:
			reasons = append(reasons, declared.Name+" needs "+strings.Join(missing, ", "))
		default:
			fitting = append(fitting, declared.Name)
		}
	}
	const how = "state it as NAME=FILE, or in the file: a first line `# source: NAME` in CSV, schema metadata `source` in Arrow"
	switch len(fitting) {
	case 1:
		f.source = fitting[0]
		s, _ := test.Sources.Get(f.source)
		_, err := form(s)
		return err
	case 0:
		return &InputError{File: f.path, Found: "a file of no source: " + strings.Join(reasons, "; "), Want: how}
	}
	return &InputError{File: f.path, Found: "a file that fits several sources: " + strings.Join(fitting, ", "), Want: how}
}

func sourceNames(test *testfile.Test) string {
	var names []string
	for _, s := range test.Sources.Entries {
		names = append(names, s.Name)
	}
	if len(names) == 0 {
		return "no source"
	}
	return strings.Join(names, ", ")
}

// inputsInUse lists, a source, the inputs that the test file mentions.
func inputsInUse(test *testfile.Test) map[string][]string {
	used := map[string][]string{}
	add := func(source, input string) {
		if input != "" && !slices.Contains(used[source], input) {
			used[source] = append(used[source], input)
		}
	}
	reference := func(w testfile.Word) {
		if source, input, ok := strings.Cut(w.Text, "/"); ok {
			add(source, input)
		}
	}
	for _, s := range test.Sources.Entries {
		add(s.Name, s.Value.ExcitationIn.Text)
		for _, input := range s.Value.Inputs.Entries {
			add(s.Name, input.Name)
		}
	}
	for _, w := range test.Wiring {
		reference(w.Input)
	}
	for _, t := range test.Temperatures.Entries {
		reference(t.Value.Input)
	}
	for _, a := range test.Auxiliary.Entries {
		reference(a.Value.Input)
	}
	return used
}

func missingInputs(used []string, columns []Column) (missing []string) {
	for _, input := range used {
		if !slices.ContainsFunc(columns, func(c Column) bool { return c.Name == input }) {
			missing = append(missing, input)
		}
	}
	return missing
}
