package segment

import (
	"errors"
	"fmt"
	"path/filepath"

	"glueline/pipeline/frame/arrowipc"
	"glueline/sinks/disk"
)

// Writer writes one segment under a temporary name and gives it its own when
// it is complete and on disk. It is used by one goroutine, and ends with
// Commit or Abort.
type Writer struct {
	dir          disk.Folder
	name         string
	temporary    string
	fields       []Field
	rowsPerBatch int

	file    disk.File
	sums    *sums
	arrow   *arrowipc.Writer
	memory  *Memory
	filling *buffers
	other   *buffers // whose bytes may still be summed; nil until it is needed
	written int64    // up to where writeback has been asked for

	out File
	err error // what Append says from now on
}

var (
	// ErrEnded is returned for a writer that was committed or aborted.
	ErrEnded = errors.New("the segment is committed or aborted already")
	// ErrShape is returned for a batch that does not fit the fields: a mistake
	// of the caller's.
	ErrShape = errors.New("batch does not fit the segment's fields")
)

// Create begins the segment dir/name as dir/.name.tmp-PROCESS-N. fields are one
// Time, one Counter, then any of the others; the file's schema metadata is
// metadata, in that order; every batch but the last has rowsPerBatch rows.
func Create(dir disk.Folder, name string, fields []Field, metadata [][2]string, rowsPerBatch int) (*Writer, error) {
	return new(Memory).Create(dir, name, fields, metadata, rowsPerBatch)
}

// Create is the function of that name, with the memory of writers before.
func (m *Memory) Create(dir disk.Folder, name string, fields []Field, metadata [][2]string, rowsPerBatch int) (*Writer, error) {
	if err := checkFields(fields); err != nil {
		return nil, fmt.Errorf("segment %s: %w", name, err)
	}
	if name == "" || name != filepath.Base(name) || rowsPerBatch < 1 {
		return nil, fmt.Errorf("segment %q of %d rows a batch: it needs a plain name and at least one row", name, rowsPerBatch)
	}
	w := &Writer{dir: dir, name: name, fields: fields, rowsPerBatch: rowsPerBatch, memory: m, out: File{Name: name}}
	w.temporary = temporaryName(name)
	var err error
	if w.file, err = dir.Create(w.temporary); err != nil {
		return nil, fmt.Errorf("create segment: %w", err)
	}
	w.sums = newSums(w.file)
	w.filling = m.take(fields, rowsPerBatch)
	schema := arrowipc.Schema{Metadata: metadata}
	for _, f := range fields {
		field := arrowipc.Field{Name: f.Name, Kind: kinds[f.Kind], Nullable: f.Kind == Float || f.Kind == Counts}
		if f.Kind == Time {
			field.Zone = "UTC"
		}
		if f.Unit != "" {
			field.Metadata = append(field.Metadata, [2]string{unitKey, f.Unit})
		}
		field.Metadata = append(field.Metadata, f.Metadata...)
		schema.Fields = append(schema.Fields, field)
	}
	if w.arrow, err = arrowipc.NewFileWriter(w.sums, schema); err != nil {
		return nil, errors.Join(fmt.Errorf("create segment: %w", err), w.Abort())
	}
	return w, nil
}

func checkFields(fields []Field) error {
	if len(fields) < 2 || fields[0].Kind != Time || fields[1].Kind != Counter {
		return errors.New("its fields do not begin with a time and a counter")
	}
	seen := map[string]bool{}
	for i, f := range fields {
		switch {
		case f.Name == "":
			return fmt.Errorf("field %d has no name", i)
		case seen[f.Name]:
			return fmt.Errorf("two fields are called %q", f.Name)
		case i > 1 && f.Kind != Float && f.Kind != Flags && f.Kind != Counts:
			return fmt.Errorf("field %q is a %s behind the first two", f.Name, f.Kind)
		}
		seen[f.Name] = true
	}
	return nil
}

// Append adds rows. Nothing of b is kept. After an error the segment can only
// be aborted.
func (w *Writer) Append(b Batch) error {
	if w.err == nil {
		w.err = w.append(&b)
	}
	return w.err
}

