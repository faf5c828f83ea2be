package live

import (
	"fmt"
	"math"
	"time"

	"glueline/pipeline/group"
)

// Envelope is what a screen needs of a short stretch of a source's rows.
type Envelope struct {
	Source      string    `json:"source"`
	Calibration string    `json:"calibration"` // digest of the source's constants
	First       time.Time `json:"first"`       // of the rows; time that steps back makes it later than Last
	Last        time.Time `json:"last"`
	Rows        int       `json:"rows"`
	Columns     []Range   `json:"columns"`
}

// Range is how far a column of numbers went. Null is where no row had a value.
type Range struct {
	Name     string   `json:"name"` // with its unit, as in the segments
	Of       string   `json:"of"`
	Quantity string   `json:"quantity"`
	Unit     string   `json:"unit,omitempty"`
	Min      *float64 `json:"min"`
	Max      *float64 `json:"max"`
	Last     *float64 `json:"last"`  // of the newest row
	Flags    uint32   `json:"flags"` // of all rows together, those without a value too
}

// gathering is an envelope in the making.
type gathering struct {
	source      string
	fields      []group.Field
	flags       []int // for each field, that with the flags of what it is of; -1 for none
	digest      string
	rows        int
	first, last int64
	columns     []gathered
}

type gathered struct {
	min, max, last float64 // NaN last: none in the newest row
	flags          uint32
}

func newGathering(p *group.Plan, source string) (*gathering, error) {
	_, digest, err := p.Calibration(source)
	if err != nil {
		return nil, fmt.Errorf("calibration of source %s: %w", source, err)
	}
	g := &gathering{source: source, fields: p.Fields(source), digest: digest}
	at := map[string]int{}
	for i, f := range g.fields {
		if f.Kind == group.Flags {
			at[f.Of] = i
		}
	}
	for _, f := range g.fields {
		i, ok := at[f.Of]
		if !ok {
			i = -1
		}
		g.flags = append(g.flags, i)
	}
	g.columns = make([]gathered, len(g.fields))
	g.clear()
	return g, nil
}

func (g *gathering) clear() {
	g.rows = 0
	for i := range g.columns {
		g.columns[i] = gathered{math.Inf(1), math.Inf(-1), math.NaN(), 0}
	}
}

func (g *gathering) add(b *group.Batch) {
	if b.Rows == 0 {
		return
	}
	if g.rows == 0 {
		g.first = b.Time[0]
	}
	g.last = b.Time[b.Rows-1]
	g.rows += b.Rows
	for i := range g.columns {
		c := &g.columns[i]
		if flags := b.Columns[i].Flags; flags != nil {
			c.flags |= union(flags)
			continue
		}
		values := b.Columns[i].Float
		low, high := extremes(values)
		c.min, c.max, c.last = min(c.min, low), max(c.max, high), values[len(values)-1]
	}
}

// extremes returns the least and the greatest value, +Inf and -Inf where there is
// none. Nothing compares with NaN, so that it is passed over. Two pairs that do
// not wait for one another take half the time of one.
func extremes(values []float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	low2, high2 := low, high
	for ; len(values) >= 2; values = values[2:] {
		x, y := values[0], values[1]
		if x < low {
			low = x
		}
		if x > high {
			high = x
		}
		if y < low2 {
			low2 = y
		}
		if y > high2 {
			high2 = y
		}
	}
	for _, v := range values {
		if v < low {
			low = v
		}
		if v > high {
			high = v
		}
	}
	return min(low, low2), max(high, high2)
}

// union returns all flags that any row has.
func union(flags []uint32) (all uint32) {
	var a, b, c, d uint32
	for ; len(flags) >= 4; flags = flags[4:] {
		a |= flags[0]
		b |= flags[1]
		c |= flags[2]
		d |= flags[3]
	}
	for _, f := range flags {
		all |= f
	}
	return all | a | b | c | d
}

// take copies g into dst, which is returned, and clears it.
func (g *gathering) take(dst *gathering) *gathering {
	columns := append(dst.columns[:0], g.columns...)
	*dst = *g
	dst.columns = columns
	g.clear()
	return dst
}

func (g *gathering) envelope() *Envelope {
	e := &Envelope{
		Source: g.source, Calibration: g.digest, Rows: g.rows, Columns: []Range{},
		First: time.Unix(0, g.first).UTC(), Last: time.Unix(0, g.last).UTC(),
	}
	for i, f := range g.fields {
		if f.Kind == group.Flags {
			continue
		}
		c := &g.columns[i]
		r := Range{Name: f.Name, Of: f.Of, Quantity: string(f.Quantity), Unit: f.Unit, Last: finite(c.last)}
		if c.min <= c.max {
			r.Min, r.Max = finite(c.min), finite(c.max)
		}
		if at := g.flags[i]; at >= 0 {
			r.Flags = g.columns[at].flags
		}
		e.Columns = append(e.Columns, r)
	}
	return e
}

// finite is nil for what JSON has no number for.
func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
