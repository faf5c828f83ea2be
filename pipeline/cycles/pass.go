package cycles

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"sort"

	"glueline/pipeline/channel"
	"glueline/pipeline/group"
)

// Pass counts all channels of a group, cut after cut: for each cut the zeros
// that its commit record tells of (Cut), and then its rows (Append), each source
// in its order. It finds in them where the strain was counted from another zero,
// and at which row.
type Pass struct {
	plan     *group.Plan
	curveOf  func(channel string) Curve
	channels []*followed
}

// followed is a channel of a source.
type followed struct {
	source, name      string
	strainAt, flagsAt int
	wires             []wire
	counter           *Counter

	served string // the wire of the newest row; "" before any
	moves  []move // zeros yet to take effect, by time
}

// wire is an entry of the wiring map: a gauge on an input, for a time.
type wire struct {
	key       string
	from, to  int64 // ns
	constants channel.Constants
}

// move is a zero taking the place of another.
type move struct {
	At    int64       `json:"at_ns"`
	Moved *group.Real `json:"moved"` // m/m; null where nobody knows
}

// ErrBatch occurs when rows are not of the plan.
var ErrBatch = errors.New("rows do not fit the test file")

// NewPass begins at the beginning of a group's data. curveOf gives the curve of
// each channel; the zero Curve where there is none.
func NewPass(p *group.Plan, curveOf func(channel string) Curve) (*Pass, error) {
	pass := &Pass{curveOf: curveOf}
	return pass, pass.Use(p)
}

// Use has the rows that follow be of another plan of the group. A channel whose
// constants are others goes on where it was, since what its strain moves by at
// that is no strain; one that is no more is forgotten.
func (p *Pass) Use(plan *group.Plan) error {
	before := p.channels
	p.plan, p.channels = plan, nil
	for _, source := range plan.Sources() {
		calibration, _, err := plan.Calibration(source)
		if err != nil {
			return fmt.Errorf("count cycles of source %s: %w", source, err)
		}
		fields := plan.Fields(source)
		for _, c := range calibration.Channels {
			f := &followed{source: source, name: c.Name, counter: New(p.curveOf(c.Name))}
			for i, field := range fields {
				switch {
				case field.Of != c.Name:
				case field.Kind == group.Flags:
					f.flagsAt = i
				case field.Quantity == group.Strain, field.Quantity == group.Shear, field.Quantity == group.Indicated:
					f.strainAt = i
				}
			}
			for _, w := range c.Wires {
				f.wires = append(f.wires, wire{w.Input, w.From, w.To, w.Constants})
			}
			if i := slices.IndexFunc(before, func(o *followed) bool { return o.source == source && o.name == c.Name }); i >= 0 {
				f.goesOn(before[i])
			}
			p.channels = append(p.channels, f)
		}
	}
	return nil
}

// goesOn takes over what was counted by the plan before.
func (f *followed) goesOn(before *followed) {
	curve := f.counter.curve
	f.counter, f.served, f.moves = before.counter, before.served, before.moves
	f.counter.curve = curve
	if !reflect.DeepEqual(f.wires, before.wires) {
		f.counter.Break()
	}
}

// Cut begins a cut whose commit record tells of these zeros.
func (p *Pass) Cut(zeros []group.ZeroInForce) {
	for _, f := range p.channels {
		// What took effect behind the last row of its source did so ahead of this cut.
		for _, m := range f.moves {
			f.counter.rezero(m)
		}
		f.moves = nil
		var chain []group.ZeroInForce // by time; the last is in force at the end
		for _, z := range zeros {
			if z.Channel == f.name && (z.Source == "" || z.Source == f.source) && (z.Standing == group.InForce || z.Standing == group.Replaced) {
				chain = append(chain, z)
			}
		}
		sort.SliceStable(chain, func(a, b int) bool { return ends(chain[a]) < ends(chain[b]) })
		for i, z := range chain {
			if z.Standing != group.Replaced {
				continue
			}
			m := move{At: z.Until}
			if i+1 < len(chain) {
				m.Moved = f.moved(z, chain[i+1])
			}
			f.moves = append(f.moves, m)
		}
	}
}

func ends(z group.ZeroInForce) int64 {
	if z.Standing == group.InForce {
		return math.MaxInt64
	}
	return z.Until
}