func (w *Writer) append(b *Batch) error {
	if err := w.checkShape(b); err != nil {
		return fmt.Errorf("segment %s: %w", w.name, err)
	}
	if b.Rows > 0 {
		if w.out.Rows == 0 {
			w.out.FirstTime = b.Time[0]
		}
		w.out.LastTime = b.Time[b.Rows-1]
		w.out.Rows += int64(b.Rows)
	}
	for from := 0; from < b.Rows; {
		to := min(b.Rows, from+w.rowsPerBatch-w.filling.rows)
		w.filling.add(b, from, to)
		from = to
		if w.filling.rows == w.rowsPerBatch {
			if err := w.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (w *Writer) checkShape(b *Batch) error {
	if len(b.Time) != b.Rows || len(b.Counter) != b.Rows || len(b.Columns) != len(w.fields)-2 {
		return fmt.Errorf("%w: %d rows with %d times, %d counters and %d columns of %d",
			ErrShape, b.Rows, len(b.Time), len(b.Counter), len(b.Columns), len(w.fields)-2)
	}
	for i, c := range b.Columns {
		f := w.fields[i+2]
		have := [...]int{Float: len(c.Float), Flags: len(c.Flags), Counts: len(c.Counts)}
		if have[f.Kind] != b.Rows || len(c.Float)+len(c.Flags)+len(c.Counts) != b.Rows || c.Valid != nil && len(c.Valid) != len(c.Counts) {
			return fmt.Errorf("%w: %q (%s) has %d values, %d flags and %d counts for %d rows", ErrShape, f.Name, f.Kind, len(c.Float), len(c.Flags), len(c.Counts), b.Rows)
		}
	}
	return nil
}

// flush writes the rows that are filled in, and goes on in the other buffers.
func (w *Writer) flush() error {
	w.sums.beginBatch()
	offset, length, err := w.arrow.Write(w.filling.rows, w.filling.batch())
	if err != nil {
		return fmt.Errorf("segment %s: %w", w.name, err)
	}
	w.out.Batches = append(w.out.Batches, BatchSum{Offset: offset, Length: length, Rows: w.filling.rows})
	w.sums.endBatch(w.filling)
	w.file.StartWriteback(w.written, offset+length)
	w.written = offset + length
	if w.other == nil {
		w.other = w.memory.take(w.fields, w.rowsPerBatch)
	} else {
		w.other = <-w.sums.free // that of the batch before this one: they come back in order
	}
	w.filling, w.other = w.other, w.filling
	w.filling.clear()
	return nil
}

// Commit writes the end of the file, syncs it, gives it its name (replacing a
// file of that name, which no commit record can name when its bytes differ), in
// this order. WriteRecord makes the name last when the power fails. When it
// fails, the temporary file is removed.
func (w *Writer) Commit() (File, error) {
	err := w.err
	if w.file == nil {
		return File{}, ErrEnded
	}
	if err == nil && w.filling.rows > 0 {
		err = w.flush()
	}
	if err == nil {
		err = w.arrow.Close()
	}
	if err != nil {
		return File{}, errors.Join(fmt.Errorf("commit segment %s: %w", w.name, err), w.Abort())
	}
	w.file.StartWriteback(w.written, w.written)
	sha, crcs, bytes := w.sums.finish()
	w.giveBack()
	w.out.SHA256, w.out.Bytes = sha, bytes
	for i, crc := range crcs {
		w.out.Batches[i].CRC32C = crc
	}
	if err = w.file.Sync(); err != nil {
		return File{}, errors.Join(fmt.Errorf("commit segment %s: %w", w.name, err), w.Abort())
	}
	err = w.file.Close()
	w.file, w.err = nil, ErrEnded
	if err == nil {
		err = w.dir.Rename(w.temporary, w.name)
	}
	if err != nil {
		return File{}, errors.Join(fmt.Errorf("commit segment %s: %w", w.name, err), w.dir.Remove(w.temporary))
	}
	return w.out, nil
}

// Abort ends the writer and removes its temporary file. It does nothing for a
// writer that has ended.
func (w *Writer) Abort() error {
	if w.file == nil {
		return nil
	}
	w.sums.finish()
	w.giveBack()
	err := errors.Join(w.file.Close(), w.dir.Remove(w.temporary))
	w.file, w.err = nil, ErrEnded
	if err != nil {
		return fmt.Errorf("abort segment %s: %w", w.name, err)
	}
	return nil
}

// giveBack leaves the memory to the next writer, once the sums are finished.
func (w *Writer) giveBack() {
	w.memory.give(w.fields, w.rowsPerBatch, w.filling)
	w.memory.give(w.fields, w.rowsPerBatch, w.other)
	w.filling, w.other = nil, nil
}
