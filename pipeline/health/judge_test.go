package health

import (
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"glueline/pipeline/flag"
)

// article is a made-up test: loaded for one hour in two, a sample a minute,
// over two days, six channels that follow the load with noise and a common
// daily swing.
type article struct {
	clock    []int64
	load     []float64
	channels map[string]*made
}

type made struct {
	value []float64
	flags []uint32
}

const minutes = 2 * 24 * 60

func newArticle() *article {
	a := &article{channels: map[string]*made{}}
	random := rand.New(rand.NewPCG(1, 1))
	for i := range minutes {
		a.clock = append(a.clock, int64(i)*60e9+1_700_000_000e9)
		a.load = append(a.load, float64(i/60%2)*3+0.001*random.NormFloat64())
	}
	for _, name := range []string{"a", "b", "c", "d", "e", "f"} {
		m := &made{flags: make([]uint32, minutes)}
		for i := range minutes {
			m.value = append(m.value, 80e-6*a.load[i]+8e-6*a.day(i)+0.3e-6*random.NormFloat64())
		}
		a.channels[name] = m
	}
	return a
}

func (a *article) day(i int) float64 { return math.Sin(2 * math.Pi * float64(i) / 1440) }

func (a *article) loaded(i int) bool { return a.load[i] > 1.5 }

// judged feeds everything in pieces of the given length.
func (a *article) judged(piece int, more ...Series) []Finding {
	var f Finder
	for from := 0; from < minutes; from += piece {
		to := min(from+piece, minutes)
		for name, m := range a.channels { // in any order
			f.Add(Series{Name: name, Time: a.clock[from:to], Value: m.value[from:to], Flags: m.flags[from:to]})
		}
		if a.load != nil {
			f.Add(Series{Name: "level", Quantity: Load, Time: a.clock[from:to], Value: a.load[from:to]})
		}
		for _, s := range more {
			f.Add(Series{Name: s.Name, Quantity: s.Quantity, Time: a.clock[from:to], Value: s.Value[from:to]})
		}
	}
	return f.Findings()
}

func (a *article) spoil(name string, from, to int, how func(i int, m *made)) {
	for i := from; i < to; i++ {
		how(i, a.channels[name])
	}
}

func TestJudgement(t *testing.T) {
	const onset = 1000 // minutes
	flagged := func(f flag.Mask) func(int, *made) { return func(i int, m *made) { m.flags[i] |= uint32(f) } }
	for _, c := range []struct {
		name  string
		spoil func(a *article)
		want  Kind // on channel b; "" for nothing
		since int  // minute
	}{
		{"healthy", func(*article) {}, "", 0},
		{"open", func(a *article) { a.spoil("b", onset, minutes, flagged(flag.Saturated|flag.Open)) }, Open, onset},
		{"open, seen as saturated only", func(a *article) { a.spoil("b", onset, minutes, flagged(flag.Saturated)) }, Open, onset},
		{"shorted", func(a *article) { a.spoil("b", onset, minutes, flagged(flag.Saturated|flag.Shorted)) }, Shorted, onset},
		{"open now and then, at rest too", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) {
				if i%5 != 0 {
					m.flags[i] |= uint32(flag.Saturated | flag.Open)
				}
			})
		}, Open, onset + 1},
		{"saturated under load", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) {
				if a.loaded(i) {
					m.flags[i] |= uint32(flag.Saturated)
				}
			})
		}, Saturated, 1020},
		{"saturated, the first time in a jump", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) {
				if a.loaded(i) {
					m.flags[i] |= uint32(flag.Saturated | flag.Open)
				}
			})
		}, Saturated, 1020},
		{"two readings at the end of the range", func(a *article) { a.spoil("b", onset, onset+2, flagged(flag.Saturated)) }, "", 0},
		{"at the end of the range while a shunt is on", func(a *article) {
			a.spoil("b", onset, onset+30, flagged(flag.Saturated|flag.ShuntOn))
		}, "", 0},
		{"moisture", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) { m.value[i] -= 120e-6 * float64(i-onset) / (minutes - onset) })
		}, Moisture, onset},
		{"moisture that stops", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) { m.value[i] -= min(1, float64(i-onset)/600) * 60e-6 })
		}, Moisture, onset},
		{"all of them fall: the article's, not moisture", func(a *article) {
			for name := range a.channels {
				a.spoil(name, onset, minutes, func(i int, m *made) { m.value[i] -= 120e-6 * float64(i-onset) / (minutes - onset) })
			}
		}, "", 0},
		{"a slow rise is not moisture", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) { m.value[i] += 120e-6 * float64(i-onset) / (minutes - onset) })
		}, "", 0},
		{"a jump down at rest is not moisture", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) { m.value[i] -= 120e-6 })
		}, "", 0},
		{"a jump down under load is not moisture", func(a *article) {
			a.spoil("b", onset+40, minutes, func(i int, m *made) { m.value[i] -= 120e-6 })
		}, "", 0},
		{"a daily swing of its own is not moisture", func(a *article) {
			a.spoil("b", 0, minutes, func(i int, m *made) { m.value[i] += 60e-6 * a.day(i) })
		}, "", 0},
		{"a wrong slope with load is not moisture", func(a *article) {
			a.spoil("b", 0, minutes, func(i int, m *made) { m.value[i] -= 200e-6 * a.load[i] })
		}, "", 0},
		{"falls while its temperature is stale", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) {
				m.value[i] -= 120e-6 * float64(i-onset) / (minutes - onset)
				m.flags[i] |= uint32(flag.TemperatureStale)
			})
		}, TemperatureLost, onset},
		{"no signal any more", func(a *article) {
			a.spoil("b", onset, minutes, func(i int, m *made) { m.value[i] = math.NaN(); m.flags[i] |= uint32(flag.Missing) })
		}, SignalLost, onset},
		{"no value for want of a zero", func(a *article) {
			a.spoil("b", 0, minutes, func(i int, m *made) { m.value[i] = math.NaN(); m.flags[i] |= uint32(flag.ZeroMissing) })
		}, "", 0},
		{"a gap", func(a *article) {
			a.spoil("b", onset, onset+200, func(i int, m *made) { m.value[i] = math.NaN(); m.flags[i] |= uint32(flag.Missing) })
		}, "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := newArticle()
			c.spoil(a)
			found := a.judged(97)
			if c.want == "" {
				if len(found) != 0 {
					t.Fatalf("found %v", found)
				}
				return
			}
			if len(found) != 1 || found[0].Channel != "b" || found[0].Kind != c.want {
				t.Fatalf("found %v, want b %s", found, c.want)
			}
			since := found[0].Since.Sub(instant(a.clock[0])).Minutes()
			late := 0.1
			if c.want == Moisture {
				late = 400 // the first rests after it
			}
			if since < float64(c.since)-1 || since > float64(c.since)+late {
				t.Errorf("since minute %.0f, want %d", since, c.since)
			}
		})
	}
}