// moved is the new zero as strain counted from the old one. One that was carried
// over work at the gauge since is no reading of the instrument as the old one
// knew it.
func (f *followed) moved(old, next group.ZeroInForce) *group.Real {
	w := f.wireAt(old.Until)
	if w < 0 || len(next.Carried) > 0 {
		return nil
	}
	ch, err := channel.New(f.wires[w].constants, old.Counted())
	if err != nil {
		return nil
	}
	z := next.Counted()
	moved := group.Real(ch.Strain(z.Ratio, z.Temperature, z.LeadTemperature))
	if !finite(float64(moved)) {
		return nil
	}
	return &moved
}

func (f *followed) wireAt(at int64) int {
	return slices.IndexFunc(f.wires, func(w wire) bool { return w.from <= at && at < w.to })
}

func (c *Counter) rezero(m move) {
	if m.Moved == nil {
		c.Break()
		return
	}
	c.Rezero(float64(*m.Moved))
}

// Append counts rows of a source. What is not of the plan is ErrBatch.
func (p *Pass) Append(b *group.Batch) error {
	if len(b.Columns) != len(p.plan.Fields(b.Source)) {
		return fmt.Errorf("count cycles of source %q: %w: %d columns", b.Source, ErrBatch, len(b.Columns))
	}
	for _, f := range p.channels {
		if f.source == b.Source {
			f.append(b.Time[:b.Rows], b.Columns[f.strainAt].Float, b.Columns[f.flagsAt].Flags)
		}
	}
	return nil
}

// append counts rows in stretches that one zero and one wire hold through. A zero
// takes effect at the first row of its time, for good: rows that come late are
// counted from it too.
func (f *followed) append(times []int64, strain []float64, flags []uint32) {
	from := 0
	one := len(f.wires) == 1 && f.wires[0].from == math.MinInt64 && f.wires[0].to == math.MaxInt64
	if one && len(f.moves) == 0 {
		f.counter.Add(strain, flags)
		return
	}
	for i, at := range times {
		if !f.changes(at) {
			continue
		}
		f.counter.Add(strain[from:i], flags[from:i])
		from = i
		for len(f.moves) > 0 && f.moves[0].At <= at {
			f.counter.rezero(f.moves[0])
			f.moves = f.moves[1:]
		}
		if key := f.keyAt(at); key != f.served {
			if f.served != "" {
				f.counter.Break()
			}
			f.served = key
		}
	}
	f.counter.Add(strain[from:], flags[from:])
}

func (f *followed) changes(at int64) bool {
	return len(f.moves) > 0 && f.moves[0].At <= at || f.keyAt(at) != f.served
}

// keyAt is the wire that serves at a time; between two the last one is kept.
func (f *followed) keyAt(at int64) string {
	if i := f.wireAt(at); i >= 0 {
		return f.wires[i].key
	}
	return f.served
}

// ChannelCount is the count of a channel.
type ChannelCount struct {
	Source, Channel string
	Count           Count
}

// Counts returns what was counted so far, in the order of sources and channels.
func (p *Pass) Counts() []ChannelCount {
	var all []ChannelCount
	for _, f := range p.channels {
		all = append(all, ChannelCount{f.source, f.name, f.counter.Count()})
	}
	return all
}

// followedState is a channel as JSON.
type followedState struct {
	Source  string          `json:"source"`
	Channel string          `json:"channel"`
	Served  string          `json:"served,omitempty"`
	Moves   []move          `json:"moves,omitempty"`
	Counter json.RawMessage `json:"counter"`
}

// State returns all that a pass remembers, as JSON, bit for bit.
func (p *Pass) State() ([]byte, error) {
	all := []followedState{}
	for _, f := range p.channels {
		text, err := f.counter.State()
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", f.name, err)
		}
		all = append(all, followedState{f.source, f.name, f.served, f.moves, text})
	}
	return json.Marshal(all)
}

// RestorePass makes a pass of what State returned, by the same plan. Channels
// that the state does not know begin anew.
func RestorePass(text []byte, p *group.Plan, curveOf func(channel string) Curve) (*Pass, error) {
	pass, err := NewPass(p, curveOf)
	if err != nil {
		return nil, err
	}
	var all []followedState
	if err := json.Unmarshal(text, &all); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	for _, s := range all {
		i := slices.IndexFunc(pass.channels, func(f *followed) bool { return f.source == s.Source && f.name == s.Channel })
		if i < 0 {
			continue
		}
		f := pass.channels[i]
		if f.counter, err = Restore(s.Counter, f.counter.curve); err != nil {
			return nil, fmt.Errorf("channel %s: %w", s.Channel, err)
		}
		f.served, f.moves = s.Served, s.Moves
	}
	return pass, nil
}
