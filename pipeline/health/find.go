package health

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"
)

// Quantity says what a series is.
type Quantity uint8

// The quantities that a Finder knows.
const (
	Strain Quantity = iota
	Temperature
	Load // the auxiliary quantity that strain is read against
)

// Series is a run of consecutive samples of one column. Value is NaN where there
// is none; Flags, beside strain, holds a flag.Mask a sample and may be nil. The
// slices have one length and are not kept.
type Series struct {
	Name     string
	Quantity Quantity
	Time     []int64 // ns since 1970 UTC, rising
	Value    []float64
	Flags    []uint32
}

// Kind is what is wrong with a channel.
type Kind string

// The kinds of findings.
const (
	Open            Kind = "open"
	Shorted         Kind = "shorted"
	Saturated       Kind = "saturated"
	Moisture        Kind = "moisture"
	TemperatureLost Kind = "temperature lost"
	SignalLost      Kind = "signal lost"
)

// Finding is one channel (or temperature) and what is wrong with it.
type Finding struct {
	Channel  string
	Kind     Kind
	Since    time.Time // when it first shows
	Evidence string    // what was seen, in words
}

func (f Finding) String() string {
	return fmt.Sprintf("%s: %s since %s: %s", f.Channel, f.Kind, f.Since.Format(time.RFC3339), f.Evidence)
}

// The limits of the judgement. All are common practice, no source.
const (
	fewest       = 3     // readings at the end of the range that are no accident
	lostReadings = 5     // missing readings in a row, up to the end, and
	lostTime     = 60e9  // ns that they last
	idleShare    = 0.05  // of the load's span above its least value still counts as idle
	fewestRests  = 4     // idle stretches without which a slow zero is not judged
	leastFall    = 25e-6 // of the zero: a leakage of some 7 Mohm across 350 ohm at a gauge factor of 2
	clearFall    = 4     // times what the other channels' zeros wander
	mostRecovery = 0.3   // of the fall: moisture does not dry by itself, a daily swing returns
	mostAtOnce   = 0.85  // of the fall: more from one rest to the next is a jump and not a leak
)

// Finder collects series and judges them. The zero value is ready for use.
type Finder struct {
	tracks []*track
	byName map[string]*track
}

// Find judges all series that next hands out until it reports false.
func Find(next func() (Series, bool)) []Finding {
	var f Finder
	for s, ok := next(); ok; s, ok = next() {
		f.Add(s)
	}
	return f.Findings()
}

// Add takes the next samples of a series. Series may come in any order, the
// samples of one in order of time.
func (f *Finder) Add(s Series) {
	t := f.byName[s.Name]
	if t == nil {
		t = &track{name: s.Name, quantity: s.Quantity}
		if f.byName == nil {
			f.byName = map[string]*track{}
		}
		f.byName[s.Name] = t
		f.tracks = append(f.tracks, t)
	}
	t.add(s.Time, s.Value, s.Flags)
}

// Findings returns what is wrong, by channel name. It may be called at any time.
func (f *Finder) Findings() []Finding {
	tracks := slices.Clone(f.tracks)
	sort.Slice(tracks, func(i, j int) bool { return tracks[i].name < tracks[j].name })
	rests := f.rests()

	var found []Finding
	var quiet []*track
	temperatures := false
	for _, t := range tracks {
		lost, is := t.lost()
		switch {
		case t.quantity == Load:
			if is {
				found = append(found, lost)
			}
		case t.quantity == Temperature:
			temperatures = true
			if is {
				found = append(found, lost)
			}
		case is:
			found = append(found, lost)
		case t.ended >= fewest:
			found = append(found, t.atTheEnd(rests))
		default:
			quiet = append(quiet, t)
		}
	}
	found = append(found, moist(quiet, rests)...)
	if !temperatures {
		found = append(found, uncompensated(quiet)...)
	}
	sort.SliceStable(found, func(i, j int) bool { return found[i].Channel < found[j].Channel })
	return found
}

// lost finds a series without readings up to its end.
func (t *track) lost() (Finding, bool) {
	if t.gone < lostReadings || t.last-t.goneAt < lostTime {
		return Finding{}, false
	}
	kind := SignalLost
	if t.quantity == Temperature {
		kind = TemperatureLost
	}
	evidence := fmt.Sprintf("no reading any more: the last %d are missing", t.gone)
	if t.values == 0 {
		evidence = fmt.Sprintf("no reading at all in %d samples", t.gone)
	}
	return Finding{t.name, kind, instant(t.goneAt), evidence}, true
}

// atTheEnd tells an open gauge from an amplifier with too small a range: the
// former stays at the end of the range when the load is gone.
func (t *track) atTheEnd(rests []stretch) Finding {
	var idle bin
	for _, r := range rests {
		if r.from >= t.firstEnded {
			idle.add(t.bins.between(r.from, r.to))
		}
	}
	since := instant(t.firstEnded)
	stays := idle.ended > idle.good
	evidence := fmt.Sprintf("at the end of the range in %d samples since, and also in %d of %d at rest", t.ended, idle.ended, idle.ended+idle.good)
	if idle.ended+idle.good == 0 {
		stays = 2*(t.jumped+t.shorted) > t.ended
		evidence = fmt.Sprintf("at the end of the range in %d samples; the article was not at rest since, %d are flagged as a jump", t.ended, t.jumped+t.shorted)
	}
	switch {
	case !stays:
		return Finding{t.name, Saturated, since, evidence}
	case t.shorted > t.jumped:
		return Finding{t.name, Shorted, since, evidence}
	}
	return Finding{t.name, Open, since, evidence}
}

