package arrowipc

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
	"os"
)

// ErrDamaged is returned for bytes that are not, or are no longer, an Arrow
// IPC file or stream: refuse the file.
var ErrDamaged = errors.New("damaged Arrow file")

// ErrUnsupported is returned for a sound Arrow file of a form that raw and
// reduced data do not have: refuse the file.
var ErrUnsupported = errors.New("unsupported Arrow file")

const (
	magic        = "ARROW1"
	continuation = 0xFFFFFFFF
	maxFields    = 4096
)

// Numbers of the format's unions (Message.fbs and Schema.fbs).
const (
	headerSchema, headerDictionary, headerBatch = 1, 2, 3
	typeInt, typeFloat, typeTimestamp           = 2, 3, 10
)

// Looks says whether a file that begins like this is Arrow IPC, file or
// stream.
func Looks(beginning []byte) bool {
	return bytes.HasPrefix(beginning, []byte(magic)) ||
		bytes.HasPrefix(beginning, []byte{0xFF, 0xFF, 0xFF, 0xFF})
}

// File is an open file or stream. Its batches are views of the mapped file
// and end with Close; the file must not be changed meanwhile.
type File struct {
	Schema Schema

	data   storage
	blocks []block
	walker walker // reused: decoding a batch allocates nothing
}

// block is where one record batch stands.
type block struct {
	offset   int64
	metadata int64
	body     int64
}

// Batch is one record batch: a column a field.
type Batch struct {
	Rows    int
	Columns []Column
}

// storage is where the bytes are: mapped, or read when they are asked for.
type storage interface {
	size() int64
	view(offset, n int64) ([]byte, error) // valid until close
	close() error
}

// inMemory is a storage of bytes that are there already.
type inMemory []byte

func (m inMemory) size() int64 { return int64(len(m)) }
func (m inMemory) view(offset, n int64) ([]byte, error) {
	if offset < 0 || n < 0 || offset > int64(len(m)) || n > int64(len(m))-offset {
		return nil, fmt.Errorf("%w: bytes %d..%d of %d are asked for", ErrDamaged, offset, offset+n, len(m))
	}
	return m[offset : offset+n : offset+n], nil
}
func (m inMemory) close() error { return nil }

// onDisk is a storage for systems without mapping.
type onDisk struct {
	f io.ReaderAt
	n int64
	c io.Closer
}

func (d onDisk) size() int64 { return d.n }
func (d onDisk) view(offset, n int64) ([]byte, error) {
	if offset < 0 || n < 0 || offset > d.n || n > d.n-offset {
		return nil, fmt.Errorf("%w: bytes %d..%d of %d are asked for", ErrDamaged, offset, offset+n, d.n)
	}
	b := make([]byte, n)
	if _, err := d.f.ReadAt(b, offset); err != nil {
		return nil, fmt.Errorf("read %d bytes at %d: %w", n, offset, err)
	}
	return b, nil
}
func (d onDisk) close() error { return d.c.Close() }

// Open opens a file or stream of the file system, mapped where the system can.
func Open(path string) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%w: %s is not a regular file", ErrUnsupported, path)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	data, err := mapFile(f, info.Size())
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return open(data)
}

// Parse opens a file or stream that is in memory.
func Parse(b []byte) (*File, error) { return open(inMemory(b)) }

func open(data storage) (*File, error) {
	f := &File{data: data}
	err := hostCheck()
	if err == nil {
		err = f.readStructure()
	}
	if err != nil {
		return nil, errors.Join(err, data.close())
	}
	return f, nil
}

func (f *File) readStructure() error {
	head, err := f.data.view(0, min(8, f.data.size()))
	if err != nil {
		return err
	}
	switch {
	case len(head) == 0:
		return fmt.Errorf("%w: the file is empty", ErrDamaged)
	case bytes.HasPrefix(head, []byte(magic)):
		return f.readFooter()
	case Looks(head):
		return f.readStream()
	}
	return fmt.Errorf("%w: it does not begin like one", ErrDamaged)
}

