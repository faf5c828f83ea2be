package follow

import (
	"math"
	"sort"

	"glueline/pipeline/event"
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
	temperatures map[string]*track
	humidity     *track
	wet          string            // name of the humidity
	excitations  map[string]*track // by source
	states       []state
	idleUpTo     float64 // load
}

// state is a load state from a time on.
type state struct {
	from int64
	idle bool
}

func newBackground(events []event.Event) *background {
	b := &background{load: newTrack(minute), peaks: map[int64][]float32{}, temperatures: map[string]*track{}, excitations: map[string]*track{}}
	for i := range events {
		if e := &events[i]; e.Event == "load-state" {
			b.states = append(b.states, state{e.Time.UnixNano(), e.State == "idle"})
		}
	}
	return b
}

// take adds all of a batch but its strain.
func (b *background) take(batch *Batch) {
	for i := range batch.Columns {
		c := &batch.Columns[i]
		to := b.trackOf(c, batch.Source)
		if to == nil {
			continue
		}
		for j, x := range c.Value {
			to.add(batch.Time[j], x)
			if c.Kind == Load && !math.IsNaN(x) {
				b.peak(batch.Time[j], float32(x))
			}
		}
	}
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

// settle is called when everything was taken.
func (b *background) settle() {
	least, most := b.load.span()
	b.idleUpTo = least + resting*(most-least)
}

// loaded returns the load of the minute that begins at a time: 0 where the test
// has no load, NaN where it was not read for long.
func (b *background) loaded(at int64) float64 {
	if len(b.load.days) == 0 {
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
		next := sort.Search(len(b.states), func(i int) bool { return b.states[i].from > at })
		idle := next > 0 && b.states[next-1].idle // not until somebody says so
		for ; next < len(b.states) && b.states[next].from < at+minute; next++ {
			idle = idle && b.states[next].idle
		}
		return idle
	}
	if len(b.load.days) == 0 {
		return true
	}
	if d := b.peaks[floor(at, day)]; d != nil {
		if highest := float64(d[(at-floor(at, day)*day)/minute]); !math.IsInf(highest, -1) {
			return highest <= b.idleUpTo
		}
	}
	return b.loaded(at) <= b.idleUpTo
}
