package testfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// Errors of a file that is not there to be judged.
var (
	ErrDirectory = errors.New("is a directory; name the test file in it")
	ErrTooLarge  = fmt.Errorf("is larger than %d MiB, the most that a test file may have", maxBytes>>20)
)

const maxBytes = 4 << 20

// Load reads a test file and, when it names one, the channel list beside it.
// The error is Problems when the content is wrong.
func Load(path string) (*Test, error) {
	text, err := readFile(path)
	if err != nil {
		return nil, fmt.Errorf("read test file: %w", err)
	}
	t, err := Parse(path, text, func(beside string) ([]byte, error) {
		return readFile(filepath.Join(filepath.Dir(path), beside))
	})
	if err != nil {
		return nil, err
	}
	t.Dir = filepath.Dir(path)
	return t, nil
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close() // only read
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s: %w", path, ErrDirectory)
	}
	text, err := io.ReadAll(io.LimitReader(f, maxBytes+1)) // a pipe states no size
	if err != nil {
		return nil, err
	}
	if len(text) > maxBytes {
		return nil, fmt.Errorf("%s: %w", path, ErrTooLarge)
	}
	return text, nil
}

// Parse reads a test file from memory; name is what messages call it. read
// opens files beside it; it may be nil when there are none. The error is
// Problems, all of them, when anything is wrong.
func Parse(name string, text []byte, read func(path string) ([]byte, error)) (*Test, error) {
	d := &decoder{file: name, zone: time.UTC}
	root := d.document(text)
	if root == nil {
		return nil, d.problems
	}
	t := &Test{}
	d.plain(root, 0)
	d.findZone(root)
	start := Mark{name, root.Line, root.Column}
	if d.is(yaml.MappingNode, root, start, "") {
		d.mapping(reflect.ValueOf(t).Elem(), root, start, "")
		d.channelList(t, read)
		d.crossCheck(t)
	}
	if len(d.problems) > 0 {
		d.problems.sort()
		return nil, d.problems
	}
	return t, nil
}

// document returns the file's only YAML document, or nil when there is none.
func (d *decoder) document(text []byte) (root *yaml.Node) {
	whole := Mark{d.file, 1, 1}
	switch {
	case len(text) > maxBytes:
		d.report(whole, "", fmt.Sprintf("%d bytes", len(text)), fmt.Sprintf("at most %d MiB", maxBytes>>20))
		return nil
	case bytes.HasPrefix(text, []byte{0xff, 0xfe}), bytes.HasPrefix(text, []byte{0xfe, 0xff}):
		d.report(whole, "", "a file in UTF-16", "it in UTF-8")
		return nil
	case bytes.IndexByte(text, 0) >= 0:
		d.report(d.place(text, bytes.IndexByte(text, 0)), "", "a zero byte", "text; this is not a text file")
		return nil
	case !utf8.Valid(text):
		d.report(d.place(text, invalid(text)), "", "bytes that are not UTF-8", "the file in UTF-8")
		return nil
	}
	defer func() {
		// The library has its own limits; what it does with hostile text is not ours to trust.
		if r := recover(); r != nil {
			d.report(whole, "", fmt.Sprintf("text that the YAML reader failed on (%v)", r), "plain YAML")
			root = nil
		}
	}()
	reader := yaml.NewDecoder(bytes.NewReader(text))
	var first yaml.Node
	err := reader.Decode(&first)
	switch {
	case errors.Is(err, io.EOF), err == nil && isNothing(first.Content[0]):
		d.report(whole, "", "an empty file", "a test file, beginning with \"test:\"")
		return nil
	case err != nil:
		d.syntax(text, err)
		return nil
	}
	for {
		var further yaml.Node
		switch err := reader.Decode(&further); {
		case errors.Is(err, io.EOF):
			return first.Content[0]
		case err != nil:
			d.syntax(text, err)
			return first.Content[0]
		case !isNothing(further.Content[0]):
			d.report(d.mark(further.Content[0]), "", "a second document", "one document a file, without ---")
		}
	}
}

var libraryLine = regexp.MustCompile(`^yaml: (?:line (\d+): )?`)

