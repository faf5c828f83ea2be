package arrowipc

import (
	"encoding/binary"
	"errors"
	"unsafe"
)

// Kind is the type of a column's values.
type Kind uint8

// The kinds that are read and written. Timestamp is an int64 in the field's
// Resolution since 1970-01-01.
const (
	Timestamp Kind = iota + 1
	Float64
	Float32
	Int32
	Int16
	Uint64
	Uint32
)

func (k Kind) String() string {
	names := [...]string{"?", "timestamp", "float64", "float32", "int32", "int16", "uint64", "uint32"}
	if int(k) >= len(names) {
		k = 0
	}
	return names[k]
}

// Size is the number of bytes of a value.
func (k Kind) Size() int {
	switch k {
	case Timestamp, Float64, Uint64:
		return 8
	case Float32, Int32, Uint32:
		return 4
	case Int16:
		return 2
	}
	return 0
}

// Metadata is an ordered list of keys and values: the order is part of the
// bytes of a file.
type Metadata [][2]string

// Get returns the first value of that key.
func (m Metadata) Get(key string) (string, bool) {
	for _, pair := range m {
		if pair[0] == key {
			return pair[1], true
		}
	}
	return "", false
}

// Field describes a column.
type Field struct {
	Name       string
	Kind       Kind
	Resolution int64  // of a Timestamp: nanoseconds of one step (1, 1e3, 1e6 or 1e9); the writer writes 1
	Zone       string // of a Timestamp: "" for a time without zone
	Nullable   bool
	Metadata   Metadata
}

// Schema describes a file.
type Schema struct {
	Fields   []Field
	Metadata Metadata
}

// Column is one column of a batch as bytes: Data holds Kind.Size() bytes a
// row. Validity is a bitmap, least significant bit first, a set bit for a
// value that is there; it is nil when Nulls is 0.
type Column struct {
	Data     []byte
	Validity []byte
	Nulls    int
}

// Valid says whether row i has a value.
func (c Column) Valid(i int) bool {
	return c.Validity == nil || c.Validity[i>>3]&(1<<(i&7)) != 0
}

// ErrBigEndian is returned on machines of the other byte order, where columns
// could not be views of a file.
var ErrBigEndian = errors.New("arrow files are read and written on little-endian machines only")

func hostCheck() error {
	if binary.NativeEndian.Uint16([]byte{1, 0}) != 1 {
		return ErrBigEndian
	}
	return nil
}

// Number is a fixed-width value of a column.
type Number interface {
	~int16 | ~int32 | ~uint32 | ~int64 | ~uint64 | ~float32 | ~float64
}

// Bytes is the memory of s.
func Bytes[T Number](s []T) []byte {
	if len(s) == 0 {
		return nil
	}
	return unsafe.Slice((*byte)(unsafe.Pointer(&s[0])), len(s)*int(unsafe.Sizeof(s[0])))
}

// Values is b as values of T, without copying where b is aligned for T, as it
// is in files of every common writer. Bytes beyond a whole value are left out.
func Values[T Number](b []byte) []T {
	var one T
	size := int(unsafe.Sizeof(one))
	n := len(b) / size
	if n == 0 {
		return nil
	}
	if uintptr(unsafe.Pointer(&b[0]))%uintptr(size) != 0 {
		aligned := make([]T, n)
		copy(Bytes(aligned), b)
		return aligned
	}
	return unsafe.Slice((*T)(unsafe.Pointer(&b[0])), n)
}