// readFooter reads the end of the file format: schema and places of batches,
// then "length, ARROW1".
func (f *File) readFooter() error {
	const tail = 4 + len(magic)
	size := f.data.size()
	if size < int64(8+tail) {
		return fmt.Errorf("%w: it is cut off after %d bytes", ErrDamaged, size)
	}
	end, err := f.data.view(size-int64(tail), int64(tail))
	if err != nil {
		return err
	}
	if string(end[4:]) != magic {
		return fmt.Errorf("%w: the end is missing; it was never closed, or is cut off", ErrDamaged)
	}
	length := int64(int32(binary.LittleEndian.Uint32(end)))
	if length <= 0 || length > size-int64(8+tail) {
		return fmt.Errorf("%w: its footer claims %d of %d bytes", ErrDamaged, length, size)
	}
	start := size - int64(tail) - length
	footer, err := f.data.view(start, length)
	if err != nil {
		return err
	}
	w := newWalker(footer)
	root := w.root()
	if schema, ok := root.child(1); ok {
		f.Schema, err = readSchema(schema)
	} else {
		err = fmt.Errorf("%w: its footer has no schema", ErrDamaged)
	}
	if w.err != nil {
		return w.err
	}
	if err != nil {
		return err
	}
	if _, n := root.vector(2, 24); n > 0 {
		return fmt.Errorf("%w: it has dictionaries; write plain numbers", ErrUnsupported)
	}
	at, n := root.vector(3, 24)
	if w.err != nil {
		return w.err
	}
	f.blocks = make([]block, n)
	for i := range f.blocks {
		b := block{offset: w.i64(at + 24*i), metadata: int64(w.i32(at + 24*i + 8)), body: w.i64(at + 24*i + 16)}
		if b.offset < 8 || b.metadata < 8 || b.body < 0 || b.offset > start || b.metadata > start-b.offset || b.body > start-b.offset-b.metadata {
			return fmt.Errorf("%w: batch %d is said to be outside the file", ErrDamaged, i)
		}
		f.blocks[i] = b
	}
	return w.err
}

// readStream walks the stream format from message to message.
func (f *File) readStream() error {
	haveSchema := false
	for at := int64(0); at < f.data.size(); {
		frame, err := f.data.view(at, min(8, f.data.size()-at))
		if err != nil {
			return err
		}
		if len(frame) < 8 || binary.LittleEndian.Uint32(frame) != continuation {
			return fmt.Errorf("%w: no message begins at byte %d", ErrDamaged, at)
		}
		length := int64(int32(binary.LittleEndian.Uint32(frame[4:])))
		if length == 0 {
			if rest := f.data.size() - at - 8; rest > 0 {
				return fmt.Errorf("%w: %d bytes follow the end of the stream", ErrDamaged, rest)
			}
			break
		}
		if length < 0 || length > f.data.size()-at-8 {
			return fmt.Errorf("%w: it is cut off in the message at byte %d", ErrDamaged, at)
		}
		metadata, err := f.data.view(at+8, length)
		if err != nil {
			return err
		}
		w := newWalker(metadata)
		message := w.root()
		kind, body := message.u8(1), message.i64(3)
		header, _ := message.child(2)
		if w.err != nil {
			return w.err
		}
		if body < 0 || body > f.data.size()-at-8-length {
			return fmt.Errorf("%w: it is cut off in the message at byte %d", ErrDamaged, at)
		}
		switch {
		case kind == headerSchema && !haveSchema:
			haveSchema = true
			if f.Schema, err = readSchema(header); err == nil {
				err = w.err
			}
			if err != nil {
				return err
			}
		case kind == headerBatch && haveSchema:
			f.blocks = append(f.blocks, block{offset: at, metadata: 8 + length, body: body})
		case kind == headerDictionary:
			return fmt.Errorf("%w: it has dictionaries; write plain numbers", ErrUnsupported)
		default:
			return fmt.Errorf("%w: message of kind %d at byte %d", ErrDamaged, kind, at)
		}
		at += 8 + length + body
	}
	if !haveSchema {
		return fmt.Errorf("%w: it has no schema", ErrDamaged)
	}
	return nil
}

