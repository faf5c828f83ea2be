package follow

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"

	"glueline/pipeline/channel"
	"glueline/pipeline/cycles"
	"glueline/pipeline/drift"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
)

// ErrState occurs when a stored state is none that a pass can have been in.
var ErrState = errors.New("not a state of the health of channels")

// passState is a pass as JSON, bit for bit: Go writes the shortest decimal that
// reads back as the same number.
type passState struct {
	Background backgroundState `json:"background"`
	Sources    []sourceState   `json:"sources"`
	Channels   []channelState  `json:"channels"`
	Relations  []relationState `json:"relations"`
}

type sourceState struct {
	Name     string   `json:"name"`
	Channels []string `json:"channels"`
}

type binState struct {
	At  int64      `json:"at"` // ns, of its beginning
	Sum group.Real `json:"sum"`
	N   uint32     `json:"n"`
}

type trackState struct {
	Name   string     `json:"name,omitempty"`
	Bins   []binState `json:"bins"`
	Offset group.Real `json:"offset,omitempty"`
	First  group.Real `json:"first,omitempty"`
}

type peakState struct {
	At   int64   `json:"at"`
	Load float32 `json:"load"`
}

type backgroundState struct {
	Load         []binState   `json:"load"`
	Peaks        []peakState  `json:"peaks"`
	Least        group.Real   `json:"least"`
	Most         group.Real   `json:"most"`
	Temperatures []trackState `json:"temperatures"`
	Humidity     *trackState  `json:"humidity,omitempty"`
	Excitations  []trackState `json:"excitations,omitempty"`
	References   []trackState `json:"references,omitempty"`
	Strains      []trackState `json:"strains,omitempty"`
	States       []state      `json:"states,omitempty"`
	Newest       int64        `json:"newest"`
}

type instantState struct {
	At    int64      `json:"at"`
	What  happening  `json:"what"`
	Value group.Real `json:"value"`
	Cause string     `json:"cause,omitempty"`
	Who   string     `json:"who,omitempty"`
	Why   string     `json:"why,omitempty"`
}

type zeroState struct {
	From        int64      `json:"from"`
	To          int64      `json:"to"`
	Ratio       group.Real `json:"ratio"`
	Temperature group.Real `json:"temperature"`
	Lead        group.Real `json:"lead_temperature"`
}

type heldState struct {
	At    int64      `json:"at"`
	Mean  group.Real `json:"mean"`
	Spike bool       `json:"spike,omitempty"`
	Borne float64    `json:"borne"`
}

type channelState struct {
	Name     string          `json:"name"`
	Source   string          `json:"source"`
	Zero     *zeroState      `json:"zero,omitempty"`
	Instants []instantState  `json:"instants,omitempty"`
	Record   drift.Record    `json:"record"`
	Gather   drift.Gatherer  `json:"gather"`
	Counter  json.RawMessage `json:"counter"`
	RuledOut []instantState  `json:"ruled_out,omitempty"`

	Now    int64      `json:"now"`
	Begun  bool       `json:"begun"`
	Marred bool       `json:"marred,omitempty"`
	Sum    group.Real `json:"sum"`
	N      int        `json:"n"`
	Spike  bool       `json:"spike,omitempty"`
	Held   *heldState `json:"held,omitempty"`

	Level    group.Real `json:"level"`
	First    group.Real `json:"first"`
	Broken   bool       `json:"broken,omitempty"`
	Borne    float64    `json:"borne"`
	Cycled   float64    `json:"cycled"`
	Readings int        `json:"readings"`
	Samples  uint64     `json:"samples"`
	LeftOut  uint64     `json:"left_out"`
	From     int64      `json:"from"`
	To       int64      `json:"to"`
	Newest   int64      `json:"newest"`
	Replaced int64      `json:"replaced,omitempty"`
}

type relationState struct {
	Name      string         `json:"name"`
	Form      string         `json:"form"`
	Terms     []Term         `json:"terms"`
	Tolerance float64        `json:"tolerance"`
	Relative  float64        `json:"relative"`
	Waiting   []waitingState `json:"waiting,omitempty"`
	Hour      int64          `json:"hour"`
	Sum       group.Real     `json:"sum"`
	Reached   group.Real     `json:"reached"`
	N         float64        `json:"n"`
	Minutes   float64        `json:"minutes"`
	Mean      group.Real     `json:"mean"`
	Squares   group.Real     `json:"squares"`
	Newest    group.Real     `json:"newest"`
	Limit     group.Real     `json:"limit"`
	Beyond    int64          `json:"beyond,omitempty"`
	To        int64          `json:"to,omitempty"`
}

type waitingState struct {
	At     int64        `json:"at"`
	Strain []group.Real `json:"strain"`
}

// State returns all that a pass remembers between two stretches, as JSON.
func (p *Pass) State() ([]byte, error) {
	s := passState{Background: p.background.state()}
	for _, o := range p.sources {
		names := []string{}
		for _, f := range o.followers {
			names = append(names, f.name)
		}
		s.Sources = append(s.Sources, sourceState{o.name, names})
	}
	for _, f := range p.followers {
		c, err := f.state()
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", f.name, err)
		}
		s.Channels = append(s.Channels, c)
	}
	for _, r := range p.relations {
		s.Relations = append(s.Relations, r.state())
	}
	text, err := json.Marshal(&s)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	return text, nil
}

