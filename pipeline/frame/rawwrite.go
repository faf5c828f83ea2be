package frame

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"glueline/pipeline/frame/arrowipc"
)

// CSVWriter writes a raw CSV file: a comment that names the source, a header
// with units in brackets, times in UTC, one row a line. Numbers are written
// with as many digits as reading them back to the same bits needs; a missing
// reading is an empty field.
type CSVWriter struct {
	out     *bufio.Writer
	columns int
	line    []byte
	clock   TimeFormatter
}

// NewCSVWriter begins a file of those columns, of which Name and Unit count.
// What goes wrong is reported by Write and Close.
func NewCSVWriter(w io.Writer, source string, columns []Column) *CSVWriter {
	out := bufio.NewWriterSize(w, 1<<20)
	fmt.Fprintf(out, "# source: %s\n", source)
	out.WriteString("time")
	for _, c := range columns {
		out.WriteByte(',')
		out.WriteString(csvField(headerName(c)))
	}
	out.WriteByte('\n')
	return &CSVWriter{out: out, columns: len(columns)}
}

// headerName is "name [unit]", or the name alone when there is no unit.
func headerName(c Column) string {
	if c.Unit == "" {
		return c.Name
	}
	return c.Name + " [" + c.Unit + "]"
}

// csvField quotes a field where it must.
func csvField(s string) string {
	if !strings.ContainsAny(s, "\",\r\n") {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}

// Write appends rows. Time is in nanoseconds since 1970-01-01 UTC.
func (w *CSVWriter) Write(time []int64, columns []Column) error {
	if err := checkRows(time, columns, w.columns); err != nil {
		return err
	}
	for row, t := range time {
		line := w.clock.Append(w.line[:0], t)
		for i := range columns {
			c := &columns[i]
			line = append(line, ',')
			switch {
			case c.Counts != nil:
				if c.Valid == nil || c.Valid[row] {
					line = strconv.AppendInt(line, int64(c.Counts[row]), 10)
				}
			case math.IsNaN(c.Float[row]):
			default:
				line = strconv.AppendFloat(line, c.Float[row], 'g', -1, 64)
			}
		}
		w.line = append(line, '\n')
		if _, err := w.out.Write(w.line); err != nil {
			return fmt.Errorf("write raw CSV: %w", err)
		}
	}
	return nil
}

// Close writes what is left; it does not close the output.
func (w *CSVWriter) Close() error {
	if err := w.out.Flush(); err != nil {
		return fmt.Errorf("write raw CSV: %w", err)
	}
	return nil
}

func checkRows(time []int64, columns []Column, want int) error {
	if len(columns) != want {
		return fmt.Errorf("rows of %d columns for a file of %d", len(columns), want)
	}
	for _, c := range columns {
		switch {
		case c.Counts == nil && len(c.Float) != len(time),
			c.Counts != nil && len(c.Counts) != len(time),
			c.Counts != nil && c.Valid != nil && len(c.Valid) != len(time):
			return fmt.Errorf("column %q does not have one reading for each of %d times", c.Name, len(time))
		}
	}
	return nil
}

// TimeFormatter writes ISO 8601 in UTC with as many fractional digits as are
// needed, and works out the calendar only once a second.
type TimeFormatter struct {
	second int64
	text   []byte
}

// Append appends an instant in nanoseconds since 1970-01-01 UTC.
func (f *TimeFormatter) Append(dst []byte, nanoseconds int64) []byte {
	second, fraction := nanoseconds/1e9, nanoseconds%1e9
	if fraction < 0 {
		second, fraction = second-1, fraction+1e9
	}
	if f.text == nil || second != f.second {
		f.second = second
		f.text = time.Unix(second, 0).UTC().AppendFormat(f.text[:0], "2006-01-02T15:04:05")
	}
	dst = append(dst, f.text...)
	if fraction != 0 {
		dst = append(dst, '.')
		for scale := int64(1e8); fraction != 0; scale /= 10 {
			dst = append(dst, byte('0'+fraction/scale))
			fraction %= scale
		}
	}
	return append(dst, 'Z')
}

// rawBatchRows is the batch size of raw Arrow files.
const rawBatchRows = 16384

// ArrowWriter writes a raw Arrow IPC file: `time` as timestamp[ns, UTC], a
// column an input with its unit in the field metadata, the source's name in
// the schema metadata. Missing readings are null. Batches have a fixed number
// of rows however the rows arrive.
type ArrowWriter struct {
	out     io.Writer
	source  string
	columns []Column
	file    *arrowipc.Writer // begun by the first row, which says which columns are counts

	rows     int
	time     []int64
	float    [][]float64
	counts   [][]int32
	validity [][]byte
	nulls    []int
	batch    []arrowipc.Column
}

// NewArrowWriter begins a file of those columns, of which Name and Unit count.
// Columns that arrive as Counts become int32, the others float64; the first
// Write decides.
func NewArrowWriter(w io.Writer, source string, columns []Column) (*ArrowWriter, error) {
	if source == "" {
		return nil, errors.New("a raw Arrow file needs the name of its source")
	}
	seen := map[string]bool{TimeColumn: true}
	for _, c := range columns {
		if c.Name == "" || seen[c.Name] {
			return nil, fmt.Errorf("column name %q is empty, taken or reserved", c.Name)
		}
		seen[c.Name] = true
	}
	return &ArrowWriter{out: w, source: source, columns: columns}, nil
}

func (w *ArrowWriter) begin(columns []Column) error {
	schema := arrowipc.Schema{
		Fields:   []arrowipc.Field{{Name: TimeColumn, Kind: arrowipc.Timestamp, Zone: "UTC", Metadata: arrowipc.Metadata{{"unit", "ns"}}}},
		Metadata: arrowipc.Metadata{{SourceKey, w.source}},
	}
	n := len(columns)
	w.time = make([]int64, rawBatchRows)
	w.float, w.counts, w.validity = make([][]float64, n), make([][]int32, n), make([][]byte, n)
	w.nulls, w.batch = make([]int, n), make([]arrowipc.Column, n+1)
	for i, c := range columns {
		f := arrowipc.Field{Name: w.columns[i].Name, Kind: arrowipc.Float64, Nullable: true}
		if c.Counts != nil {
			f.Kind = arrowipc.Int32
			w.counts[i] = make([]int32, rawBatchRows)
		} else {
			w.float[i] = make([]float64, rawBatchRows)
		}
		if unit := w.columns[i].Unit; unit != "" {
			f.Metadata = arrowipc.Metadata{{UnitKey, unit}}
		}
		schema.Fields = append(schema.Fields, f)
		w.validity[i] = make([]byte, rawBatchRows/8)
	}
	var err error
	w.file, err = arrowipc.NewFileWriter(w.out, schema)
	return err
}

// Write appends rows. Time is in nanoseconds since 1970-01-01 UTC.
func (w *ArrowWriter) Write(time []int64, columns []Column) error {
	if err := checkRows(time, columns, len(w.columns)); err != nil {
		return err
	}
	if w.file == nil {
		if err := w.begin(columns); err != nil {
			return err
		}
	}
	for i, c := range columns {
		if (c.Counts != nil) != (w.counts[i] != nil) {
			return fmt.Errorf("column %q changes between counts and floating point", w.columns[i].Name)
		}
	}
	for from := 0; from < len(time); {
		n := min(len(time)-from, rawBatchRows-w.rows)
		copy(w.time[w.rows:], time[from:from+n])
		for i := range columns {
			w.fill(i, columns[i].Slice(from, from+n))
		}
		w.rows += n
		from += n
		if w.rows == rawBatchRows {
			if err := w.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

// fill copies one column's rows behind those that wait.
func (w *ArrowWriter) fill(i int, c Column) {
	at, validity := w.rows, w.validity[i]
	if c.Counts != nil {
		copy(w.counts[i][at:], c.Counts)
		for row := range c.Counts {
			if c.Valid == nil || c.Valid[row] {
				validity[(at+row)>>3] |= 1 << ((at + row) & 7)
			} else {
				w.counts[i][at+row] = 0
				w.nulls[i]++
			}
		}
		return
	}
	for row, v := range c.Float {
		if v == v {
			validity[(at+row)>>3] |= 1 << ((at + row) & 7)
		} else {
			v = math.NaN() // whatever its bits were
			w.nulls[i]++
		}
		w.float[i][at+row] = v
	}
}

func (w *ArrowWriter) flush() error {
	w.batch[0] = arrowipc.Column{Data: arrowipc.Bytes(w.time[:w.rows])}
	for i := range w.columns {
		c := arrowipc.Column{Validity: w.validity[i], Nulls: w.nulls[i]}
		if w.counts[i] != nil {
			c.Data = arrowipc.Bytes(w.counts[i][:w.rows])
		} else {
			c.Data = arrowipc.Bytes(w.float[i][:w.rows])
		}
		w.batch[i+1] = c
	}
	_, _, err := w.file.Write(w.rows, w.batch)
	w.rows = 0
	for i := range w.columns {
		clear(w.validity[i])
		w.nulls[i] = 0
	}
	return err
}

// Close writes the rows that wait and the end of the file; it does not close
// the output.
func (w *ArrowWriter) Close() error {
	if w.file == nil {
		empty := make([]Column, len(w.columns))
		if err := w.begin(empty); err != nil {
			return err
		}
	}
	if w.rows > 0 {
		if err := w.flush(); err != nil {
			return err
		}
	}
	return w.file.Close()
}
