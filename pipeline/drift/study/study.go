package study

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"sync"
	"time"

	"glueline/pipeline/drift"
	"glueline/pipeline/drift/driftsim"
)

// Outcome is one channel with what was said of it.
type Outcome struct {
	Options driftsim.Options
	Truth   driftsim.Truth
	Verdict drift.Verdict
	Late    float64 // hours by which the onset said lies after what can be seen, negative before the true onset
}

// Right says that the first cause named is the channel's.
func (o *Outcome) Right() bool { return string(o.Verdict.Named) == o.Truth.Kind }

// Either says that the first cause named is the channel's, or its second one.
func (o *Outcome) Either() bool {
	return o.Right() || o.Truth.Also != "" && string(o.Verdict.Named) == o.Truth.Also
}

// Severe says that a sensor's fault was named for what the article did, or that a
// debond was called healthy.
func (o *Outcome) Severe() bool {
	switch named := o.Verdict.Named; o.Truth.Kind {
	case driftsim.Structure:
		return named != drift.Structure && named != drift.Shakedown && named != drift.CannotTell && named != drift.Healthy
	case driftsim.Debond:
		return named == drift.Healthy
	}
	return false
}

// Run makes up each times channels of every kind, and four times as many healthy
// ones, from a seed, and judges them. wide and overlapping are the options of
// driftsim; every fifth channel with a trouble has a second one.
func Run(seed uint64, each int, wide, overlapping bool) []Outcome {
	random := rand.New(rand.NewPCG(seed, 1))
	var all []Outcome
	for _, kind := range driftsim.Kinds {
		n := each
		if kind == driftsim.Healthy {
			n *= 4
		}
		for i := range n {
			o := driftsim.Options{Seed: random.Uint64(), Kind: kind, Wide: wide}
			if overlapping && kind != driftsim.Healthy && i%5 == 4 {
				for o.Also == "" || o.Also == kind {
					o.Also = driftsim.Kinds[1+random.IntN(len(driftsim.Kinds)-1)]
				}
			}
			all = append(all, Outcome{Options: o})
		}
	}
	var wait sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wait.Add(1)
		go func() {
			defer wait.Done()
			for i := range next {
				all[i].judge()
			}
		}()
	}
	for i := range all {
		next <- i
	}
	close(next)
	wait.Wait()
	return all
}

func (o *Outcome) judge() {
	c := driftsim.Make(o.Options)
	var r drift.Record
	Feed(&c, &r, &drift.Gatherer{}, nil)
	o.Truth = c.Truth
	o.Verdict = drift.Judge(&r, Facts(c.Bridge))
	o.Late = math.NaN()
	if !o.Verdict.Onset.IsZero() {
		o.Late = o.late(o.Verdict.Onset)
	}
}

// late returns the hours by which a time lies after what can be seen of the
// trouble, negative before its true onset, 0 between the two.
func (o *Outcome) late(said time.Time) float64 {
	at := float64(said.UnixNano()-begin) / 3600e9
	from, to := float64(o.Truth.Onset)/60, float64(max(o.Truth.Onset, o.Truth.Shows))/60
	return min(0, at-from) + max(0, at-to)
}

// Table prints what was named for each kind, how often the channel's own cause
// came first, and it or a second one that it also has, how many of the right ones
// were dated within 12 h, and the figures that the bars are about.
func Table(w io.Writer, all []Outcome) {
	names := append([]string(nil), driftsim.Kinds...)
	names = append(names, string(drift.CannotTell))
	fmt.Fprintf(w, "%-13s %5s %7s %7s %9s   named\n", "truth", "n", "recall", "either", "in 12 h")
	for _, kind := range driftsim.Kinds {
		count := map[string]int{}
		var n, right, either, dated int
		for i := range all {
			if o := &all[i]; o.Truth.Kind == kind {
				n++
				count[string(o.Verdict.Named)]++
				if o.Either() {
					either++
				}
				if o.Right() {
					right++
					if math.Abs(o.Late) <= 12 {
						dated++
					}
				}
			}
		}
		var named []string
		for _, name := range names {
			if count[name] > 0 {
				named = append(named, fmt.Sprintf("%s %d", name, count[name]))
			}
		}
		when := fmt.Sprintf("%d/%d", dated, right)
		if kind == driftsim.Healthy {
			when = ""
		}
		fmt.Fprintf(w, "%-13s %5d %7.2f %7.2f %9s   %s\n", kind, n, float64(right)/float64(n), float64(either)/float64(n), when, strings.Join(named, ", "))
	}
	var sound, alarmed, troubled, found, dated float64
	for i := range all {
		o := &all[i]
		first := math.Inf(1)
		for _, a := range o.Verdict.Alarms {
			first = min(first, o.late(a.Onset))
		}
		switch {
		case o.Truth.Kind == driftsim.Healthy:
			sound++
			if len(o.Verdict.Alarms) > 0 {
				alarmed++
			}
		case o.Truth.Onset > 60*60: // later than what the detectors learn from
			troubled++
			if !math.IsInf(first, 0) {
				found++
			}
			if math.Abs(first) <= 12 {
				dated++
			}
		}
	}
	fmt.Fprintf(w, "cumulative sums: an alarm on %.1f %% of the healthy channels in two weeks; of %.0f troubles that began after the learning, %.0f %% alarmed, %.0f %% dated within 12 h\n",
		100*alarmed/sound, troubled, 100*found/troubled, 100*dated/troubled)
	s := Summarise(all)
	fmt.Fprintf(w, "healthy named otherwise %.1f %%, cannot tell %.1f %%, severe confusions %d\n", 100*s.FalseNaming, 100*s.CannotTell, s.Severe)
}

// Summary holds the figures that the bars are about, as fractions.
type Summary struct {
	Recall      map[string]float64
	FalseNaming float64
	CannotTell  float64 // of all channels
	Severe      int
}

// Summarise counts.
func Summarise(all []Outcome) Summary {
	s := Summary{Recall: map[string]float64{}}
	n := map[string]float64{}
	for i := range all {
		o := &all[i]
		n[o.Truth.Kind]++
		if o.Right() {
			s.Recall[o.Truth.Kind]++
		}
		if o.Verdict.Named == drift.CannotTell {
			s.CannotTell += 1 / float64(len(all))
		}
		if o.Severe() {
			s.Severe++
		}
	}
	for kind := range n {
		s.Recall[kind] /= n[kind]
	}
	for i := range all {
		o := &all[i]
		if o.Truth.Kind == driftsim.Healthy && o.Verdict.Named != drift.Healthy && o.Verdict.Named != drift.CannotTell {
			s.FalseNaming += 1 / n[driftsim.Healthy]
		}
	}
	return s
}
