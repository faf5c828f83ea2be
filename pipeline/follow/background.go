package follow

import (
	"math"
	"sort"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
)

const (
	minute  = int64(60e9)
	tenth   = 10 * minute
	day     = 24 * 60 * minute
	holds   = 10   // minutes for which the newest load counts on
	resting = 0.05 // of its span, from the least: the load of an idle article
)

// bin is what was read within a stretch of time.
type bin struct {
	sum float64
	n   uint32
}

// track holds the means of one quantity in stretches of equal length, by the day,
// so that a wrong time costs one day.
type track struct {
	width int64
	days  map[int64][]bin
}

func newTrack(width int64) *track { return &track{width, map[int64][]bin{}} }

func (t *track) at(at int64) (d []bin, i int64) {
	from := floor(at, day)
	return t.days[from], (at - from*day) / t.width
}

func (t *track) add(at int64, x float64) {
	if math.IsNaN(x) {
		return
	}
	d, i := t.at(at)
	if d == nil {
		d = make([]bin, day/t.width)
		t.days[floor(at, day)] = d
	}
	d[i].sum += x
	d[i].n++
}

// mean is NaN where nothing was read; of no track too.
func (t *track) mean(at int64) float64 {
	if t == nil {
		return math.NaN()
	}
	d, i := t.at(at)
	if d == nil {
		return math.NaN()
	}
	return d[i].sum / float64(d[i].n)
}

// span returns the least and the largest of the means.
func (t *track) span() (least, most float64) {
	least, most = math.Inf(1), math.Inf(-1)
	for _, d := range t.days {
		for _, b := range d {
			if b.n > 0 {
				least, most = min(least, b.sum/float64(b.n)), max(most, b.sum/float64(b.n))
			}
		}
	}
	return least, most
}

// floor is a/b rounded down.
func floor(a, b int64) int64 {
	if q := a / b; a%b < 0 {
		return q - 1
	} else {
		return q
	}
}

// background is what was read beside the strain, and what the article did.
type background struct {
	load         *track // means of a minute
	peaks        map[int64][]float32
	least, most  float64 // of the load's means
	temperatures map[string]*track
	humidity     *track
	wet          string            // name of the humidity
	excitations  map[string]*track // by source
	references   map[string]*track // m/m, by source
	strains      map[string]*rezeroedTrack
	states       []state
	idleUpTo     float64 // load
	newest       int64   // minute that anything was read in
}

// state is a load state from a time on.
type state struct {
	From int64 `json:"from"`
	Idle bool  `json:"idle"`
}

// rezeroedTrack is the strain of a witness or a neighbour from its installation zero.
type rezeroedTrack struct {
	*track
	offset float64
	first  float64 // NaN before any
	zeros  []instant
}

func newBackground() *background {
	return &background{
		load: newTrack(minute), peaks: map[int64][]float32{}, least: math.Inf(1), most: math.Inf(-1), newest: math.MinInt64,
		temperatures: map[string]*track{}, excitations: map[string]*track{}, references: map[string]*track{}, strains: map[string]*rezeroedTrack{},
	}
}

// begin takes the events of a stretch, and the zeros of the channels that others
// are compared with.
func (b *background) begin(events []event.Event, p *Pass) {
	for i := range events {
		if e := &events[i]; e.Event == "load-state" {
			b.states = append(b.states, state{e.Time.UnixNano(), e.State == "idle"})
		}
	}
	sort.SliceStable(b.states, func(i, j int) bool { return b.states[i].From < b.states[j].From })
	for _, lists := range []map[string][]string{p.declared.Witnesses, p.declared.Neighbours} {
		for _, names := range lists {
			for _, name := range names {
				if b.strains[name] == nil {
					b.strains[name] = &rezeroedTrack{track: newTrack(tenth), first: math.NaN()}
				}
			}
		}
	}
	for name, s := range b.strains {
		if s.zeros = nil; p.follower(name) == nil {
			continue
		}
		for _, i := range p.follower(name).instants {
			if i.what == rezero {
				s.zeros = append(s.zeros, i)
			}
		}
	}
}

// take adds all of a batch but the strain that nobody is compared with.
func (b *background) take(batch *Batch) {
	for i := range batch.Columns {
		c := &batch.Columns[i]
		if c.Kind == Strain {
			if s := b.strains[c.Name]; s != nil {
				s.take(batch.Time, c)
			}
			continue
		}
		to := b.trackOf(c, batch.Source)
		if to == nil {
			continue
		}
		for j, x := range c.Value {
			if c.Kind == Reference {
				x *= strainOfReference
			}
			to.add(batch.Time[j], x)
			if c.Kind == Load && !math.IsNaN(x) {
				b.peak(batch.Time[j], float32(x))
			}
		}
	}
	if n := len(batch.Time); n > 0 {
		b.newest = max(b.newest, floor(batch.Time[n-1], minute))
	}
}

