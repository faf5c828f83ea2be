// Package summary keeps a line a channel of what was reduced, for people to
// read first. Its memory does not grow with the data.
package summary

import (
	"math"
	"slices"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
)

// Row is what is said of one column of numbers: a channel, rosette value,
// temperature or auxiliary quantity.
type Row struct {
	Field    group.Field
	Rows     int     // all rows
	Used     int     // rows with a value that no flag leaves out
	Min, Max float64 // of the used rows; NaN without any
	Mean     float64
	Noise    float64 // see Noise
	First    int64   // ns, time of the first row
	Last     int64
	Flags    []FlagCount // in the order of their bits
}

// FlagCount is how often a flag was set, and when first.
type FlagCount struct {
	flag.Info
	Rows  int
	Since int64 // ns
}

// Summary is a worker.Sink for one group.
type Summary struct {
	sources []string // in order of appearance
	columns map[string][]*column
	fields  func(source string) []group.Field
	Zeros   []group.ZeroInForce // in force at the newest cut
	Others  []group.ZeroInForce // that were, or came to nothing

	kept map[string][]*column // columns as of the newest cut
}

// New returns an empty summary of a group's batches.
func New(p *group.Plan) *Summary {
	return &Summary{columns: map[string][]*column{}, fields: p.Fields}
}

// column accumulates one column of numbers.
type column struct {
	row   Row
	flags int // column of its flags in the batch, -1 for none
	sum   float64
	carry float64 // of Kahan's summation
	last  float64 // value before, NaN after a row that was left out
	steps float64 // sum of squared differences of neighbours
	pairs int
	seen  [32]FlagCount
}

// Append takes the rows of a batch.
func (s *Summary) Append(b *group.Batch) error {
	columns := s.columns[b.Source]
	if columns == nil {
		columns = s.begin(b.Source)
	}
	for i, c := range columns {
		if c == nil {
			continue
		}
		var mask []uint32
		if c.flags >= 0 {
			mask = b.Columns[c.flags].Flags
		}
		c.take(b.Time, b.Columns[i].Float, mask)
	}
	return nil
}

func (s *Summary) begin(source string) []*column {
	fields := s.fields(source)
	columns := make([]*column, len(fields))
	for i, f := range fields {
		if f.Kind == group.Flags {
			continue
		}
		c := &column{flags: -1, last: math.NaN()}
		c.row = Row{Field: f, Min: math.Inf(1), Max: math.Inf(-1)}
		for k, g := range fields {
			if g.Kind == group.Flags && g.Of == f.Of {
				c.flags = k
			}
		}
		columns[i] = c
	}
	s.sources = append(s.sources, source)
	s.columns[source] = columns
	return columns
}

func (c *column) take(times []int64, values []float64, mask []uint32) {
	if len(values) == 0 {
		return
	}
	if c.row.Rows == 0 {
		c.row.First = times[0]
	}
	c.row.Last = times[len(times)-1]
	c.row.Rows += len(values)
	for from := 0; from < len(values); {
		to := min(from+blockRows, len(values))
		if mask != nil {
			c.takeFlagged(times[from:to], values[from:to], mask[from:to])
		} else {
			c.takeValues(values[from:to])
		}
		from = to
	}
}

// takeFlagged takes the rows that no flag leaves out, in runs.
func (c *column) takeFlagged(times []int64, values []float64, mask []uint32) {
	leavesOut := uint32(flag.LeavesOut)
	from := 0 // of the run
	for i, m := range mask {
		if m == 0 {
			continue
		}
		c.count(m, times[i])
		if m&leavesOut != 0 {
			c.takeValues(values[from:i])
			c.last = math.NaN()
			from = i + 1
		}
	}
	c.takeValues(values[from:])
}

// blockRows are summed plainly before they enter the long sum.
const blockRows = 1024

// takeValues takes values that nothing leaves out but being NaN.
func (c *column) takeValues(values []float64) {
	if len(values) == 0 {
		return
	}
	// Comparisons with NaN are false, and its sums are skipped.
	low, high, last := c.row.Min, c.row.Max, c.last
	sum, steps := 0.0, 0.0
	used, pairs := 0, 0
	for _, v := range values {
		if v < low {
			low = v
		}
		if v > high {
			high = v
		}
		if v == v {
			sum += v
			used++
		}
		if d := v - last; d == d {
			steps += d * d
			pairs++
		}
		last = v
	}
	c.row.Min, c.row.Max, c.last = low, high, last
	c.row.Used += used
	c.pairs += pairs
	c.steps += steps
	y := sum - c.carry
	t := c.sum + y
	c.carry, c.sum = (t-c.sum)-y, t
}

func (c *column) count(mask uint32, at int64) {
	for bit := 0; mask != 0; bit, mask = bit+1, mask>>1 {
		if mask&1 == 0 {
			continue
		}
		if c.seen[bit].Rows == 0 {
			c.seen[bit].Since = at
		}
		c.seen[bit].Rows++
	}
}

// Cut notes the zeros.
func (s *Summary) Cut(zeros []group.ZeroInForce) error {
	s.Zeros = s.Zeros[:0]
	s.Others = slices.DeleteFunc(s.Others, func(z group.ZeroInForce) bool { return z.Standing == group.Open })
	for _, z := range zeros {
		if z.Standing == group.InForce {
			s.Zeros = append(s.Zeros, z)
		} else {
			s.Others = append(s.Others, z)
		}
	}
	s.kept = copyOf(s.columns)
	return nil
}

// Abort forgets what came since the newest cut.
func (s *Summary) Abort() error {
	s.columns = copyOf(s.kept)
	s.sources = slices.DeleteFunc(s.sources, func(source string) bool { return s.columns[source] == nil })
	return nil
}

func copyOf(columns map[string][]*column) map[string][]*column {
	all := make(map[string][]*column, len(columns))
	for source, of := range columns {
		copies := make([]*column, len(of))
		for i, c := range of {
			if c != nil {
				column := *c
				copies[i] = &column
			}
		}
		all[source] = copies
	}
	return all
}

// Rows returns the rows in the order of sources and columns. Noise is the
// standard deviation from the mean square of successive differences, which
// slow changes of the quantity itself do not enter (von Neumann et al., The
// mean square successive difference, Annals of Mathematical Statistics 12, 1941).
func (s *Summary) Rows() []Row {
	var rows []Row
	for _, source := range s.sources {
		for _, c := range s.columns[source] {
			if c == nil {
				continue
			}
			r := c.row
			r.Mean = c.sum / float64(r.Used)
			r.Noise = math.Sqrt(c.steps / float64(2*c.pairs))
			if r.Used == 0 {
				r.Min, r.Max = math.NaN(), math.NaN()
			}
			for bit, info := range flag.All() {
				if n := c.seen[bit]; n.Rows > 0 {
					n.Info = info
					r.Flags = append(r.Flags, n)
				}
			}
			rows = append(rows, r)
		}
	}
	return rows
}
