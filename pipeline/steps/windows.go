package steps

import (
	"math"
	"sort"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
)

// window is a stretch of time that means are taken over; to is excluded.
type window struct {
	of       string // name of the series, "" for all
	from, to int64
	without  flag.Mask // flags that leave a sample out
	needs    flag.Mask // flags that a sample must have
}

// windows takes the means of every series over a set of windows.
type windows struct {
	list  []window
	means map[seriesKey][]mean
}

type seriesKey struct {
	name string
	kind Kind
}

type mean struct {
	group.Mean
	seconds group.Mean // of its samples, from the middle of the window
	joint   float64    // sum of products of deviations of seconds and values
}

// take adds a value and its distance from the middle of the window.
func (m *mean) take(seconds, x float64) {
	if math.IsNaN(x) {
		return
	}
	before := seconds - m.seconds.Mean
	m.seconds.Add(seconds)
	m.Add(x)
	m.joint += before * (x - m.Mean.Mean)
}

// middle is the value in the middle of the window: of the line through its
// samples. NaN without a value.
func (m mean) middle() float64 {
	if m.seconds.M2 == 0 {
		return m.mean()
	}
	return m.mean() - m.joint/m.seconds.M2*m.seconds.Mean
}

// mean is NaN without a value.
func (m mean) mean() float64 {
	if m.N == 0 {
		return math.NaN()
	}
	return m.Mean.Mean
}

// add adds a window and returns its number.
func (w *windows) add(win window) int {
	w.list = append(w.list, win)
	return len(w.list) - 1
}

// take adds the samples of a series that are inside windows.
func (w *windows) take(s Series) {
	if len(s.Time) == 0 || len(w.list) == 0 {
		return
	}
	key := seriesKey{s.Name, s.Kind}
	if s.Kind == Load {
		key.name = ""
	}
	if w.means == nil {
		w.means = map[seriesKey][]mean{}
	}
	means := w.means[key]
	if means == nil {
		means = make([]mean, len(w.list))
		w.means[key] = means
	}
	rising := sort.SliceIsSorted(s.Time, func(i, j int) bool { return s.Time[i] < s.Time[j] })
	for k, win := range w.list {
		if win.of != "" && win.of != s.Name {
			continue
		}
		from, to := 0, len(s.Time)
		if rising {
			from = sort.Search(to, func(i int) bool { return s.Time[i] >= win.from })
			to = from + sort.Search(to-from, func(i int) bool { return s.Time[from+i] >= win.to })
		}
		for i := from; i < to; i++ {
			if s.Time[i] < win.from || s.Time[i] >= win.to {
				continue
			}
			if s.Flags != nil && (flag.Mask(s.Flags[i])&win.without != 0 || flag.Mask(s.Flags[i])&win.needs != win.needs) {
				continue
			}
			means[k].take(float64(s.Time[i]-win.from)/1e9-float64(win.to-win.from)/2e9, s.Value[i])
		}
	}
}

// mean is that of a series over a window; the load has no name.
func (w *windows) mean(name string, kind Kind, k int) mean {
	if means := w.means[seriesKey{name, kind}]; k >= 0 && k < len(means) {
		return means[k]
	}
	return mean{}
}

// with appends other windows, whose numbers in the lists become those of the whole.
func (w windows) with(other windows, numbers ...[]int) windows {
	before := len(w.list)
	joined := windows{list: append(append([]window(nil), w.list...), other.list...), means: map[seriesKey][]mean{}}
	for key, means := range w.means {
		joined.means[key] = append(append([]mean(nil), means...), make([]mean, len(other.list))...)
	}
	for key, means := range other.means {
		if joined.means[key] == nil {
			joined.means[key] = make([]mean, len(joined.list))
		}
		copy(joined.means[key][before:], means)
	}
	for _, list := range numbers {
		for i := range list {
			if list[i] >= 0 {
				list[i] += before
			}
		}
	}
	return joined
}
