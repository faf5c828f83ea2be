package testfile

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
	"go.yaml.in/yaml/v3"
)

// A channel list is a table beside the test file, a row a channel, under a row
// of headers. A row with a material defines the position, one with a lot the
// gauge, one with an input the wiring; otherwise the test file defines them.
// The position and the gauge carry the channel's name unless the row names them.

// listHeader says where a column's cell belongs.
type listHeader struct {
	name string
	part string // of the row's entries; "" for the row's own names
	key  string // dotted
}

var listHeaders = []listHeader{
	{"name", "", ""},
	{"position", "", ""},
	{"gauge", "", ""},
	{"material", "position", "material"},
	{"at", "position", "at"},
	{"direction", "position", "direction"},
	{"lot", "gauge", "lot"},
	{"installation", "gauge", "installation"},
	{"input", "wire", "input"},
	{"bridge", "channel", "bridge"},
	{"lead-resistance", "channel", "leads.resistance"},
	{"lead-size", "channel", "leads.size"},
	{"lead-length", "channel", "leads.length"},
	{"temperature", "channel", "temperature"},
	{"transverse", "channel", "transverse"},
	{"limit", "channel", "limits.strain"},
	{"note", "channel", "note"},
}

const maxListRows = 20_000

// cell is a place in a list with its text; empty cells are left out.
type cell struct {
	text string
	mark Mark
}

// row is the cells of a line, each under its column's number from 0.
type row struct {
	line  int
	cells map[int]cell
}

// channelList reads the list that the file names and adds what it defines.
func (d *decoder) channelList(t *Test, read func(path string) ([]byte, error)) {
	w := t.ChannelList
	if w.Text == "" {
		return
	}
	const path, want = "channel-list", "the name of a CSV or XLSX file beside this one"
	if !filepath.IsLocal(w.Text) {
		d.report(w.Mark, path, quote(w.Text)+", which is not beside the test file", want)
		d.damageList(t)
		return
	}
	if read == nil {
		read = func(string) ([]byte, error) { return nil, errors.New("there is nothing beside a test file in memory") }
	}
	text, err := read(w.Text)
	if err == nil && len(text) > maxBytes {
		err = ErrTooLarge
	}
	if err != nil {
		d.report(w.Mark, path, fmt.Sprintf("%s, which cannot be read (%v)", quote(w.Text), err), want)
		d.damageList(t)
		return
	}
	list := &decoder{file: filepath.Join(filepath.Dir(d.file), w.Text), zone: d.zone}
	var rows []row
	switch strings.ToLower(filepath.Ext(w.Text)) {
	case ".csv":
		rows = list.csvRows(text)
	case ".xlsx":
		rows = list.xlsxRows(text)
	default:
		d.report(w.Mark, path, quote(w.Text), want)
		d.damageList(t)
		return
	}
	if len(rows) == 0 && len(list.problems) == 0 {
		list.report(Mark{list.file, 1, 1}, "", "an empty list", "a row of headers, beginning with name")
	}
	if headers := list.headers(rows); headers == nil {
		d.damageList(t)
	} else {
		for _, r := range rows[1:] {
			list.addRow(t, r, headers)
		}
	}
	d.problems = append(d.problems, list.problems...)
}

// damageList notes that a list defines things that nobody could read.
func (d *decoder) damageList(t *Test) {
	t.Positions.damage()
	t.Gauges.damage()
	t.Channels.damage()
	d.wiringUnread = true
}

// headers says what each column holds; nil when rows cannot be told apart.
func (d *decoder) headers(rows []row) map[int]listHeader {
	if len(rows) == 0 {
		return nil
	}
	first := rows[0].cells
	absent := headerNames() // a misspelt header is one of these
	for _, c := range first {
		absent = slices.DeleteFunc(absent, func(h string) bool { return h == strings.ToLower(c.text) })
	}
	headers, seen := map[int]listHeader{}, map[string]bool{}
	for _, i := range slices.Sorted(maps.Keys(first)) {
		c := first[i]
		name := strings.ToLower(c.text)
		if !slices.Contains(headerNames(), name) {
			near := nearest(name, absent)
			d.report(c.mark, "", "the unknown header "+quote(c.text), oneOf(name, headerNames()))
			name = near // read on under the header that was meant
		} else if seen[name] {
			d.report(c.mark, "", "the header "+quote(name)+" again", "each header once")
		}
		if name == "" || seen[name] {
			headers[i] = listHeader{}
			continue
		}
		seen[name] = true
		headers[i] = listHeaders[slices.Index(headerNames(), name)]
	}
	for _, needed := range []string{"name", "bridge"} {
		if !seen[needed] {
			d.report(Mark{d.file, rows[0].line, 1}, "", "no header "+quote(needed), "a column "+quote(needed))
		}
	}
	if !seen["name"] || !seen["bridge"] {
		return nil
	}
	return headers
}