// strainOfReference is the strain of a quarter bridge of gauge factor 2 at a ratio
// of 1 mV/V: 4/(2 x 1000).
const strainOfReference = 2e-3

func (s *rezeroedTrack) take(at []int64, c *Column) {
	for i, x := range c.Value {
		for len(s.zeros) > 0 && s.zeros[0].at <= at[i] {
			if moved := s.zeros[0].value; !math.IsNaN(moved) {
				s.offset += moved
			}
			s.zeros = s.zeros[1:]
		}
		if flag.Mask(c.Flags[i])&flag.LeavesOut == 0 {
			s.add(at[i], x+s.offset)
		}
	}
}

// median is that of what channels moved by since they were first read, NaN where
// none was read.
func (b *background) median(names []string, at int64) float64 {
	var all []float64
	for _, name := range names {
		s := b.strains[name]
		if s == nil {
			continue
		}
		mean := s.mean(at)
		if math.IsNaN(mean) {
			continue
		}
		if math.IsNaN(s.first) {
			s.first = mean
		}
		all = append(all, mean-s.first)
	}
	if len(all) == 0 {
		return math.NaN()
	}
	sort.Float64s(all)
	return (all[(len(all)-1)/2] + all[len(all)/2]) / 2
}

func (b *background) trackOf(c *Column, source string) *track {
	made := func(in map[string]*track, name string) *track {
		if in[name] == nil {
			in[name] = newTrack(tenth)
		}
		return in[name]
	}
	switch c.Kind {
	case Load:
		return b.load
	case Temperature:
		return made(b.temperatures, c.Name)
	case Excitation:
		return made(b.excitations, source)
	case Reference:
		return made(b.references, source)
	case Humidity:
		if b.humidity == nil {
			b.humidity, b.wet = newTrack(tenth), c.Name
		}
		if b.wet == c.Name { // the first, where there are several
			return b.humidity
		}
	}
	return nil
}

func (b *background) peak(at int64, load float32) {
	from := floor(at, day)
	d := b.peaks[from]
	if d == nil {
		d = make([]float32, day/minute)
		for i := range d {
			d[i] = float32(math.Inf(-1))
		}
		b.peaks[from] = d
	}
	i := (at - from*day) / minute
	d[i] = max(d[i], load)
}

// settle is called when all of a stretch was taken. What idle means goes by the
// load's span up to now.
func (b *background) settle() {
	least, most := b.load.span()
	b.least, b.most = min(b.least, least), max(b.most, most)
	b.idleUpTo = b.least + resting*(b.most-b.least)
}

// remembered is how long what was read beside the strain is kept for rows that
// come later.
const remembered = 2 * 60 * minute

// forget drops what is older than any row that may still come.
func (b *background) forget() {
	if b.newest == math.MinInt64 {
		return
	}
	before := b.newest*minute - remembered
	b.load.forget(before)
	for d, peaks := range b.peaks {
		for i := range peaks {
			if d*day+int64(i)*minute < before {
				peaks[i] = float32(math.Inf(-1))
			}
		}
		if (d+1)*day <= before {
			delete(b.peaks, d)
		}
	}
	for _, tracks := range []map[string]*track{b.temperatures, b.excitations, b.references} {
		for _, t := range tracks {
			t.forget(before)
		}
	}
	for _, s := range b.strains {
		s.forget(before)
	}
	if b.humidity != nil {
		b.humidity.forget(before)
	}
	for len(b.states) > 1 && b.states[1].From < before {
		b.states = b.states[1:]
	}
}

// forget drops what is older.
func (t *track) forget(before int64) {
	for d, bins := range t.days {
		for i := range bins {
			if d*day+int64(i+1)*t.width <= before {
				bins[i] = bin{}
			}
		}
		if (d+1)*day <= before {
			delete(t.days, d)
		}
	}
}

// loaded returns the load of the minute that begins at a time: 0 where the test
// has no load, NaN where it was not read for long.
func (b *background) loaded(at int64) float64 {
	if b.most < b.least {
		return 0
	}
	for back := range int64(holds) {
		if load := b.load.mean(at - back*minute); !math.IsNaN(load) {
			return load
		}
	}
	return math.NaN()
}

// idle reports whether the article is idle throughout the minute that begins at
// a time.
func (b *background) idle(at int64) bool {
	if len(b.states) > 0 {
		next := sort.Search(len(b.states), func(i int) bool { return b.states[i].From > at })
		idle := next > 0 && b.states[next-1].Idle // not until somebody says so
		for ; next < len(b.states) && b.states[next].From < at+minute; next++ {
			idle = idle && b.states[next].Idle
		}
		return idle
	}
	if b.most < b.least {
		return true
	}
	if d := b.peaks[floor(at, day)]; d != nil {
		if highest := float64(d[(at-floor(at, day)*day)/minute]); !math.IsInf(highest, -1) {
			return highest <= b.idleUpTo
		}
	}
	return b.loaded(at) <= b.idleUpTo
}
