package verify

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"glueline/sinks/segment"
)

// content is what a file says of itself.
type content struct {
	name     string
	metadata map[string]string
	fields   []segment.Field
	file     segment.File
	ahead    int64 // ns, taken off the times of its raw readings
}

// check compares a file with its record, byte by byte and then row by row, and
// hands its batches on. It returns nil when something was wrong.
func (w *walk) check(f *folder, r *record, file segment.File, rows func(*segment.Batch)) *content {
	wrong := func(kind Kind, format string, args ...any) *content {
		w.damage(f, r.group, kind, file.Name, fmt.Sprintf(format, args...))
		return nil
	}
	sum, size, err := w.sum(f.file(file.Name))
	switch {
	case os.IsNotExist(err):
		return wrong(FileMissing, "%s lists it, but it is not there", r.name)
	case err != nil:
		return wrong(FileChanged, "it cannot be read: %v", err)
	case sum != file.SHA256 && w.owner[sum] != "":
		return wrong(FileSwapped, "it holds what %s should hold", w.owner[sum])
	case size != file.Bytes:
		return wrong(FileLength, "it has %d bytes, %s says %d", size, r.name, file.Bytes)
	case sum != file.SHA256:
		return wrong(FileChanged, "its bytes are others than those that %s knows (%v)", r.name, w.firstBad(f, file))
	}
	s, err := segment.ReadCommitted(f.path, file)
	if err != nil {
		return wrong(Schema, "%v", err)
	}
	defer s.Close() // only read
	c := &content{name: file.Name, metadata: map[string]string{}, fields: s.Fields, file: file}
	for _, m := range s.Metadata {
		c.metadata[m[0]] = m[1]
	}
	if c.ahead, err = segment.ClockAhead(s.Fields); err != nil {
		return wrong(Schema, "its time: %v", err)
	}
	if err := c.belongs(r); err != nil {
		return wrong(FileForeign, "%v", err)
	}
	var first, last int64
	for n := 0; ; n++ {
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return wrong(FileChanged, "%v", err)
		}
		if n == 0 {
			first = b.Time[0]
		}
		last = b.Time[b.Rows-1]
		if b.Rows != file.Batches[n].Rows {
			return wrong(Rows, "batch %d has %d rows, %s says %d", n, b.Rows, r.name, file.Batches[n].Rows)
		}
		rows(b)
	}
	if first != file.FirstTime || last != file.LastTime {
		return wrong(Rows, "its rows are of the times %d to %d, %s says %d to %d", first, last, r.name, file.FirstTime, file.LastTime)
	}
	return c
}

// belongs compares what a file says of itself with the record that lists it.
func (c *content) belongs(r *record) error {
	source := c.metadata["source"]
	for _, m := range [][2]string{
		{"test", r.test}, {"group", r.group}, {"cut", strconv.FormatUint(r.cut, 10)},
		{"program", r.program.Version}, {"architecture", r.program.Architecture},
	} {
		if c.metadata[m[0]] != m[1] {
			return fmt.Errorf("it is of the %s %q, %s is of %q", m[0], c.metadata[m[0]], r.name, m[1])
		}
	}
	if prefix := fmt.Sprintf("%s.%08d.%s.", r.group, r.cut, source); !strings.HasPrefix(c.name, prefix) {
		return fmt.Errorf("it is of the source %q, which is not in its name", source)
	}
	return nil
}

// sameFields compares the columns of two files.
func sameFields(a, b []segment.Field) bool {
	return slices.EqualFunc(a, b, func(a, b segment.Field) bool {
		return a.Name == b.Name && a.Unit == b.Unit && a.Kind == b.Kind && slices.Equal(a.Metadata, b.Metadata)
	})
}

// sum is the SHA-256 of a file.
func (w *walk) sum(path string) (sum string, size int64, err error) {
	file, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer file.Close() // only read
	h := sha256.New()
	for {
		n, err := file.Read(w.buffer)
		h.Write(w.buffer[:n])
		size += int64(n)
		w.progress(int64(n))
		if errors.Is(err, io.EOF) {
			return hex.EncodeToString(h.Sum(nil)), size, nil
		}
		if err != nil {
			return "", size, err
		}
	}
}

var errBetween = errors.New("outside its batches")

// firstBad says where in a changed file the change is.
func (w *walk) firstBad(f *folder, file segment.File) error {
	s, err := segment.ReadCommitted(f.path, file)
	if err != nil {
		return err
	}
	defer s.Close() // only read
	for {
		_, err := s.Next()
		if errors.Is(err, io.EOF) {
			return errBetween
		}
		if err != nil {
			return err
		}
	}
}