// addRow turns a row into the mappings that a test file would hold, and reads
// them as it reads those.
func (d *decoder) addRow(t *Test, r row, headers map[int]listHeader) {
	if len(r.cells) == 0 {
		return
	}
	start := Mark{d.file, r.line, 1}
	parts := map[string]*yaml.Node{}
	own := map[string]cell{}
	for _, i := range slices.Sorted(maps.Keys(r.cells)) {
		switch h, ok := headers[i]; {
		case !ok:
			d.report(r.cells[i].mark, "", quote(r.cells[i].text)+" in a column without a header", "a header above it")
		case h.part != "":
			if parts[h.part] == nil {
				parts[h.part] = &yaml.Node{Kind: yaml.MappingNode, Line: r.line, Column: 1}
			}
			put(parts[h.part], h.key, r.cells[i])
		case h.name != "":
			own[h.name] = r.cells[i]
		}
	}
	name, ok := own["name"]
	if !ok {
		d.report(start, "", "a row without a name", "the channel's name in the column name")
		return
	}
	if wrong := badName(name.text); wrong != "" {
		d.report(name.mark, "", wrong, goodName)
		return
	}
	position, ok := own["position"]
	if !ok {
		position = name
	}
	gauge, ok := own["gauge"]
	if !ok {
		gauge = position
	}
	if n := parts["position"]; n != nil {
		d.addEntry(&t.Positions, "positions", position, n)
	}
	if n := parts["gauge"]; n != nil {
		d.addEntry(&t.Gauges, "gauges", gauge, n)
	}
	if n := parts["wire"]; n != nil {
		put(n, "position", position)
		put(n, "gauge", gauge)
		var w Wire
		d.value(reflect.ValueOf(&w).Elem(), n, start, "wiring."+name.text, "")
		t.Wiring = append(t.Wiring, w)
	}
	n := parts["channel"]
	if n == nil {
		n = &yaml.Node{Kind: yaml.MappingNode, Line: r.line, Column: 1}
	}
	put(n, "position", position)
	d.addEntry(&t.Channels, "channels", name, n)
}

func (d *decoder) addEntry(to named, section string, name cell, n *yaml.Node) {
	value, fresh := to.grow(name.text, name.mark)
	path := section + "." + name.text
	if !fresh {
		d.report(name.mark, path, "the name "+quote(name.text)+" again", "each name once, here or in the test file")
	}
	d.value(value, n, name.mark, path, "")
}

// put adds a cell to a mapping under a dotted key.
func put(n *yaml.Node, key string, c cell) {
	if outer, inner, ok := strings.Cut(key, "."); ok {
		below := child(n, outer)
		if below == nil {
			below = &yaml.Node{Kind: yaml.MappingNode, Line: c.mark.Line, Column: c.mark.Column}
			putNode(n, outer, below)
		}
		put(below, inner, c)
		return
	}
	putNode(n, key, &yaml.Node{Kind: yaml.ScalarNode, Value: c.text, Line: c.mark.Line, Column: c.mark.Column})
}

func putNode(n *yaml.Node, key string, value *yaml.Node) {
	n.Content = append(n.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: key, Line: value.Line, Column: value.Column}, value)
}

func headerNames() []string {
	names := make([]string, len(listHeaders))
	for i, h := range listHeaders {
		names[i] = h.name
	}
	return names
}