// uncompensated names the channels without a temperature up to their end, for
// when the temperatures themselves are not among the series.
func uncompensated(tracks []*track) (found []Finding) {
	for _, t := range tracks {
		if t.without && t.last-t.since >= lostTime {
			found = append(found, Finding{t.name, TemperatureLost, instant(t.since), "its temperature is missing or stale up to the end"})
		}
	}
	return found
}

// stretch is a stretch of time in ns, its end excluded.
type stretch struct{ from, to int64 }

// rests returns the stretches in which the load is near its least value. The
// first third of each is left out: what was wet dries and warms up.
func (f *Finder) rests() (rests []stretch) {
	i := slices.IndexFunc(f.tracks, func(t *track) bool { return t.quantity == Load })
	if i < 0 {
		return nil
	}
	load := &f.tracks[i].bins
	var means []float64
	for _, b := range load.list {
		if b.good > 0 {
			means = append(means, b.sum/float64(b.good))
		}
	}
	if len(means) == 0 {
		return nil
	}
	slices.Sort(means)
	low, high := means[len(means)/50], means[len(means)-1-len(means)/50]
	if !(high > low) {
		return nil
	}
	limit := low + idleShare*(high-low)
	idle, from := false, int64(0)
	for k := 0; k <= len(load.list); k++ {
		at := (load.first + int64(k)) * load.width
		now := false
		if k < len(load.list) {
			b := load.list[k]
			if b.good == 0 {
				continue // no sample of the load here: it is where it was
			}
			now = b.sum/float64(b.good) <= limit
		}
		switch {
		case now && !idle:
			from = at
		case !now && idle:
			if settled := from + (at-from)/3; (at-settled)/load.width >= 3 {
				rests = append(rests, stretch{settled, at})
			}
		}
		idle = now
	}
	return rests
}

// moist finds the channels whose zero at rest falls slowly and for good while
// the others' do not: a leakage resistance across a gauge makes it read as if
// in compression. A gauge that is pulled off its article by heat, a creeping
// adhesive and a real settlement of the article's own part look the same.
func moist(tracks []*track, rests []stretch) (found []Finding) {
	if len(rests) < fewestRests {
		return nil
	}
	zeros := make([][]float64, len(tracks))
	for i, t := range tracks {
		zeros[i] = t.zeros(rests)
	}
	common := medians(zeros, len(rests))
	wander := make([]float64, 0, len(tracks))
	for _, z := range zeros {
		for w := range z {
			z[w] -= common[w]
		}
		if s := span(z); !math.IsNaN(s) {
			wander = append(wander, s)
		}
	}
	if len(wander) == 0 {
		return nil
	}
	enough := max(leastFall, clearFall*median(wander))
	for i, t := range tracks {
		fall, at := slowFall(zeros[i])
		if fall < enough {
			continue
		}
		found = append(found, Finding{t.name, Moisture, instant(rests[at].from), fmt.Sprintf(
			"its zero at rest fell by %.0f um/m and did not return, while half of the channels moved by less than %.0f um/m",
			fall*1e6, median(wander)*1e6)})
	}
	return found
}

// zeros returns the channel's value at each rest since its first one, NaN where
// too little is to be believed.
func (t *track) zeros(rests []stretch) []float64 {
	z := make([]float64, len(rests))
	start := math.NaN()
	for w, r := range rests {
		z[w] = math.NaN()
		if value, good := t.bins.middle(r.from, r.to); good >= fewest {
			z[w] = value
			if math.IsNaN(start) {
				start = z[w]
			}
		}
		z[w] -= start
	}
	return z
}

// medians returns the median over all channels at each rest, 0 where none has a
// value: what moves them all is the article's, or the weather's.
func medians(zeros [][]float64, rests int) []float64 {
	common := make([]float64, rests)
	var at []float64
	for w := range common {
		at = at[:0]
		for _, z := range zeros {
			if !math.IsNaN(z[w]) {
				at = append(at, z[w])
			}
		}
		if len(at) > 0 {
			common[w] = median(at)
		}
	}
	return common
}

// slowFall returns by how much a series fell slowly and for good, and the index
// of the value at which the fall first shows; 0 if it did not.
func slowFall(z []float64) (fall float64, at int) {
	top, low, last := -1, -1, -1
	for w, v := range z {
		if !math.IsNaN(v) {
			if last = w; top < 0 || v >= z[top] {
				top = w
			}
		}
	}
	if top < 0 {
		return 0, 0
	}
	lowest, recovery, step, before := z[top], 0.0, 0.0, z[top]
	for w := top; w <= last; w++ {
		v := z[w]
		if math.IsNaN(v) {
			continue
		}
		if v < lowest {
			lowest, low = v, w
		}
		recovery = max(recovery, v-lowest)
		step = max(step, before-v)
		before = v
	}
	fall = z[top] - lowest
	if low-top < 2 || recovery > mostRecovery*fall || step > mostAtOnce*fall {
		return 0, 0
	}
	for w := top; w <= low; w++ {
		if z[top]-z[w] >= 0.05*fall { // NaN is not
			return fall, w
		}
	}
	return fall, low
}

func span(z []float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range z {
		if !math.IsNaN(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	if low > high {
		return math.NaN()
	}
	return high - low
}

// median sorts its argument.
func median(x []float64) float64 {
	slices.Sort(x)
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

func instant(ns int64) time.Time { return time.Unix(0, ns).UTC() }
