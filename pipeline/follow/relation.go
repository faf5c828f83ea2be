package follow

import (
	"math"
	"slices"
	"time"

	"glueline/pipeline/cycles"
	"glueline/pipeline/testfile"
)

// Relation is a sum of strains that is zero while all of its channels tell the
// truth: a pair that a test file declares, or four grids of a rosette.
type Relation struct {
	Name      string
	Form      string  // redundant, back-to-back, poisson or four grids
	Terms     []Term  // of the sum
	Tolerance float64 // m/m
	Relative  float64 // of the first term's strain, beside it; of the largest with four grids
}

// Term is a channel's part of a sum.
type Term struct {
	Channel string  `json:"channel"`
	Factor  float64 `json:"factor"`
}

// FourGrids is the form of a rosette's relation.
const FourGrids = "four grids"

// What four grids may leave over where the test file does not say. Common
// practice, no source.
const (
	gridTolerance = 20e-6
	gridRelative  = 0.02
)

// DeclaredBy is what a test file declares for package follow.
func DeclaredBy(t *testfile.Test) (*Declared, error) {
	d := &Declared{Curves: map[string]cycles.Curve{}, Witnesses: map[string][]string{}, Neighbours: map[string][]string{}}
	for _, name := range t.Channels.Names() {
		curve, ok, err := cycles.CurveOf(t, name)
		if err != nil {
			return nil, err
		}
		if ok {
			d.Curves[name] = curve
		}
		if all := t.WitnessesOf(name); len(all) > 0 {
			d.Witnesses[name] = all
		}
		if all := t.NeighboursOf(name); len(all) > 0 {
			d.Neighbours[name] = all
		}
	}
	for i := range t.Pairs.Entries {
		e := &t.Pairs.Entries[i]
		p := &e.Value
		if k, ok := t.PairFactor(p); ok && len(p.Channels) == 2 {
			d.Relations = append(d.Relations, Relation{
				Name: e.Name, Form: p.Form.Text, Terms: []Term{{p.Channels[0].Text, 1}, {p.Channels[1].Text, k}},
				Tolerance: p.Tolerance.Value, Relative: p.Relative.Value,
			})
		}
	}
	for i := range t.Rosettes.Entries {
		e := &t.Rosettes.Entries[i]
		if terms := gridTerms(&e.Value); terms != nil {
			d.Relations = append(d.Relations, Relation{
				Name: e.Name, Form: FourGrids, Terms: terms,
				Tolerance: e.Value.Tolerance.Or(gridTolerance), Relative: e.Value.Relative.Or(gridRelative),
			})
		}
	}
	return d, nil
}

// gridTerms finds two pairs of grids at right angles: the sum of strains along two
// such directions is the same whichever they are, so that e0 + e90 = e45 + e135.
// It holds for indicated strains too where the grids have one transverse
// sensitivity. It is nil where there are no two.
func gridTerms(r *testfile.Rosette) []Term {
	const near = math.Pi / 180
	if r.Form.Text != "angles" || len(r.Angles) != len(r.Grids) {
		return nil
	}
	var pairs [][2]int
	used := map[int]bool{}
	for i := range r.Angles {
		for j := i + 1; j < len(r.Angles); j++ {
			if used[i] || used[j] {
				continue
			}
			apart := math.Abs(math.Remainder(r.Angles[j].Value-r.Angles[i].Value, math.Pi))
			if math.Abs(apart-math.Pi/2) < near {
				used[i], used[j] = true, true
				pairs = append(pairs, [2]int{i, j})
			}
		}
	}
	if len(pairs) < 2 {
		return nil
	}
	a, b := pairs[0], pairs[1]
	return []Term{{r.Grids[a[0]].Text, 1}, {r.Grids[a[1]].Text, 1}, {r.Grids[b[0]].Text, -1}, {r.Grids[b[1]].Text, -1}}
}

// related is a relation at work: what was left over by the minute, and by the hour.
type related struct {
	Relation
	waiting map[int64][]float64 // strains of a minute, NaN until they come
	hour    int64               // under way
	sum     float64             // of what was left over in it
	reached float64             // of the strain that Relative is of
	n       float64

	minutes       float64
	mean, squares float64 // of all minutes
	newest, limit float64 // of the newest full hour, m/m; NaN before any
	beyond        int64   // beginning of the first hour of those that are beyond the limit, 0 for none
	to            int64   // end of the newest full hour
}

// Residual is what a relation leaves over.
type Residual struct {
	Relation
	Minutes int
	Mean    float64   // of all minutes, m/m
	SD      float64   // m/m
	Newest  float64   // mean of the newest full hour, m/m; NaN before any
	Limit   float64   // that it is held to, m/m
	Beyond  time.Time // since when it is beyond the limit; zero while it is within
	To      time.Time // end of the newest full hour
}