// Restore makes a pass of what State returned. A text that no pass wrote is
// ErrState.
func Restore(text []byte) (*Pass, error) {
	var s passState
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%w: something follows it", ErrState)
	}
	p := New()
	p.declared = &Declared{}
	if err := p.background.restore(&s.Background); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrState, err)
	}
	for i := range s.Channels {
		c := &s.Channels[i]
		f, err := c.restore()
		if err != nil {
			return nil, fmt.Errorf("%w: channel %s: %w", ErrState, c.Name, err)
		}
		if p.named[f.name] != nil {
			return nil, fmt.Errorf("%w: channel %s twice", ErrState, c.Name)
		}
		p.followers, p.named[f.name] = append(p.followers, f), f
	}
	for _, o := range s.Sources {
		if p.source(o.Name) != nil || o.Name == "" {
			return nil, fmt.Errorf("%w: source %q twice, or without a name", ErrState, o.Name)
		}
		restored := &source{name: o.Name}
		for _, name := range o.Channels {
			f := p.follower(name)
			if f == nil || f.source != o.Name || slices.Contains(restored.followers, f) {
				return nil, fmt.Errorf("%w: channel %q of source %q", ErrState, name, o.Name)
			}
			restored.followers = append(restored.followers, f)
		}
		p.sources = append(p.sources, restored)
	}
	for i := range s.Relations {
		r, err := s.Relations[i].restore()
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrState, err)
		}
		p.relations = append(p.relations, r)
	}
	return p, nil
}

func (f *follower) state() (channelState, error) {
	counter, err := f.counter.State()
	if err != nil {
		return channelState{}, err
	}
	c := channelState{
		Name: f.name, Source: f.source, Record: f.record, Gather: f.gather, Counter: counter,
		Now: f.now, Begun: f.begun, Marred: f.marred, Sum: group.Real(f.sum), N: f.n, Spike: f.spike,
		Level: group.Real(f.level), First: group.Real(f.first), Broken: f.broken, Borne: f.borne, Cycled: f.cycled,
		Readings: f.readings, Samples: f.samples, LeftOut: f.leftOut, From: f.from, To: f.to, Newest: f.newest, Replaced: f.replaced,
	}
	if z := f.zero; z != nil {
		c.Zero = &zeroState{z.From, z.To, group.Real(z.Zero.Ratio), group.Real(z.Zero.Temperature), group.Real(z.Zero.LeadTemperature)}
	}
	for _, i := range f.instants[f.next:] {
		c.Instants = append(c.Instants, instantState{i.at, i.what, group.Real(i.value), string(i.out.Cause), i.out.Who, i.out.Why})
	}
	for _, o := range f.ruledOut {
		c.RuledOut = append(c.RuledOut, instantState{Cause: string(o.Cause), Who: o.Who, Why: o.Why})
	}
	if f.holds {
		c.Held = &heldState{f.held.at, group.Real(f.held.mean), f.held.spike, f.held.borne}
	}
	return c, nil
}

func (c *channelState) restore() (*follower, error) {
	if c.Name == "" || c.N < 0 || c.Readings < 0 || c.Gather.Length != window || c.Now%minute != 0 {
		return nil, errors.New("a channel that cannot be")
	}
	counter, err := cycles.Restore(c.Counter, cycles.Curve{})
	if err != nil {
		return nil, err
	}
	f := &follower{
		name: c.Name, source: c.Source, record: c.Record, gather: c.Gather, counter: counter,
		now: c.Now, begun: c.Begun, marred: c.Marred, sum: float64(c.Sum), n: c.N, spike: c.Spike,
		level: float64(c.Level), first: float64(c.First), broken: c.Broken, borne: c.Borne, cycled: c.Cycled,
		readings: c.Readings, samples: c.Samples, leftOut: c.LeftOut, from: c.From, to: c.To, newest: c.Newest, replaced: c.Replaced,
	}
	if z := c.Zero; z != nil {
		f.zero = &steps.ZeroAt{Channel: c.Name, From: z.From, To: z.To,
			Zero: channel.Zero{Ratio: float64(z.Ratio), Temperature: float64(z.Temperature), LeadTemperature: float64(z.Lead)}}
	}
	for _, i := range c.Instants {
		if i.What > ruleOut {
			return nil, errors.New("something happens that is nothing")
		}
		f.instants = append(f.instants, instant{i.At, i.What, float64(i.Value), drift.RuledOut{Cause: drift.Cause(i.Cause), Who: i.Who, Why: i.Why}})
	}
	for _, o := range c.RuledOut {
		f.ruledOut = append(f.ruledOut, drift.RuledOut{Cause: drift.Cause(o.Cause), Who: o.Who, Why: o.Why})
	}
	if h := c.Held; h != nil {
		f.held, f.holds = waiting{at: h.At, mean: float64(h.Mean), spike: h.Spike, borne: h.Borne}, true
	}
	return f, nil
}