// syntax reports text that is no YAML. The library names a line at best, often
// the one before; the place is rather where the longest beginning of the text
// ends that can be read.
func (d *decoder) syntax(text []byte, err error) {
	problem := libraryLine.ReplaceAllString(err.Error(), "")
	at := Mark{d.file, 1, 1}
	if end, ok := readable(text); ok {
		at = d.place(text, end)
	} else if m := libraryLine.FindStringSubmatch(err.Error()); m != nil && m[1] != "" {
		at.Line, _ = strconv.Atoi(m[1]) // digits by the pattern
	}
	want := `plain YAML: "key: value", indented by blanks`
	switch {
	case strings.Contains(problem, "mapping values are not allowed"):
		want = `quotes round a value that holds ": ", and the same indent for keys of one mapping`
	case strings.Contains(problem, "tab character"), strings.Contains(problem, "cannot start any token") && bytes.Contains(text, []byte("\t")):
		want = "blanks instead of tabs"
	case strings.Contains(problem, "unknown anchor"):
		want = "the value itself; each value stands where it is used"
	}
	d.report(at, "", "text that is not YAML ("+problem+")", want)
}

// readable is the length of the longest beginning of the text that is YAML:
// whole lines, then characters of the next one. What it costs is bounded; ok is
// false when that did not suffice.
func readable(text []byte) (end int, ok bool) {
	budget := 16 << 20 // bytes read in all
	try := func(n int) bool {
		budget -= n
		return budget > 0 && isYAML(text[:n])
	}
	end = consumed(text)
	for end > 0 && !try(end) {
		end = bytes.LastIndexByte(text[:end-1], '\n') + 1
	}
	if budget <= 0 {
		return 0, false
	}
	line := text[end:]
	if i := bytes.IndexByte(line, '\n'); i >= 0 {
		line = line[:i]
	}
	for n := len(line); n > 0; {
		_, size := utf8.DecodeLastRune(line[:n])
		if n -= size; try(end + n) {
			return end + n, true
		}
	}
	return end, true
}

// isYAML says whether every document of a text can be read.
func isYAML(text []byte) bool {
	reader := yaml.NewDecoder(bytes.NewReader(text))
	for {
		var n yaml.Node
		if err := reader.Decode(&n); err != nil {
			return errors.Is(err, io.EOF)
		}
	}
}

// consumed is how much of a faulty text the reader took before it gave up.
func consumed(text []byte) int {
	slow := &oneByOne{text: text}
	reader := yaml.NewDecoder(slow)
	for {
		var n yaml.Node
		if reader.Decode(&n) != nil {
			return slow.taken
		}
	}
}

// oneByOne hands out a byte a call, so that nothing is taken ahead of need.
type oneByOne struct {
	text  []byte
	taken int
}

func (o *oneByOne) Read(p []byte) (int, error) {
	if o.taken == len(o.text) {
		return 0, io.EOF
	}
	n := copy(p, o.text[o.taken:o.taken+1])
	o.taken += n
	return n, nil
}

// place turns an offset into line and column, both from 1, the column in
// characters.
func (d *decoder) place(text []byte, offset int) Mark {
	before := text[:offset]
	line := bytes.Count(before, []byte{'\n'})
	column := utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:])
	return Mark{d.file, line + 1, column + 1}
}

func invalid(text []byte) int {
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRune(text[i:])
		if r == utf8.RuneError && size <= 1 {
			return i
		}
		i += size
	}
	return 0
}

// findZone reads test.zone ahead of everything else, since times anywhere in
// the file are read by it.
func (d *decoder) findZone(root *yaml.Node) {
	if n := child(child(root, "test"), "zone"); n != nil && n.Kind == yaml.ScalarNode && n.Value != "" {
		zone, err := loadZone(strings.TrimSpace(n.Value))
		if err != nil {
			d.report(d.mark(n), "test.zone", quote(n.Value), "an IANA time zone, for example UTC or Europe/London")
			return
		}
		d.zone = zone
	}
}

func child(n *yaml.Node, key string) *yaml.Node {
	if n == nil || n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}
