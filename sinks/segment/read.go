package segment

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"path/filepath"

	"glueline/pipeline/frame/arrowipc"
)

// ErrDamaged is returned for a file that is not what was written: refuse it,
// and make it anew from the raw files.
var ErrDamaged = errors.New("damaged segment")

// Segment is an open segment. It is used by one goroutine.
type Segment struct {
	Fields   []Field
	Metadata [][2]string // of the schema
	Rows     int64       // of the commit record; 0 when none was given

	name   string
	file   *arrowipc.File
	record *File
	next   int
	read   int64
	in     arrowipc.Batch
	out    Batch
}

// Read opens a segment on its own: nothing says what its checksums should be.
func Read(path string) (*Segment, error) { return open(path, nil) }

// ReadCommitted opens the segment of dir that a commit record lists. Its
// length is compared now, the checksum of each batch before the batch is used.
func ReadCommitted(dir string, f File) (*Segment, error) {
	if f.Name == "" || f.Name != filepath.Base(f.Name) {
		return nil, fmt.Errorf("%w: a commit record lists %q, which is no plain name", ErrDamaged, f.Name)
	}
	return open(filepath.Join(dir, f.Name), &f)
}

func open(path string, record *File) (*Segment, error) {
	file, err := arrowipc.Open(path)
	if err != nil {
		if errors.Is(err, arrowipc.ErrDamaged) || errors.Is(err, arrowipc.ErrUnsupported) {
			err = fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		return nil, fmt.Errorf("segment %s: %w", path, err)
	}
	s := &Segment{name: path, file: file, record: record}
	if err := s.check(); err != nil {
		return nil, errors.Join(fmt.Errorf("segment %s: %w", path, err), file.Close())
	}
	return s, nil
}

// check reads the schema, and compares the file with its record.
func (s *Segment) check() error {
	s.Metadata = s.file.Schema.Metadata
	for i, f := range s.file.Schema.Fields {
		field := Field{Name: f.Name, Metadata: f.Metadata}
		if unit, ok := f.Metadata.Get(unitKey); ok && f.Metadata[0][0] == unitKey {
			field.Unit, field.Metadata = unit, f.Metadata[1:]
		}
		for kind, held := range kinds {
			if held == f.Kind {
				field.Kind = kind
			}
		}
		if f.Kind == arrowipc.Timestamp && (f.Resolution != 1 || f.Zone != "UTC") {
			return fmt.Errorf("%w: column %q is not timestamp[ns, UTC]", ErrDamaged, f.Name)
		}
		if field.Kind == 0 || i > 1 && (field.Kind == Time || field.Kind == Counter) {
			return fmt.Errorf("%w: column %q is %s", ErrDamaged, f.Name, f.Kind)
		}
		s.Fields = append(s.Fields, field)
	}
	if err := checkFields(s.Fields); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if s.record == nil {
		return nil
	}
	s.Rows = s.record.Rows
	if s.file.Size() != s.record.Bytes {
		return fmt.Errorf("%w: it has %d bytes, its commit record says %d", ErrDamaged, s.file.Size(), s.record.Bytes)
	}
	if s.file.Batches() != len(s.record.Batches) {
		return fmt.Errorf("%w: it has %d batches, its commit record says %d", ErrDamaged, s.file.Batches(), len(s.record.Batches))
	}
	return nil
}

// Next returns the next batch, or io.EOF. It is valid until the next call, and
// its columns until Close where they are not copied: do not write to them.
func (s *Segment) Next() (*Batch, error) {
	if s.next == s.file.Batches() {
		if s.record != nil && s.read != s.record.Rows {
			return nil, fmt.Errorf("segment %s: %w: it has %d rows, its commit record says %d", s.name, ErrDamaged, s.read, s.record.Rows)
		}
		return nil, io.EOF
	}
	if err := s.readBatch(s.next); err != nil {
		return nil, fmt.Errorf("segment %s: batch %d: %w", s.name, s.next, err)
	}
	s.next++
	s.read += int64(s.out.Rows)
	return &s.out, nil
}

func (s *Segment) readBatch(i int) error {
	offset, length := s.file.Place(i)
	if s.record != nil {
		sum := s.record.Batches[i]
		if sum.Offset != offset || sum.Length != length {
			return fmt.Errorf("%w: it is at %d+%d, its commit record says %d+%d", ErrDamaged, offset, length, sum.Offset, sum.Length)
		}
		all, err := s.file.Bytes(offset, length)
		if err != nil {
			return err
		}
		if crc := crc32.Checksum(all, castagnoli); crc != sum.CRC32C {
			return fmt.Errorf("%w: its checksum is %08x, its commit record says %08x", ErrDamaged, crc, sum.CRC32C)
		}
	}
	if err := s.file.Read(&s.in, i); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	b := &s.out
	b.Rows = s.in.Rows
	b.Time = arrowipc.Values[int64](s.in.Columns[0].Data)
	b.Counter = arrowipc.Values[uint64](s.in.Columns[1].Data)
	if b.Columns == nil {
		b.Columns = make([]Column, len(s.Fields)-2)
	}
	for j := range s.Fields {
		c := s.in.Columns[j]
		switch {
		case s.Fields[j].Kind == Counts:
			b.Columns[j-2].Counts, b.Columns[j-2].Valid = arrowipc.Values[int32](c.Data), nil
			if c.Nulls > 0 {
				valid := make([]bool, b.Rows)
				for row := range valid {
					valid[row] = c.Valid(row)
				}
				b.Columns[j-2].Valid = valid
			}
		case s.Fields[j].Kind != Float && c.Nulls > 0:
			return fmt.Errorf("%w: column %q has nulls", ErrDamaged, s.Fields[j].Name)
		case s.Fields[j].Kind == Float:
			values := arrowipc.Values[float64](c.Data)
			if c.Nulls > 0 {
				values = append([]float64(nil), values...)
				for row := range values {
					if !c.Valid(row) {
						values[row] = math.NaN()
					}
				}
			}
			b.Columns[j-2].Float = values
		case s.Fields[j].Kind == Flags:
			b.Columns[j-2].Flags = arrowipc.Values[uint32](c.Data)
		}
	}
	return nil
}

// Skip passes over batches unread, which their commit record must count. Next goes
// on behind them, up to the end.
func (s *Segment) Skip(batches int) error {
	if s.record == nil || batches < 0 || batches > len(s.record.Batches)-s.next {
		return fmt.Errorf("segment %s: %w: there are not %d batches to pass over", s.name, ErrDamaged, batches)
	}
	for ; batches > 0; batches-- {
		s.read += int64(s.record.Batches[s.next].Rows)
		s.next++
	}
	return nil
}

// Close gives the file back. It may be called twice.
func (s *Segment) Close() error { return s.file.Close() }