// csvRows reads comma, semicolon or tab separated text; marks are line and
// character.
func (d *decoder) csvRows(text []byte) []row {
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	switch {
	case !utf8.Valid(text):
		d.report(d.place(text, invalid(text)), "", "bytes that are not UTF-8", "the list in UTF-8")
		return nil
	case bytes.IndexByte(text, 0) >= 0:
		d.report(d.place(text, bytes.IndexByte(text, 0)), "", "a zero byte", "text; this is not a CSV file")
		return nil
	}
	lines := bytes.Split(text, []byte{'\n'})
	r := csv.NewReader(bytes.NewReader(text))
	r.Comma = delimiter(lines)
	r.Comment = '#'
	r.FieldsPerRecord = -1
	r.ReuseRecord = true
	var rows []row
	for {
		record, err := r.Read()
		var wrong *csv.ParseError
		switch {
		case errors.Is(err, io.EOF):
			return rows
		case errors.As(err, &wrong):
			d.report(d.character(lines, wrong.Line, wrong.Column), "", "a row that is not CSV ("+wrong.Err.Error()+")", "quotes only round a whole field, doubled inside it")
			return nil
		case err != nil:
			d.report(Mark{d.file, 1, 1}, "", "a list that cannot be read ("+err.Error()+")", "a CSV file")
			return nil
		case len(rows) > maxListRows:
			d.tooLong()
			return nil
		}
		line, _ := r.FieldPos(0)
		one := row{line: line, cells: map[int]cell{}}
		for i, field := range record {
			if trimmed := strings.TrimSpace(field); trimmed != "" {
				line, column := r.FieldPos(i)
				one.cells[i] = cell{trimmed, d.character(lines, line, column)}
			}
		}
		rows = append(rows, one)
	}
}

// delimiter is the one that occurs most in the first line with anything in it.
func delimiter(lines [][]byte) rune {
	for _, l := range lines {
		if len(bytes.TrimSpace(l)) == 0 || l[0] == '#' {
			continue
		}
		best, most := ',', bytes.Count(l, []byte{','})
		for _, c := range []rune{';', '\t'} {
			if n := bytes.Count(l, []byte(string(c))); n > most {
				best, most = c, n
			}
		}
		return best
	}
	return ','
}

// character turns a line and a byte column, both from 1, into a mark.
func (d *decoder) character(lines [][]byte, line, column int) Mark {
	if line < 1 || line > len(lines) {
		return Mark{d.file, max(line, 1), max(column, 1)}
	}
	l := lines[line-1]
	return Mark{d.file, line, utf8.RuneCount(l[:min(max(column-1, 0), len(l))]) + 1}
}

func (d *decoder) tooLong() {
	d.report(Mark{d.file, maxListRows + 2, 1}, "", fmt.Sprintf("more than %d rows", maxListRows), "a shorter list")
}

// xlsxRows reads the first sheet; marks are row and column of the sheet.
func (d *decoder) xlsxRows(text []byte) (rows []row) {
	whole := Mark{d.file, 1, 1}
	defer func() {
		if r := recover(); r != nil { // the library has failed so on damaged files
			d.report(whole, "", fmt.Sprintf("a workbook that cannot be read (%v)", r), "an XLSX file")
			rows = nil
		}
	}()
	book, err := excelize.OpenReader(bytes.NewReader(text), excelize.Options{
		UnzipSizeLimit: 64 << 20, UnzipXMLSizeLimit: 16 << 20, RawCellValue: true})
	if err != nil {
		d.report(whole, "", "a workbook that cannot be read ("+err.Error()+")", "an XLSX file without a password")
		return nil
	}
	defer book.Close() // only read
	sheets := book.GetSheetList()
	if len(sheets) == 0 {
		d.report(whole, "", "a workbook without a sheet", "the channels in its first sheet")
		return nil
	}
	cursor, err := book.Rows(sheets[0])
	if err != nil {
		d.report(whole, "", "a sheet that cannot be read ("+err.Error()+")", "the channels in its first sheet")
		return nil
	}
	defer cursor.Close() // only read
	for line := 1; cursor.Next(); line++ {
		if line > maxListRows+1 {
			d.tooLong()
			return nil
		}
		record, err := cursor.Columns()
		if err != nil {
			d.report(Mark{d.file, line, 1}, "", "a row that cannot be read ("+err.Error()+")", "plain cells")
			return nil
		}
		one := row{line: line, cells: map[int]cell{}}
		for i, field := range record {
			if trimmed := strings.TrimSpace(field); trimmed != "" {
				one.cells[i] = cell{trimmed, Mark{d.file, line, i + 1}}
			}
		}
		if len(one.cells) > 0 {
			rows = append(rows, one)
		}
	}
	if err := cursor.Error(); err != nil {
		d.report(whole, "", "a sheet that cannot be read ("+err.Error()+")", "an XLSX file")
		return nil
	}
	return rows
}
