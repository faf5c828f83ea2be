// Package csvfile writes reduced rows as CSV, one file a source, for people and
// spreadsheets. Strain is in microstrain and stress in MPa there, to a fixed
// number of decimals; whoever needs every bit takes the segments.
package csvfile

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
)

// column is how one column is written.
type column struct {
	scale    float64 // from the batch's unit to the file's
	decimals int
	flags    bool
}

// form returns the unit, scale and decimals of a column in the file.
func form(f group.Field) (unit string, c column) {
	switch {
	case f.Kind == group.Flags:
		return "", column{flags: true}
	case f.Unit == "m/m":
		return "um/m", column{scale: 1e6, decimals: 3}
	case f.Unit == "Pa":
		return "MPa", column{scale: 1e-6, decimals: 4}
	case f.Unit == "rad":
		return "deg", column{scale: 180 / math.Pi, decimals: 3}
	}
	return f.Unit, column{scale: 1, decimals: 4}
}

// Sink writes the CSV files of one group.
type Sink struct {
	dir   string
	plan  *group.Plan
	files map[string]*file
	names []string         // sources in order of appearance
	kept  map[string]int64 // length of a source's file at the last cut
}

type file struct {
	path    string
	f       *os.File
	out     *bufio.Writer
	line    []byte
	clock   frame.TimeFormatter
	columns []column
}

// New returns a sink that writes into dir.
func New(dir string, plan *group.Plan) *Sink {
	return &Sink{dir: dir, plan: plan, files: map[string]*file{}, kept: map[string]int64{}}
}

// Append writes the rows of a batch.
func (s *Sink) Append(b *group.Batch) error {
	w := s.files[b.Source]
	if w == nil {
		var err error
		if w, err = s.begin(b.Source); err != nil {
			return err
		}
	}
	return w.append(b)
}

func (s *Sink) begin(source string) (*file, error) {
	w := &file{path: filepath.Join(s.dir, s.plan.Name+"-"+source+".csv")}
	_, goesOn := s.kept[source]
	how := os.O_WRONLY | os.O_CREATE | os.O_EXCL
	if goesOn {
		how = os.O_WRONLY | os.O_APPEND
	}
	var err error
	if w.f, err = os.OpenFile(w.path, how, 0o644); err != nil {
		return nil, fmt.Errorf("begin CSV: %w", err)
	}
	s.files[source] = w
	s.names = append(s.names, source)
	w.out = bufio.NewWriterSize(w.f, 1<<20)
	w.line = append(w.line, "time,sample"...)
	for _, f := range s.plan.Fields(source) {
		unit, c := form(f)
		name := f.Name
		if f.Unit != "" {
			name = strings.TrimSuffix(name, "["+f.Unit+"]") + "[" + unit + "]"
		}
		w.columns = append(w.columns, c)
		w.line = append(w.line, ',')
		w.line = append(w.line, quote(name)...)
	}
	w.line = append(w.line, '\n')
	if goesOn {
		return w, nil
	}
	if _, err := w.out.Write(w.line); err != nil {
		return nil, fmt.Errorf("write %s: %w", w.path, err)
	}
	return w, nil
}

func quote(s string) string {
	if !strings.ContainsAny(s, "\",\r\n") {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}

func (w *file) append(b *group.Batch) error {
	line := w.line[:0]
	for row := range b.Rows {
		line = w.clock.Append(line, b.Time[row])
		line = append(line, ',')
		line = strconv.AppendUint(line, b.Counter[row], 10)
		for i := range w.columns {
			c := &w.columns[i]
			line = append(line, ',')
			if c.flags {
				line = appendFlags(line, flag.Mask(b.Columns[i].Flags[row]))
				continue
			}
			line = appendFixed(line, b.Columns[i].Float[row]*c.scale, c.decimals)
		}
		line = append(line, '\n')
	}
	w.line = line
	if _, err := w.out.Write(line); err != nil {
		return fmt.Errorf("write %s: %w", w.path, err)
	}
	return nil
}

// appendFlags writes the names of the flags with blanks between them.
func appendFlags(dst []byte, m flag.Mask) []byte {
	if m == 0 {
		return append(dst, "ok"...)
	}
	for i, name := range m.Names() {
		if i > 0 {
			dst = append(dst, ' ')
		}
		dst = append(dst, name...)
	}
	return dst
}

var powers = [...]float64{1, 10, 100, 1000, 1e4, 1e5, 1e6}

// appendFixed writes x with a fixed number of decimals, rounded half to even
// after scaling by the power of ten: a tenth of the cost of the shortest exact
// form. NaN is an empty field; what is too large for this is written in full.
func appendFixed(dst []byte, x float64, decimals int) []byte {
	if x != x {
		return dst
	}
	scaled := math.RoundToEven(x * powers[decimals])
	if !(math.Abs(scaled) < 1<<53) {
		return strconv.AppendFloat(dst, x, 'g', -1, 64)
	}
	n := int64(scaled)
	if n < 0 {
		dst = append(dst, '-')
		n = -n
	}
	unit := int64(powers[decimals])
	dst = strconv.AppendInt(dst, n/unit, 10)
	dst = append(dst, '.')
	part := n % unit
	for unit /= 10; unit > 0; unit /= 10 {
		dst = append(dst, byte('0'+part/unit%10))
	}
	return dst
}

// Cut puts on disk what there is. The files go on through cuts.
func (s *Sink) Cut([]group.ZeroInForce) error {
	for _, name := range s.names {
		w := s.files[name]
		err := w.out.Flush()
		if err == nil {
			err = w.f.Sync()
		}
		length := int64(0)
		if err == nil {
			length, err = w.f.Seek(0, io.SeekEnd)
		}
		if err != nil {
			return fmt.Errorf("write %s: %w", w.path, err)
		}
		s.kept[name] = length
	}
	return nil
}

// Close flushes and syncs the files.
func (s *Sink) Close() error {
	var err error
	for _, name := range s.names {
		w := s.files[name]
		err = errors.Join(err, w.out.Flush(), w.f.Sync(), w.f.Close())
	}
	s.files, s.names = map[string]*file{}, nil
	return err
}

// Abort takes out of the files what was written since the last cut, and closes
// them; without a cut it removes them.
func (s *Sink) Abort() error {
	var err error
	for _, name := range s.names {
		w := s.files[name]
		err = errors.Join(err, w.f.Close())
		if length, ok := s.kept[name]; ok {
			err = errors.Join(err, os.Truncate(w.path, length))
		} else {
			err = errors.Join(err, os.Remove(w.path))
		}
	}
	s.files, s.names = map[string]*file{}, nil
	return err
}