// TestTemperatures: a lost temperature is named itself, and then not again on
// the channels that lack it.
func TestTemperatures(t *testing.T) {
	a := newArticle()
	plate := make([]float64, minutes)
	for i := 1500; i < minutes; i++ {
		plate[i] = math.NaN()
	}
	a.spoil("b", 1500, minutes, func(i int, m *made) { m.flags[i] |= uint32(flag.TemperatureStale) })
	found := a.judged(500, Series{Name: "plate", Quantity: Temperature, Value: plate})
	if len(found) != 1 || found[0].Channel != "plate" || found[0].Kind != TemperatureLost || found[0].Since != instant(a.clock[1500]) {
		t.Errorf("found %v", found)
	}
}

// TestWithoutLoad: without a load nothing is known of rest, so that moisture is
// not judged, and the flags alone tell open from saturated.
func TestWithoutLoad(t *testing.T) {
	a := newArticle()
	a.load = nil
	a.spoil("a", 1000, minutes, func(i int, m *made) { m.flags[i] |= uint32(flag.Open | flag.Saturated) })
	a.spoil("b", 1000, minutes, func(i int, m *made) { m.flags[i] |= uint32(flag.Saturated) })
	a.spoil("c", 1000, minutes, func(i int, m *made) { m.value[i] -= 120e-6 * float64(i-1000) / (minutes - 1000) })
	found := a.judged(1000)
	if len(found) != 2 || found[0].Kind != Open || found[1].Kind != Saturated {
		t.Errorf("found %v", found)
	}
}

// TestPiecesDoNotMatter: how the series are cut is nobody's business.
func TestPiecesDoNotMatter(t *testing.T) {
	a := newArticle()
	a.spoil("b", 700, minutes, func(i int, m *made) { m.value[i] -= 90e-6 * float64(i-700) / (minutes - 700) })
	a.spoil("e", 900, minutes, func(i int, m *made) { m.flags[i] |= uint32(flag.Open | flag.Saturated) })
	whole := a.judged(minutes)
	if len(whole) != 2 {
		t.Fatalf("found %v", whole)
	}
	for _, piece := range []int{1, 13, 1024} {
		found := a.judged(piece)
		for i := range whole {
			if len(found) != 2 || found[i] != whole[i] {
				t.Errorf("pieces of %d: %v, whole %v", piece, found, whole)
				break
			}
		}
	}
}

// TestBinsKeepWhatTheyAreGiven, whatever their width has become.
func TestBinsKeepWhatTheyAreGiven(t *testing.T) {
	for _, c := range []struct {
		start, step int64
		n           int
	}{{0, 1e9, 10}, {5e9 + 1, 1e9, 3 * maxBins}, {-7e9, 37e9, 5 * maxBins}, {1e18, 86400e9, 1000}} {
		var b bins
		for i := range c.n {
			b.at(c.start + int64(i)*c.step).add(bin{sum: 1, good: 1})
		}
		whole := b.between(math.MinInt64/4, math.MaxInt64/4)
		if len(b.list) > maxBins || whole.good != int32(c.n) || whole.sum != float64(c.n) {
			t.Errorf("%+v: %d bins hold %+v", c, len(b.list), whole)
		}
		middle := c.start + int64(c.n/2)*c.step
		middle = floor(middle, b.width) * b.width // where a bin begins
		before, after := b.between(math.MinInt64/4, middle), b.between(middle, math.MaxInt64/4)
		if before.good+after.good != int32(c.n) || math.Abs(float64(before.good-after.good)) > 2+2*float64(b.width/c.step) {
			t.Errorf("%+v: %d before the middle, %d after", c, before.good, after.good)
		}
	}
}

// TestMemoryIsBounded: a hundred times the samples need no more memory.
func TestMemoryIsBounded(t *testing.T) {
	used := func(samples int) uint64 {
		var f Finder
		const piece = 1000
		times, values := make([]int64, piece), make([]float64, piece)
		for from := 0; from < samples; from += piece {
			for i := range times {
				times[i] = int64(from+i) * int64(time.Second)
			}
			f.Add(Series{Name: "a", Time: times, Value: values})
		}
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		runtime.KeepAlive(&f)
		return m.HeapAlloc
	}
	short, long := used(maxBins), used(100*maxBins)
	if long > short+64<<10 {
		t.Errorf("%d bytes for %d samples, %d for a hundred times as many", short, maxBins, long)
	}
}
