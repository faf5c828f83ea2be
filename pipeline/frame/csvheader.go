package frame

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode"
	"unicode/utf8"

	"glueline/pipeline/testfile"
)

const (
	maxLine    = 1 << 20 // bytes of a CSV line
	maxColumns = 256     // of a source; a bigger node declares several sources
)

// preamble is the beginning of a CSV file: comment lines, the header as text,
// and some of the rows behind it.
type preamble struct {
	source string // of a comment "# source: NAME"
	header []byte
	line   int // of the header, counted from 1
	offset int64
	sample []byte // whole lines behind the header
	size   int64
}

// readPreamble finds the header of a CSV file, and refuses what is no text.
func readPreamble(path string) (preamble, error) {
	p := preamble{}
	f, err := os.Open(path)
	if err != nil {
		return p, &InputError{File: path, Want: "give a raw CSV or Arrow file", Err: err}
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return p, &InputError{File: path, Err: err}
	}
	p.size = info.Size()
	head := make([]byte, maxLine+1)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return p, &InputError{File: path, Err: err}
	}
	head = head[:n]
	return p, p.find(path, head, int64(n) == p.size)
}

// find looks for the header in the first bytes of a file; whole says that
// they are all of it.
func (p *preamble) find(path string, head []byte, whole bool) error {
	wrong := func(found, want string) error { return &InputError{File: path, Found: found, Want: want} }
	switch {
	case len(head) == 0:
		return wrong("an empty file", "give a raw file with a header and rows")
	case bytes.HasPrefix(head, []byte{0xFF, 0xFE}), bytes.HasPrefix(head, []byte{0xFE, 0xFF}):
		return wrong("UTF-16 text", "save it as UTF-8")
	case bytes.HasPrefix(head, []byte("PK\x03\x04")):
		return wrong("a ZIP archive (a spreadsheet?)", "export it as CSV")
	case bytes.HasPrefix(head, []byte{0x1F, 0x8B}):
		return wrong("gzip data", "decompress it first")
	}
	if i := bytes.IndexByte(head[:min(len(head), 4096)], 0); i >= 0 {
		if wideText(head) {
			return wrong("UTF-16 text", "save it as UTF-8")
		}
		return wrong(fmt.Sprintf("binary data (a zero byte at %d)", i), "give a raw CSV file in UTF-8, or an Arrow IPC file")
	}
	text := bytes.TrimPrefix(head, []byte("\xEF\xBB\xBF"))
	p.offset = int64(len(head) - len(text))
	for {
		end := bytes.IndexByte(text, '\n')
		line := text
		switch {
		case end >= 0:
			line = text[:end]
		case !whole:
			return &InputError{File: path, Row: p.line + 1, Found: fmt.Sprintf("a line of more than %d bytes", maxLine), Want: "end each row with a line feed"}
		case len(text) == 0:
			return wrong("no header", "begin with a line that names the columns")
		}
		p.line++
		p.offset += int64(len(line))
		text = text[len(line):]
		if end >= 0 {
			p.offset++
			text = text[1:]
		}
		line = bytes.TrimSpace(line)
		if !utf8.Valid(line) {
			return &InputError{File: path, Row: p.line, Found: "bytes that are not UTF-8", Want: "save it as UTF-8"}
		}
		if len(line) > 0 && line[0] != '#' {
			p.header = line
			break
		}
		if word, value, ok := strings.Cut(strings.TrimLeft(string(line), "# \t"), ":"); ok && strings.EqualFold(strings.TrimSpace(word), SourceKey) {
			p.source = strings.TrimSpace(value)
		}
	}
	p.sample = text
	if !whole {
		p.sample = text[:bytes.LastIndexByte(text, '\n')+1]
	}
	return nil
}

// wideText tells UTF-16 without byte order mark from other binary data: plain
// letters on one side, nothing but zeros on the other.
func wideText(head []byte) bool {
	head = head[:min(len(head), 64)&^1]
	if len(head) < 4 {
		return false
	}
	zeros := [2]int{}
	for i, c := range head {
		switch {
		case c == 0:
			zeros[i&1]++
		case c < ' ' && c != '\t' && c != '\r' && c != '\n', c > '~':
			return false
		}
	}
	return zeros[0]+zeros[1] == len(head)/2 && (zeros[0] == 0 || zeros[1] == 0)
}

// csvForm is how the rows of a file are written.
type csvForm struct {
	delimiter byte
	decimal   byte
	timeAt    int // index of the time column
	fields    int // columns with the time
	columns   []Column
	clock     clock
}

var delimiters = map[string]byte{"comma": ',', "semicolon": ';', "tab": '\t', "space": ' '}

