// Package segment writes and reads reduced segments: immutable Arrow IPC files
// with a commit record beside them.
//
// A segment is an ordinary Arrow file (uncompressed, little endian) that any
// Arrow reader opens. Its columns are, in this order:
//
//	time     timestamp[ns, UTC]   of the sample
//	sample   uint64               counts the samples of the source; readers that cut nanoseconds lose nothing
//	values   float64              a column a result, the unit in its name and in its metadata; null where there is none
//	flags    uint32               beside the values they belong to
//	counts   int32                raw readings, in archives of raw frames
//
// The order of fields and metadata is that of the writer's caller, and batches
// have a fixed number of rows from the start of the segment whatever the
// batches it arrives in, so that the same results give the same bytes.
//
// The package knows bytes and durability; it does not know what a gauge is.
package segment

import (
	"strings"

	"glueline/pipeline/frame/arrowipc"
)

// Kind is what a field holds.
type Kind uint8

// The kinds of fields. A segment has one Time and one Counter field, the first
// and the second, and any number of the others.
const (
	Time    Kind = iota + 1 // int64 nanoseconds since 1970-01-01 UTC
	Counter                 // uint64
	Float                   // float64; NaN in a Batch is null in the file
	Flags                   // uint32
	Counts                  // int32, as an instrument gave them; null where not valid
)

func (k Kind) String() string {
	switch k {
	case Time:
		return "time"
	case Counter:
		return "counter"
	case Float:
		return "float"
	case Flags:
		return "flags"
	case Counts:
		return "counts"
	}
	return "no kind"
}

// Field describes a column.
type Field struct {
	Name     string // with the unit, for example "skin-1 [m/m]"
	Unit     string // also in the metadata, as `unit`, when not ""
	Kind     Kind
	Metadata [][2]string // in this order, after the unit
}

// Column is the values of one field: Float, Flags or Counts.
type Column struct {
	Float  []float64 // NaN where there is no value
	Flags  []uint32
	Counts []int32
	Valid  []bool // of Counts; nil when all are
}

// Batch is a run of rows. Columns are those of the fields behind time and
// counter, in the same order.
type Batch struct {
	Rows    int
	Time    []int64
	Counter []uint64
	Columns []Column
}

const unitKey = "unit"

// kinds maps to what the file holds.
var kinds = map[Kind]arrowipc.Kind{
	Time:    arrowipc.Timestamp,
	Counter: arrowipc.Uint64,
	Float:   arrowipc.Float64,
	Flags:   arrowipc.Uint32,
	Counts:  arrowipc.Int32,
}

// SourceOf is the source in the name of a file, GROUP.CUT.SOURCE.arrow or with the
// number of a part.
func SourceOf(name string) string {
	name = strings.TrimSuffix(name, ".arrow")
	if i := strings.LastIndex(name, ".part-"); i > 0 {
		name = name[:i]
	}
	return name[strings.LastIndexByte(name, '.')+1:]
}
