package export

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"

	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
)

// csvTable writes comma-separated text.
type csvTable struct {
	out     *bufio.Writer
	columns []Column
	line    []byte
	clock   frame.TimeFormatter
}

// CSV is a table of comma-separated text (RFC 4180, lines ending in LF): times in
// ISO 8601 with Z, every digit of each value, nothing where there is none, and flags
// by their names with blanks between them, ok for none.
func CSV(w io.Writer) Table { return &csvTable{out: bufio.NewWriterSize(w, 1<<18)} }

// Begin writes the names of the columns.
func (t *csvTable) Begin(columns []Column) error {
	t.columns = columns
	for i, c := range columns {
		if i > 0 {
			t.line = append(t.line, ',')
		}
		if strings.ContainsAny(c.Name, "\",\r\n") {
			t.line = append(t.line, '"')
			t.line = append(t.line, strings.ReplaceAll(c.Name, `"`, `""`)...)
			t.line = append(t.line, '"')
		} else {
			t.line = append(t.line, c.Name...)
		}
	}
	return t.end()
}

// Row writes a line.
func (t *csvTable) Row(whole []int64, values []float64) error {
	for i, c := range t.columns {
		if i > 0 {
			t.line = append(t.line, ',')
		}
		if c.Kind == Value {
			if v := values[0]; v == v {
				t.line = strconv.AppendFloat(t.line, v, 'g', -1, 64)
			}
			values = values[1:]
			continue
		}
		switch n := whole[0]; c.Kind {
		case Time:
			t.line = t.clock.Append(t.line, n)
		case Flags:
			t.line = appendFlags(t.line, flag.Mask(n))
		default:
			t.line = strconv.AppendInt(t.line, n, 10)
		}
		whole = whole[1:]
	}
	return t.end()
}

func appendFlags(dst []byte, m flag.Mask) []byte {
	if m == 0 {
		return append(dst, "ok"...)
	}
	return append(dst, strings.Join(m.Names(), " ")...)
}

func (t *csvTable) end() error {
	t.line = append(t.line, '\n')
	_, err := t.out.Write(t.line)
	t.line = t.line[:0]
	if err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

// Close writes what is left. CSV has no place for anything about its columns.
func (t *csvTable) Close([][2]string) error {
	if err := t.out.Flush(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}
