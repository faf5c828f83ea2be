package follow

import (
	"glueline/pipeline/steps"
)

// Kind is what a column is.
type Kind uint8

// The kinds of columns.
const (
	Strain      Kind = iota
	Temperature      // degC
	Load             // the auxiliary quantity that strain is read against
	Humidity         // %
	Excitation       // V, of the column's source
	Reference        // mV/V, of a stable resistor bridge on the column's source
)

// Column is one column of a batch.
type Column struct {
	Name  string // of the channel, temperature or auxiliary quantity
	Kind  Kind
	Value []float64 // NaN where there is none
	Flags []uint32  // of strain, a flag.Mask a sample
	Anew  bool      // of strain: its constants are others than those of the batch before
}

// Batch is a run of consecutive rows of one source. Its slices have the length of
// Time and are not kept.
type Batch struct {
	Source  string
	Time    []int64 // ns since 1970 UTC
	Columns []Column
}

// Batches hands out all batches from the beginning, those of one source in their
// order. It is asked twice.
type Batches func(visit func(*Batch)) error

// Series hands the columns of a batch on as those of package steps.
func (b *Batch) Series(visit func(steps.Series)) {
	for i := range b.Columns {
		c := &b.Columns[i]
		s := steps.Series{Name: c.Name, Time: b.Time, Value: c.Value, Flags: c.Flags}
		switch c.Kind {
		case Strain:
			s.Kind = steps.Strain
		case Temperature:
			s.Kind = steps.Temperature
		case Load:
			s.Kind = steps.Load
		default:
			continue
		}
		visit(s)
	}
}
