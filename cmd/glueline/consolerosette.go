package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"glueline/pipeline/budget"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/reduce"
	"glueline/sinks/console"
)

// wellKnown is what a rosette's strains and stresses are and how well they are
// known, by what the test file and the zeros state.
type wellKnown struct {
	Values []knownValue `json:"values"`
	In     []string     `json:"in"`  // what is in the uncertainty
	Out    []string     `json:"out"` // what is not, since nobody stated it
	Bends  bool         `json:"bends"`
}

// knownValue is a value with its expanded uncertainty, k = 2: about 95 % where
// parts are many and alike (JCGM 100:2008, G.6.6).
type knownValue struct {
	Name     string   `json:"name"`
	Unit     string   `json:"unit"`
	Value    *float64 `json:"value"`
	Expanded *float64 `json:"expanded"`
	Largest  string   `json:"largest"` // the input that adds most
}

const coverage = 2

// rosetteNames are the results of a rosette's budget, by their units.
var rosetteNames = []knownValue{{Name: "e1", Unit: "m/m"}, {Name: "e2", Unit: "m/m"}, {Name: "s1", Unit: "Pa"}, {Name: "s2", Unit: "Pa"}, {Name: "von Mises", Unit: "Pa"}, {Name: "Tresca", Unit: "Pa"}}

// rosette answers how well the state of strain is known that the grids indicate:
// indicated strains in m/m, in the order of the grids, with commas.
func (a *consoleArticle) rosette(q console.Query) (any, error) {
	name := q.Get("name")
	k := a.svc.current.Load()
	r, ok := k.test.Rosettes.Get(name)
	if !ok {
		return nil, fmt.Errorf("%w: no rosette %q", console.ErrRefused, name)
	}
	words := strings.Split(q.Get("strains"), ",")
	if len(words) != len(r.Grids) {
		return nil, fmt.Errorf("%w: strains: give one of each of its %d grids, with commas", console.ErrRefused, len(r.Grids))
	}
	var strains []float64
	for _, w := range words {
		v, err := strconv.ParseFloat(w, 64)
		if err != nil || !(math.Abs(v) < 1) {
			return nil, fmt.Errorf("%w: strains: %q is no strain in m/m", console.ErrRefused, w)
		}
		strains = append(strains, v)
	}
	at := int64(math.MaxInt64)
	if text := q.Get("time"); text != "" {
		ms, err := strconv.ParseFloat(text, 64)
		if err != nil || !(math.Abs(ms) < 9e12) {
			return nil, fmt.Errorf("%w: time is no number of milliseconds since 1970", console.ErrRefused)
		}
		at = int64(ms * 1e6)
	}
	b, err := a.rosetteBudget(k, name, r, strains, at)
	if err != nil {
		return nil, err
	}
	return b.work()
}

// rosetteBudget is what a rosette's values depend on.
type rosetteBudget struct {
	inputs     []budget.Input
	out        []string
	grids      int
	angles     []float64
	transverse []float64
	lots       []int // place of each grid's gauge factor among the inputs
	beam       float64
	elastic    [2]int // places of E and nu; 0 where there is no stress
}

func (a *consoleArticle) rosetteBudget(k *keptTest, name string, r *testfile.Rosette, strains []float64, at int64) (*rosetteBudget, error) {
	b := &rosetteBudget{grids: len(strains)}
	var constants []group.ChannelConstants
	for _, plan := range k.plans {
		c, _, err := plan.Calibration(plan.SourceOf(r.Grids[0].Text))
		if err != nil {
			return nil, err
		}
		for _, known := range c.Rosettes {
			if known.Name == name {
				for _, angle := range known.Angles {
					b.angles = append(b.angles, float64(angle))
				}
				constants = c.Channels
			}
		}
	}
	if len(b.angles) != b.grids {
		return nil, fmt.Errorf("%w: the grids of %s are not solved together", console.ErrRefused, name)
	}
	for i, grid := range r.Grids {
		noise, err := a.zeroNoise(grid.Text, at)
		if err != nil {
			return nil, err
		}
		if noise == 0 {
			b.out = append(b.out, "noise of "+grid.Text+" (its zero was stated, not read)")
		}
		b.inputs = append(b.inputs, budget.Input{Name: "noise of " + grid.Text, Value: strains[i], U: noise})
	}
	lots := map[string]int{}
	for _, grid := range r.Grids {
		for i := range constants {
			c := &constants[i]
			if c.Name != grid.Text || len(c.Wires) == 0 {
				continue
			}
			w := c.At(at)
			if w == nil {
				w = &c.Wires[len(c.Wires)-1]
			}
			b.transverse, b.beam = append(b.transverse, w.Constants.Transverse), w.Constants.CalibrationPoisson
			lot := lotOf(k.test, w.Input)
			if _, known := lots[lot]; !known {
				lots[lot] = len(b.inputs)
				b.inputs = append(b.inputs, budget.Input{Name: "gauge factor of lot " + lot, Value: 1, U: b.relative(gaugeFactorOf(k.test, lot), "gauge factor of lot "+lot)})
			}
			b.lots = append(b.lots, lots[lot])
		}
	}
	if len(b.lots) != b.grids {
		return nil, fmt.Errorf("%w: not every grid of %s has a gauge", console.ErrRefused, name)
	}
	if m, ok := materialOfChannel(k.test, r.Grids[0].Text); ok && m.Young.Given && m.Poisson.Given {
		b.elastic = [2]int{len(b.inputs), len(b.inputs) + 1}
		b.inputs = append(b.inputs, budget.Input{Name: "Young's modulus", Value: m.Young.Value, U: m.Young.Value * b.relative(m.Young, "Young's modulus")},
			budget.Input{Name: "Poisson's ratio", Value: m.Poisson.Value, U: m.Poisson.Value * b.relative(m.Poisson, "Poisson's ratio")})
	}
	b.out = append(b.out, "alignment, temperature, drift of the zero, creep")
	return b, nil
}