// newCSVForm makes out the form from the header, some rows, and what the
// source declares; zone is what holds when the source declares none.
func newCSVForm(path string, p *preamble, declared *testfile.CSV, zone string) (*csvForm, error) {
	wrong := func(found, want string) error {
		return &InputError{File: path, Row: p.line, Found: found, Want: want}
	}
	f := &csvForm{delimiter: delimiters[declared.Delimiter.Text]}
	if f.delimiter == 0 {
		f.delimiter = findDelimiter(p.header)
	}
	names, err := splitLine(p.header, f.delimiter)
	if err != nil {
		return nil, wrong(err.Error(), "close the quotes on the same line")
	}
	if f.delimiter == ' ' {
		names = joinUnits(names)
	}
	f.fields = len(names)
	if len(names) > maxColumns+1 {
		return nil, wrong(fmt.Sprintf("%d columns", len(names)), fmt.Sprintf("a source has at most %d inputs: declare several sources, a file each", maxColumns))
	}
	timeName := declared.Time.Or(TimeColumn)
	f.timeAt = -1
	timeUnit := ""
	seen := map[string]bool{}
	for i, text := range names {
		name, unit := splitUnit(text)
		switch {
		case name == "":
			return nil, wrong(fmt.Sprintf("no name for column %d", i+1), "name every column in the header")
		case seen[name]:
			return nil, &InputError{File: path, Row: p.line, Column: name, Found: "the name twice in the header", Want: "give every column its own name"}
		}
		seen[name] = true
		if f.timeAt < 0 && (strings.EqualFold(name, timeName) || strings.EqualFold(text, timeName)) {
			f.timeAt, timeUnit = i, unit
			continue
		}
		f.columns = append(f.columns, Column{Name: name, Unit: unit})
	}
	if f.timeAt < 0 {
		return nil, wrong("the columns "+strings.Join(names, ", "), fmt.Sprintf("one must be %q; if the time column has another header, declare it as csv.time of the source, and csv.delimiter if the columns are not what they should be", timeName))
	}
	if len(f.columns) == 0 {
		return nil, wrong("no column but the time", "give at least one input; if the columns are separated by something else, declare csv.delimiter of the source")
	}
	f.decimal = '.'
	switch declared.Decimal.Text {
	case "comma":
		f.decimal = ','
	case "":
		if f.delimiter != ',' {
			f.decimal = findDecimal(p.sample, f)
		}
	}
	return f, f.makeClock(path, p, declared, zone, timeUnit)
}

// makeClock settles how times are written, by the first row.
func (f *csvForm) makeClock(path string, p *preamble, declared *testfile.CSV, zone, unit string) error {
	wrong := func(row int, found, want string) error {
		return &InputError{File: path, Row: row, Column: declared.Time.Or(TimeColumn), Found: found, Want: want}
	}
	fields, row := f.firstRow(p)
	var first []byte
	if fields != nil {
		first = []byte(fields[f.timeAt])
	}
	var err error
	switch {
	case unitsRow(fields, f.timeAt):
		return &InputError{File: path, Row: row, Found: "a row of units below the header, " + quoted([]byte(strings.Join(fields, ", "))),
			Want: "write each unit in brackets behind its name in the header, for example A1 [mV/V], and leave the row out"}
	case fields != nil && len(first) == 0:
		return wrong(row, `""`, instantForm)
	case otherDate.Match(first):
		fault := notAnInstant(first)
		return wrong(row, fault.found, fault.want)
	}
	if zone = declared.Zone.Or(zone); zone != "" {
		if f.clock.zone, err = loadZone(zone); err != nil {
			return wrong(p.line, err.Error(), "")
		}
	}
	digits, known := map[string]int{"s": 9, "sec": 9, "seconds": 9, "ms": 6, "us": 3, "µs": 3, "μs": 3, "ns": 0}[unit]
	switch {
	case known:
		f.clock.seconds, f.clock.digits = true, digits
	case strings.EqualFold(unit, "UTC"):
		f.clock.zone, _ = loadZone("UTC")
	case unit != "":
		return wrong(p.line, fmt.Sprintf("the unit %q", unit), "a time column is ISO 8601 without unit, or a count in s, ms, us or ns")
	case first != nil && !looksLikeInstant(first):
		f.clock.seconds, f.clock.digits = true, 9
	}
	if f.clock.seconds {
		if first != nil && looksLikeInstant(first) {
			return wrong(row, quoted(first), fmt.Sprintf("the header says a count in %s; leave the unit out for ISO 8601", unit))
		}
		if !declared.Start.Given {
			return wrong(row, "a count of seconds ("+quoted(first)+") and no declared start",
				"declare csv.start of the source, the instant of 0, for example 2026-03-01T08:00:00Z; for seconds since 1970 it is 1970-01-01T00:00:00Z")
		}
		f.clock.start = declared.Start.UnixNano()
	}
	return nil
}