func readSchema(t table) (Schema, error) {
	if t.i16(0) != 0 {
		return Schema{}, fmt.Errorf("%w: its numbers are big endian", ErrUnsupported)
	}
	at, n := t.vector(1, 4)
	if n > maxFields {
		return Schema{}, fmt.Errorf("%w: %d columns; at most %d are read", ErrUnsupported, n, maxFields)
	}
	s := Schema{Metadata: readMetadata(t, 2)}
	for i := range n {
		field, err := readField(t.element(at, i))
		if err != nil {
			return s, err
		}
		if t.w.err != nil {
			return s, t.w.err
		}
		s.Fields = append(s.Fields, field)
	}
	return s, t.w.err
}

func readField(t table) (Field, error) {
	f := Field{Name: t.text(0), Nullable: t.u8(1) != 0, Metadata: readMetadata(t, 6)}
	_, dictionary := t.child(4)
	_, children := t.vector(5, 4)
	kind := t.u8(2)
	of, _ := t.child(3)
	if t.w.err != nil {
		return f, t.w.err
	}
	if dictionary || children > 0 {
		return f, fmt.Errorf("%w: column %q is nested or a dictionary; write plain numbers", ErrUnsupported, f.Name)
	}
	switch kind {
	case typeInt:
		width, signed := of.i32(0), of.u8(1) != 0
		switch {
		case width == 16 && signed:
			f.Kind = Int16
		case width == 32 && signed:
			f.Kind = Int32
		case width == 32:
			f.Kind = Uint32
		case width == 64 && !signed:
			f.Kind = Uint64
		}
	case typeFloat:
		switch of.i16(0) {
		case 1:
			f.Kind = Float32
		case 2:
			f.Kind = Float64
		}
	case typeTimestamp:
		if unit := of.i16(0); unit >= 0 && unit < 4 {
			f.Kind, f.Resolution = Timestamp, [...]int64{1e9, 1e6, 1e3, 1}[unit]
			f.Zone = of.text(1)
		}
	}
	if t.w.err == nil && f.Kind == 0 {
		return f, fmt.Errorf("%w: column %q is of another type; write timestamp, float64, float32, int32, int16, uint32 or uint64", ErrUnsupported, f.Name)
	}
	return f, t.w.err
}

func readMetadata(t table, slot int) Metadata {
	at, n := t.vector(slot, 4)
	var m Metadata
	for i := range n {
		pair := t.element(at, i)
		key, value := pair.text(0), pair.text(1)
		if t.w.budget -= 64; t.w.budget < 0 { // what a pair costs beside its text
			t.w.fail("its metadata repeats itself without end")
		}
		if t.w.err != nil {
			return nil
		}
		m = append(m, [2]string{key, value})
	}
	return m
}

// Batches is the number of record batches.
func (f *File) Batches() int { return len(f.blocks) }

// Size is the number of bytes of the file.
func (f *File) Size() int64 { return f.data.size() }

// Place is which bytes of the file batch i fills.
func (f *File) Place(i int) (offset, length int64) {
	b := f.blocks[i]
	return b.offset, b.metadata + b.body
}

// Bytes is a view of a part of the file.
func (f *File) Bytes(offset, length int64) ([]byte, error) { return f.data.view(offset, length) }

// Read makes dst batch i, 0 <= i < Batches(). Every column is checked to have
// as many values as the batch has rows, and as many nulls as it says.
func (f *File) Read(dst *Batch, i int) error {
	if err := f.read(dst, i); err != nil {
		return fmt.Errorf("batch %d: %w", i, err)
	}
	return nil
}

