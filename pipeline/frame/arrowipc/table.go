package arrowipc

import (
	"encoding/binary"
	"fmt"
)

// walker reads the tables that Arrow's messages are made of (FlatBuffers:
// little endian, offsets relative to where they stand). It never reads outside
// b: the first offset or length that does not fit is kept in err, and from
// then on everything reads as zero.
type walker struct {
	b      []byte
	err    error
	budget int // bytes of text that may still be copied out: tables may share a string, and a damaged file could ask for one a million times
}

func newWalker(b []byte) *walker {
	return &walker{b: b, budget: 4*len(b) + 1024}
}

func (w *walker) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf("%w: %s", ErrDamaged, fmt.Sprintf(format, args...))
	}
}

// span returns n bytes at a place, or nil.
func (w *walker) span(at, n int) []byte {
	if w.err != nil {
		return nil
	}
	if at < 0 || n < 0 || at > len(w.b) || n > len(w.b)-at {
		w.fail("an offset of its metadata points outside it")
		return nil
	}
	return w.b[at : at+n]
}

func (w *walker) u16(at int) int {
	if s := w.span(at, 2); s != nil {
		return int(binary.LittleEndian.Uint16(s))
	}
	return 0
}

func (w *walker) u32(at int) int {
	if s := w.span(at, 4); s != nil {
		return int(binary.LittleEndian.Uint32(s))
	}
	return 0
}

func (w *walker) i32(at int) int {
	if s := w.span(at, 4); s != nil {
		return int(int32(binary.LittleEndian.Uint32(s)))
	}
	return 0
}

func (w *walker) i64(at int) int64 {
	if s := w.span(at, 8); s != nil {
		return int64(binary.LittleEndian.Uint64(s))
	}
	return 0
}

// table is one table: where it stands, and where its list of slots does.
type table struct {
	w             *walker
	at            int
	slots, length int // of the list of slots, in bytes
}

// root is the table that the whole buffer holds.
func (w *walker) root() table { return w.table(w.u32(0)) }

func (w *walker) table(at int) table {
	slots := at - w.i32(at)
	length := w.u16(slots)
	w.span(slots, length)
	if length < 4 {
		w.fail("a table of its metadata has no list of fields")
	}
	return table{w: w, at: at, slots: slots, length: length}
}

// field is where slot i stands, and whether it was written at all.
func (t table) field(i int) (int, bool) {
	entry := 4 + 2*i
	if t.w.err != nil || entry+2 > t.length {
		return 0, false
	}
	offset := t.w.u16(t.slots + entry)
	return t.at + offset, offset != 0 && t.w.err == nil
}

func (t table) u8(i int) int {
	if at, ok := t.field(i); ok {
		if s := t.w.span(at, 1); s != nil {
			return int(s[0])
		}
	}
	return 0
}

func (t table) i16(i int) int {
	if at, ok := t.field(i); ok {
		return int(int16(t.w.u16(at)))
	}
	return 0
}

func (t table) i32(i int) int {
	if at, ok := t.field(i); ok {
		return t.w.i32(at)
	}
	return 0
}

func (t table) i64(i int) int64 {
	if at, ok := t.field(i); ok {
		return t.w.i64(at)
	}
	return 0
}

// child is the table that slot i points to.
func (t table) child(i int) (table, bool) {
	at, ok := t.field(i)
	if !ok {
		return table{w: t.w}, false
	}
	return t.w.table(at + t.w.u32(at)), t.w.err == nil
}

// vector is where the elements of slot i begin, and how many there are; they
// are all inside the buffer.
func (t table) vector(i, elementSize int) (at, n int) {
	field, ok := t.field(i)
	if !ok {
		return 0, 0
	}
	at = field + t.w.u32(field)
	n = t.w.u32(at)
	at += 4
	if t.w.err == nil && (at > len(t.w.b) || n > (len(t.w.b)-at)/elementSize) {
		t.w.fail("a list of its metadata is longer than the metadata")
	}
	if t.w.err != nil {
		return 0, 0
	}
	return at, n
}

// element is table i of a vector of tables.
func (t table) element(vector, i int) table {
	at := vector + 4*i
	return t.w.table(at + t.w.u32(at))
}

func (t table) text(i int) string {
	at, n := t.vector(i, 1)
	if t.w.budget -= n; t.w.budget < 0 {
		t.w.fail("its metadata repeats itself without end")
		return ""
	}
	return string(t.w.span(at, n))
}