// firstRow is the first row's fields and its line; nil when there is no row, or
// one that reading it will find wrong.
func (f *csvForm) firstRow(p *preamble) (fields []string, line int) {
	text, line := p.sample, p.line
	for len(text) > 0 {
		row, rest, _ := bytes.Cut(text, []byte{'\n'})
		text = rest
		line++
		if row = bytes.TrimSpace(row); len(row) == 0 {
			continue
		}
		if fields, err := splitLine(row, f.delimiter); err == nil && len(fields) > f.timeAt {
			return fields, line
		}
		return nil, line
	}
	return nil, line
}

// unitsRow tells a row of words, as some loggers write units, from a row of
// readings: it has no digit, and a word beside the time.
func unitsRow(fields []string, timeAt int) bool {
	words := false
	for i, field := range fields {
		if strings.ContainsAny(field, "0123456789") {
			return false
		}
		letters := strings.IndexFunc(field, unicode.IsLetter) >= 0 && !strings.EqualFold(strings.TrimLeft(field, "+-"), "nan")
		words = words || i != timeAt && (letters || strings.ContainsAny(field, "%°"))
	}
	return words
}

// findDelimiter looks for the separator of a header: a tab, else a semicolon,
// else a comma, outside quotes and brackets; else blanks.
func findDelimiter(header []byte) byte {
	has := map[byte]bool{}
	inQuotes, depth := false, 0
	for _, c := range header {
		switch {
		case c == '"':
			inQuotes = !inQuotes
		case inQuotes:
		case c == '[' || c == '(':
			depth++
		case c == ']' || c == ')':
			depth--
		case depth <= 0:
			has[c] = true
		}
	}
	for _, c := range []byte{'\t', ';', ','} {
		if has[c] {
			return c
		}
	}
	return ' '
}

// findDecimal looks in the first rows for the first field, other than the
// time, that has a point or a comma; a point when none has.
func findDecimal(sample []byte, f *csvForm) byte {
	for rows := 0; rows < 1000 && len(sample) > 0; rows++ {
		line, rest, _ := bytes.Cut(sample, []byte{'\n'})
		sample = rest
		fields, err := splitLine(bytes.TrimSpace(line), f.delimiter)
		if err != nil {
			break
		}
		for i, field := range fields {
			if i == f.timeAt {
				continue
			}
			if at := strings.IndexAny(field, ".,"); at >= 0 {
				return field[at]
			}
		}
	}
	return '.'
}

// splitLine splits a line into its fields, without blanks around them and
// without quotes. With blanks as delimiter, a run of them is one.
func splitLine(line []byte, delimiter byte) ([]string, error) {
	var fields []string
	for i := 0; ; i++ {
		for i < len(line) && (line[i] == ' ' || line[i] == '\t' && delimiter != '\t') {
			i++
		}
		if i < len(line) && line[i] == '"' {
			text, end, ok := unquote(line, i)
			if !ok {
				return nil, errors.New("quotes that are not closed")
			}
			for end < len(line) && line[end] == ' ' && delimiter != ' ' {
				end++
			}
			if end < len(line) && line[end] != delimiter {
				return nil, fmt.Errorf("%s after closing quotes", quoted(line[end:]))
			}
			fields = append(fields, strings.TrimSpace(string(text)))
			i = end
		} else {
			end := len(line)
			if n := bytes.IndexByte(line[i:], delimiter); n >= 0 {
				end = i + n
			}
			fields = append(fields, strings.TrimSpace(string(line[i:end])))
			i = end
		}
		if i >= len(line) {
			return fields, nil
		}
	}
}

// unquote reads the quoted field that begins at line[i], where "" is a quote.
func unquote(line []byte, i int) (text []byte, end int, ok bool) {
	i++
	if n := bytes.IndexByte(line[i:], '"'); n >= 0 && (i+n+1 == len(line) || line[i+n+1] != '"') {
		return line[i : i+n], i + n + 1, true
	}
	for ; i < len(line); i++ {
		if line[i] == '"' {
			if i+1 < len(line) && line[i+1] == '"' {
				i++
			} else {
				return text, i + 1, true
			}
		}
		text = append(text, line[i])
	}
	return nil, i, false
}

// joinUnits puts "A1", "[mV/V]" of a header that is separated by blanks
// together again.
func joinUnits(names []string) []string {
	joined := names[:0]
	for _, name := range names {
		if len(joined) > 0 && name != "" && (name[0] == '[' || name[0] == '(') {
			joined[len(joined)-1] += " " + name
		} else {
			joined = append(joined, name)
		}
	}
	return joined
}

// splitUnit takes "A1 [mV/V]" or "A1 (mV/V)" apart.
func splitUnit(text string) (name, unit string) {
	for _, pair := range []string{"[]", "()"} {
		if open := strings.LastIndexByte(text, pair[0]); open >= 0 && strings.HasSuffix(text, pair[1:]) {
			return strings.TrimSpace(text[:open]), strings.TrimSpace(text[open+1 : len(text)-1])
		}
	}
	return text, ""
}