func (f *File) read(dst *Batch, i int) error {
	b := f.blocks[i]
	all, err := f.data.view(b.offset, b.metadata+b.body)
	if err != nil {
		return err
	}
	if binary.LittleEndian.Uint32(all) != continuation {
		return fmt.Errorf("%w: no message begins there", ErrDamaged)
	}
	length := int64(int32(binary.LittleEndian.Uint32(all[4:])))
	if length < 0 || length > b.metadata-8 {
		return fmt.Errorf("%w: its message claims %d bytes", ErrDamaged, length)
	}
	body := all[b.metadata:]
	w := &f.walker
	*w = walker{b: all[8 : 8+length]}
	message := w.root()
	header, _ := message.child(2)
	kind, declared := message.u8(1), message.i64(3)
	rows := header.i64(0)
	nodes, nNodes := header.vector(1, 16)
	buffers, nBuffers := header.vector(2, 16)
	_, compressed := header.field(3)
	if w.err != nil {
		return w.err
	}
	switch n := len(f.Schema.Fields); {
	case kind != headerBatch:
		return fmt.Errorf("%w: it is not a record batch", ErrDamaged)
	case compressed:
		return fmt.Errorf("%w: it is compressed; write it uncompressed", ErrUnsupported)
	case declared != b.body:
		return fmt.Errorf("%w: its body has %d bytes, not %d", ErrDamaged, b.body, declared)
	case rows < 0 || rows > b.body:
		return fmt.Errorf("%w: it claims %d rows in %d bytes", ErrDamaged, rows, b.body)
	case nNodes != n || nBuffers != 2*n:
		return fmt.Errorf("%w: it has %d columns and %d buffers for %d fields", ErrDamaged, nNodes, nBuffers, n)
	}
	dst.Rows, dst.Columns = int(rows), dst.Columns[:0]
	for i, field := range f.Schema.Fields {
		if count := w.i64(nodes + 16*i); count != rows {
			return fmt.Errorf("%w: column %q has %d of %d rows", ErrDamaged, field.Name, count, rows)
		}
		nulls := w.i64(nodes + 16*i + 8)
		validity, ok := w.buffer(buffers+32*i, body)
		data, ok2 := w.buffer(buffers+32*i+16, body)
		need := int(rows) * field.Kind.Size()
		bitmap := (int(rows) + 7) / 8
		if !ok || !ok2 || len(data) < need || nulls < 0 || nulls > rows || nulls > 0 && len(validity) < bitmap {
			return fmt.Errorf("%w: column %q does not have the bytes of its %d rows", ErrDamaged, field.Name, rows)
		}
		column := Column{Data: data[:need], Nulls: int(nulls)}
		if nulls > 0 {
			column.Validity = validity[:bitmap]
			if set := countSet(column.Validity, int(rows)); set != int(rows-nulls) {
				return fmt.Errorf("%w: column %q says %d nulls and has %d", ErrDamaged, field.Name, nulls, int(rows)-set)
			}
		}
		dst.Columns = append(dst.Columns, column)
	}
	return w.err
}

// buffer is the part of a body that the buffer entry at a place names.
func (w *walker) buffer(at int, body []byte) ([]byte, bool) {
	offset, length := w.i64(at), w.i64(at+8)
	if w.err != nil || offset < 0 || length < 0 || offset > int64(len(body)) || length > int64(len(body))-offset {
		return nil, false
	}
	return body[offset : offset+length : offset+length], true
}

// countSet counts the set bits among the first n.
func countSet(bitmap []byte, n int) int {
	set, whole := 0, n/8
	i := 0
	for ; i+8 <= whole; i += 8 {
		set += bits.OnesCount64(binary.LittleEndian.Uint64(bitmap[i:]))
	}
	for ; i < whole; i++ {
		set += bits.OnesCount8(bitmap[i])
	}
	if rest := n % 8; rest > 0 {
		set += bits.OnesCount8(bitmap[whole] & (1<<rest - 1))
	}
	return set
}

// Close gives the file back; batches of it must not be used afterwards. It may
// be called twice.
func (f *File) Close() error {
	if f.data == nil {
		return nil
	}
	err := f.data.close()
	f.data, f.blocks = nil, nil
	return err
}

// Forget tells the system that a view of the file is not needed any more, so
// that a long file does not stay in memory behind the reader. The bytes stay
// readable.
func (f *File) Forget(view []byte) {
	if m, ok := f.data.(forgetter); ok {
		m.forget(view)
	}
}

// ForgetBatch is Forget for all of batch i.
func (f *File) ForgetBatch(i int) {
	if m, ok := f.data.(forgetter); ok {
		if view, err := f.data.view(f.Place(i)); err == nil {
			m.forget(view)
		}
	}
}

// forgetter is a storage whose views cost memory only while they are used.
type forgetter interface{ forget(view []byte) }