// relative is the relative standard uncertainty of what a test file states with a
// half width; without one it is told that it is missing.
func (b *rosetteBudget) relative(q testfile.Quantity, name string) float64 {
	if q.Tolerance == 0 || q.Value == 0 {
		b.out = append(b.out, name+" (stated without ±)")
		return 0
	}
	return budget.Rectangular(q.Tolerance / math.Abs(q.Value))
}

// work works the budget out. Strain goes as one over the gauge factor; the lots'
// mean is common to their grids, and E and nu to all.
func (b *rosetteBudget) work() (*wellKnown, error) {
	solver, err := reduce.NewRosette(b.angles, b.transverse, b.beam)
	if err != nil {
		return nil, err
	}
	results := budget.FirstOrder(b.inputs, func(v []float64) []float64 {
		indicated := make([]float64, b.grids)
		for i := range indicated {
			indicated[i] = v[i] / v[b.lots[i]]
		}
		s, _ := solver.Strain(indicated)
		p := s.Principal()
		if b.elastic[0] == 0 {
			nan := math.NaN()
			return []float64{p.Max, p.Min, nan, nan, nan, nan}
		}
		s1, s2 := reduce.Elastic{Young: v[b.elastic[0]], Poisson: v[b.elastic[1]]}.Principal(p.Max, p.Min)
		return []float64{p.Max, p.Min, s1, s2, reduce.VonMises(s1, s2), reduce.Tresca(s1, s2)}
	})
	out := &wellKnown{In: []string{}, Out: b.out}
	for i, r := range results {
		v := rosetteNames[i]
		v.Value, v.Expanded = stated(r.Value), stated(coverage*r.U)
		largest := 0
		for k, p := range r.Parts {
			if math.Abs(p) > math.Abs(r.Parts[largest]) {
				largest = k
			}
		}
		if r.Parts[largest] != 0 && !math.IsNaN(r.U) {
			v.Largest = b.inputs[largest].Name
		}
		out.Values = append(out.Values, v)
	}
	for _, in := range b.inputs {
		if in.U > 0 {
			out.In = append(out.In, in.Name)
		}
	}
	e1, e2 := results[0], results[1]
	out.Bends = !(e1.Value-e2.Value > 3*math.Hypot(e1.U, e2.U))
	return out, nil
}

// zeroNoise is the standard uncertainty of a reading less the zero, by the readings
// of the zero's window: s of the one and s/sqrt(n) of the mean, in m/m; 0 where
// it is not known.
func (a *consoleArticle) zeroNoise(channel string, at int64) (float64, error) {
	a.history.mutex.Lock()
	defer a.history.mutex.Unlock()
	if err := a.history.refresh(a.svc.data); err != nil {
		return 0, err
	}
	all := a.history.stretches[channel]
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].first > at {
			continue
		}
		if z := zeroInForce(all[i].zeros, min(at, all[i].last)); z != nil && z.Spread != nil && z.Readings > 0 {
			return *z.Spread * math.Sqrt(1+1/float64(z.Readings)), nil
		}
		break
	}
	return 0, nil
}

// lotOf is the lot of the gauge that is named behind the bar of a wire's key.
func lotOf(t *testfile.Test, wire string) string {
	_, gauge, _ := strings.Cut(wire, "|")
	if g, ok := t.Gauges.Get(gauge); ok {
		return g.Lot.Text
	}
	return ""
}

func gaugeFactorOf(t *testfile.Test, lot string) testfile.Quantity {
	if l, ok := t.Lots.Get(lot); ok {
		return l.GaugeFactor
	}
	return testfile.Quantity{}
}

// materialOfChannel is what a channel's gauge measures on.
func materialOfChannel(t *testfile.Test, name string) (m testfile.Material, ok bool) {
	c, ok := t.Channels.Get(name)
	if !ok {
		return m, false
	}
	p, ok := t.Positions.Get(c.Position.Or(name))
	if !ok {
		return m, false
	}
	return t.Material(p.Material.Text)
}