// relate takes over the relations of the test file in force. One that has other
// terms begins anew.
func (p *Pass) relate() {
	before := p.relations
	p.relations = nil
	for _, r := range p.declared.Relations {
		at := slices.IndexFunc(before, func(o *related) bool { return o.Name == r.Name && slices.Equal(o.Terms, r.Terms) })
		if at < 0 {
			p.relations = append(p.relations, newRelated(r))
			continue
		}
		before[at].Relation = r
		p.relations = append(p.relations, before[at])
	}
}

func newRelated(r Relation) *related {
	return &related{Relation: r, waiting: map[int64][]float64{}, newest: math.NaN(), limit: math.NaN(), hour: math.MinInt64}
}

// longestWait is for how many minutes a relation waits for its last strain.
const longestWait = 120

// relation gives a minute's strain, from the installation zero, to the relations
// that it is a part of.
func (p *Pass) relation(channel string, at int64, strain float64) {
	for _, r := range p.relations {
		for i := range r.Terms {
			if r.Terms[i].Channel == channel {
				r.take(i, at, strain)
			}
		}
	}
}

// replaced has relations of a channel begin anew: another gauge is another story.
func (p *Pass) replaced(channel string) {
	for i, r := range p.relations {
		if slices.ContainsFunc(r.Terms, func(t Term) bool { return t.Channel == channel }) {
			p.relations[i] = newRelated(r.Relation)
		}
	}
}

func (r *related) take(term int, at int64, strain float64) {
	all := r.waiting[at]
	if all == nil {
		all = make([]float64, len(r.Terms))
		for i := range all {
			all[i] = math.NaN()
		}
		r.waiting[at] = all
	}
	all[term] = strain
	if slices.ContainsFunc(all, math.IsNaN) {
		if len(r.waiting) > longestWait {
			oldest := at
			for minute := range r.waiting {
				oldest = min(oldest, minute)
			}
			delete(r.waiting, oldest)
		}
		return
	}
	delete(r.waiting, at)
	left, reached := 0.0, math.Abs(all[0])
	for i, x := range all {
		left += r.Terms[i].Factor * x
		if r.Form == FourGrids {
			reached = max(reached, math.Abs(x))
		}
	}
	if h := floor(at, 60*minute); h != r.hour {
		r.close()
		r.hour = h
	}
	r.sum, r.reached, r.n = r.sum+left, r.reached+reached, r.n+1
	r.minutes++
	delta := left - r.mean
	r.mean += delta / r.minutes
	r.squares += delta * (left - r.mean)
}

// fullHour is the least number of minutes that speak for an hour.
const fullHour = 5

// close ends the hour under way.
func (r *related) close() {
	if r.n >= fullHour {
		r.newest, r.limit = r.sum/r.n, r.Tolerance+r.Relative*r.reached/r.n
		r.to = (r.hour + 1) * 60 * minute
		switch {
		case math.Abs(r.newest) <= r.limit:
			r.beyond = 0
		case r.beyond == 0:
			r.beyond = r.hour * 60 * minute
		}
	}
	r.sum, r.reached, r.n = 0, 0, 0
}

// Residuals tells what each relation leaves over, in the order of the test file.
func (p *Pass) Residuals() (all []Residual) {
	for _, r := range p.relations {
		o := Residual{Relation: r.Relation, Minutes: int(r.minutes), Mean: r.mean, SD: math.Sqrt(r.squares / (r.minutes - 1)), Newest: r.newest, Limit: r.limit}
		if r.minutes == 0 {
			o.Mean = math.NaN()
		}
		if r.minutes < 2 {
			o.SD = math.NaN()
		}
		if r.beyond != 0 {
			o.Beyond = time.Unix(0, r.beyond).UTC()
		}
		if r.to != 0 {
			o.To = time.Unix(0, r.to).UTC()
		}
		all = append(all, o)
	}
	return all
}

// Suspects returns, of residuals that are beyond their limits, the channels that
// are in two of them or more and in none that is within: what a third tells. It
// is nil where nobody can tell which channel is wrong.
func Suspects(all []Residual) (names []string) {
	beyond, within := map[string]int{}, map[string]bool{}
	for i := range all {
		for _, t := range all[i].Terms {
			switch {
			case !all[i].Beyond.IsZero():
				beyond[t.Channel]++
			case !math.IsNaN(all[i].Newest):
				within[t.Channel] = true
			}
		}
	}
	for name, n := range beyond {
		if n >= 2 && !within[name] {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	// Where two channels are in the same ones, each may be the wrong one.
	if len(names) > 1 {
		return nil
	}
	return names
}
