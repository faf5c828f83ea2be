package cycles

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
)

// ErrState occurs when a stored state is none that a counter can have been in.
var ErrState = errors.New("not a state of a cycle counter")

// state is a counter as JSON, bit for bit: Go writes the shortest decimal that
// reads back as the same number.
type state struct {
	Offset  float64 `json:"offset"` // m/m
	Joins   bool    `json:"joins,omitempty"`
	Turns   []int32 `json:"turns"` // microstrain, as Last
	Last    int32   `json:"last"`
	Samples uint64  `json:"samples"`
	LeftOut uint64  `json:"left_out"`
	Clipped uint64  `json:"clipped,omitempty"`
	Damage  float64 `json:"damage"`

	RangeShift uint        `json:"range_shift"`
	MeanShift  uint        `json:"mean_shift"`
	Largest    int32       `json:"largest"`
	Cells      [][2]uint64 `json:"cells"` // class, range after range, and its half cycles
}

// State returns all that a counter remembers, as JSON. An infinite damage, of
// a curve that ends, is refused by ErrState.
func (c *Counter) State() ([]byte, error) {
	s := state{
		Offset: c.offset, Joins: c.joins, Turns: c.turns, Last: c.last,
		Samples: c.samples, LeftOut: c.leftOut, Clipped: c.clipped, Damage: c.damage,
		RangeShift: c.bins.rangeShift, MeanShift: c.bins.meanShift, Largest: c.bins.largest,
	}
	for i, n := range c.bins.cells {
		if n > 0 {
			s.Cells = append(s.Cells, [2]uint64{uint64(i), n})
		}
	}
	text, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	return text, nil
}

// Restore makes a counter of what State returned; it goes on by the curve. A
// text that no counter wrote is ErrState.
func Restore(text []byte, curve Curve) (*Counter, error) {
	var s state
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%w: something follows it", ErrState)
	}
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	c := &Counter{
		curve: curve, offset: s.Offset, joins: s.Joins, turns: s.Turns, last: s.Last,
		samples: s.Samples, leftOut: s.LeftOut, clipped: s.Clipped, damage: s.Damage,
	}
	if len(s.Cells) > 0 {
		c.bins = histogram{rangeShift: s.RangeShift, meanShift: s.MeanShift, largest: s.Largest, cells: make([]uint64, Bins*Bins)}
		for _, cell := range s.Cells {
			c.bins.cells[cell[0]] = cell[1]
			c.bins.halves += cell[1]
		}
	}
	return c, nil
}

// check holds what counting relies on.
func (s *state) check() error {
	const widest = 13 // 64 classes of 2^13 hold every range and twice every mean
	inside := func(p int32) bool { return -Limit <= p && p <= Limit }
	switch {
	case !inside(s.Last), s.Largest < 0, s.Largest > 2*Limit:
		return errors.New("a point beyond the limit")
	case math.IsNaN(s.Damage) || s.Damage < 0:
		return errors.New("a damage below 0")
	case s.RangeShift > widest || s.MeanShift > widest || len(s.Cells) > 0 && s.MeanShift < 1:
		return errors.New("classes of no width that there is")
	}
	for i, p := range s.Turns {
		if !inside(p) {
			return errors.New("a turning point beyond the limit")
		}
		if i > 1 && apart(p, s.Turns[i-1]) >= apart(s.Turns[i-1], s.Turns[i-2]) || i > 0 && p == s.Turns[i-1] ||
			i > 1 && (p > s.Turns[i-1]) == (s.Turns[i-1] > s.Turns[i-2]) {
			return fmt.Errorf("turning point %d, which would have closed a cycle", i+1)
		}
	}
	if n := len(s.Turns); n > 1 && (s.Turns[n-1] == s.Last || (s.Last > s.Turns[n-1]) == (s.Turns[n-1] > s.Turns[n-2])) {
		return errors.New("a last point that is no way from the last turning point")
	}
	next := uint64(0)
	for _, cell := range s.Cells {
		if cell[0] < next || cell[0] >= Bins*Bins || cell[1] == 0 {
			return errors.New("classes out of order")
		}
		next = cell[0] + 1
	}
	return nil
}