// bins lists what a track holds, in order.
func (t *track) bins() []binState {
	all := []binState{}
	for _, d := range slices.Sorted(maps.Keys(t.days)) {
		for i, b := range t.days[d] {
			if b.n > 0 {
				all = append(all, binState{d*day + int64(i)*t.width, group.Real(b.sum), b.n})
			}
		}
	}
	return all
}

func (t *track) restore(bins []binState) (*track, error) {
	for _, b := range bins {
		if b.At%t.width != 0 || b.N == 0 {
			return nil, errors.New("a mean that cannot be")
		}
		d, i := t.at(b.At)
		if d == nil {
			if len(t.days) > 2 { // it remembers hours
				return nil, errors.New("means of too many days")
			}
			d = make([]bin, day/t.width)
			t.days[floor(b.At, day)] = d
		}
		d[i] = bin{float64(b.Sum), b.N}
	}
	return t, nil
}

func tracksOf(in map[string]*track) (all []trackState) {
	for _, name := range slices.Sorted(maps.Keys(in)) {
		all = append(all, trackState{Name: name, Bins: in[name].bins()})
	}
	return all
}

func (b *background) state() backgroundState {
	s := backgroundState{
		Load: b.load.bins(), Peaks: []peakState{}, Least: group.Real(b.least), Most: group.Real(b.most),
		Temperatures: tracksOf(b.temperatures), Excitations: tracksOf(b.excitations), References: tracksOf(b.references), States: b.states, Newest: b.newest,
	}
	for _, d := range slices.Sorted(maps.Keys(b.peaks)) {
		for i, load := range b.peaks[d] {
			if !math.IsInf(float64(load), -1) {
				s.Peaks = append(s.Peaks, peakState{d*day + int64(i)*minute, load})
			}
		}
	}
	if b.humidity != nil {
		s.Humidity = &trackState{Name: b.wet, Bins: b.humidity.bins()}
	}
	for _, name := range slices.Sorted(maps.Keys(b.strains)) {
		t := b.strains[name]
		s.Strains = append(s.Strains, trackState{name, t.bins(), group.Real(t.offset), group.Real(t.first)})
	}
	return s
}

func (b *background) restore(s *backgroundState) (err error) {
	restore := func(bins []binState, width int64) *track {
		t, failed := newTrack(width).restore(bins)
		err = cmp.Or(err, failed)
		return t
	}
	b.load = restore(s.Load, minute)
	for _, p := range s.Peaks {
		if p.At%minute != 0 || len(b.peaks) > 2 {
			return errors.New("a peak that cannot be")
		}
		b.peak(p.At, p.Load)
	}
	b.least, b.most, b.states, b.newest = float64(s.Least), float64(s.Most), s.States, s.Newest
	for _, t := range s.Temperatures {
		b.temperatures[t.Name] = restore(t.Bins, tenth)
	}
	for _, t := range s.Excitations {
		b.excitations[t.Name] = restore(t.Bins, tenth)
	}
	for _, t := range s.References {
		b.references[t.Name] = restore(t.Bins, tenth)
	}
	if s.Humidity != nil {
		b.humidity, b.wet = restore(s.Humidity.Bins, tenth), s.Humidity.Name
	}
	for _, t := range s.Strains {
		b.strains[t.Name] = &rezeroedTrack{track: restore(t.Bins, tenth), offset: float64(t.Offset), first: float64(t.First)}
	}
	b.idleUpTo = b.least + resting*(b.most-b.least)
	return err
}

func (r *related) state() relationState {
	s := relationState{
		Name: r.Name, Form: r.Form, Terms: r.Terms, Tolerance: r.Tolerance, Relative: r.Relative, Hour: r.hour,
		Sum: group.Real(r.sum), Reached: group.Real(r.reached), N: r.n, Minutes: r.minutes, Mean: group.Real(r.mean), Squares: group.Real(r.squares),
		Newest: group.Real(r.newest), Limit: group.Real(r.limit), Beyond: r.beyond, To: r.to,
	}
	for _, at := range slices.Sorted(maps.Keys(r.waiting)) {
		w := waitingState{At: at}
		for _, x := range r.waiting[at] {
			w.Strain = append(w.Strain, group.Real(x))
		}
		s.Waiting = append(s.Waiting, w)
	}
	return s
}

func (s *relationState) restore() (*related, error) {
	r := newRelated(Relation{s.Name, s.Form, s.Terms, s.Tolerance, s.Relative})
	r.hour, r.sum, r.reached, r.n = s.Hour, float64(s.Sum), float64(s.Reached), s.N
	r.minutes, r.mean, r.squares = s.Minutes, float64(s.Mean), float64(s.Squares)
	r.newest, r.limit, r.beyond, r.to = float64(s.Newest), float64(s.Limit), s.Beyond, s.To
	for _, w := range s.Waiting {
		if len(w.Strain) != len(s.Terms) {
			return nil, errors.New("a relation that waits for strains of others")
		}
		all := make([]float64, len(w.Strain))
		for i, x := range w.Strain {
			all[i] = float64(x)
		}
		r.waiting[w.At] = all
	}
	return r, nil
}
