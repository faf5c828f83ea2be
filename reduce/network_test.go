package reduce

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// network is a circuit of resistors between named nodes, solved by nodal
// analysis: an oracle that knows nothing of bridge formulas.
type network struct {
	names     map[string]int
	resistors []resistor
}

type resistor struct {
	a, b int
	ohm  float64
}

func (n *network) node(name string) int {
	if n.names == nil {
		n.names = map[string]int{}
	}
	i, ok := n.names[name]
	if !ok {
		i = len(n.names)
		n.names[name] = i
	}
	return i
}

func (n *network) add(a, b string, ohm float64) {
	n.resistors = append(n.resistors, resistor{n.node(a), n.node(b), ohm})
}

// solve returns the potentials with the source node at 1 V and the ground at 0.
func (n *network) solve(t *testing.T, source, ground string) map[string]float64 {
	t.Helper()
	size := len(n.names)
	g := mat.NewDense(size, size, nil)
	for _, r := range n.resistors {
		c := 1 / r.ohm
		g.Set(r.a, r.a, g.At(r.a, r.a)+c)
		g.Set(r.b, r.b, g.At(r.b, r.b)+c)
		g.Set(r.a, r.b, g.At(r.a, r.b)-c)
		g.Set(r.b, r.a, g.At(r.b, r.a)-c)
	}
	held := []int{n.names[source], n.names[ground]}
	for _, i := range held {
		for j := range size {
			g.Set(i, j, 0)
		}
		g.Set(i, i, 1)
	}
	var lu mat.LU
	lu.Factorize(g)
	v := make([]float64, size)
	v[held[0]] = 1
	// The conductance of a short lead drowns digits of the others in the
	// matrix. What is left over of Kirchhoff's current law, summed branch by
	// branch, has all of them: a few rounds of correction bring them back.
	for range 4 {
		leftover := make([]float64, size)
		for _, r := range n.resistors {
			current := (v[r.a] - v[r.b]) / r.ohm
			leftover[r.a] -= current
			leftover[r.b] += current
		}
		for _, i := range held {
			leftover[i] = 0
		}
		var correction mat.VecDense
		if err := lu.SolveVecTo(&correction, false, mat.NewVecDense(size, leftover)); err != nil {
			t.Fatal(err)
		}
		for i := range v {
			v[i] += correction.AtVec(i)
		}
	}
	out := map[string]float64{}
	for name, i := range n.names {
		out[name] = v[i]
	}
	return out
}

// wiring is everything about one bridge that has a resistance.
type wiring struct {
	layout     Layout
	arms       [4]float64 // ohm of gauge or resistor alone
	lead       float64
	excitation float64
	remote     bool
	shunt      float64 // 0 for none
	location   ShuntLocation
}

// ratio builds the complete circuit, every lead a resistor of its own and the
// meter open, and returns what the meter sees over the excitation.
func (w wiring) ratio(t *testing.T) float64 {
	t.Helper()
	var n network
	var gauge, completion, instrument [2]string
	instrument = [2]string{"P+", "S-"}
	source, ground := "P+", "P-"
	switch name := w.layout.Name; {
	case w.layout.Full():
		source, ground = "source+", "source-"
		n.add(source, "P+", w.excitation)
		n.add(ground, "P-", w.excitation)
		n.add("P+", "corner-", w.arms[0])
		n.add("corner-", "P-", w.arms[1])
		n.add("P-", "corner+", w.arms[2])
		n.add("corner+", "P+", w.arms[3])
		n.add("corner-", "S-", w.lead)
		n.add("corner+", "S+", w.lead)
		gauge = [2]string{"P+", "corner-"}
	case name == "quarter_2wire" || name == "half_opposite_2wire":
		n.add("P+", "g1", w.lead)
		n.add("g1", "g1'", w.arms[0])
		n.add("g1'", "S-", w.lead)
		n.add("S-", "P-", w.arms[1])
		if name == "quarter_2wire" {
			n.add("P-", "S+", w.arms[2])
		} else {
			n.add("P-", "g3", w.lead)
			n.add("g3", "g3'", w.arms[2])
			n.add("g3'", "S+", w.lead)
		}
		n.add("S+", "P+", w.arms[3])
		gauge, completion = [2]string{"g1", "g1'"}, [2]string{"S-", "P-"}
	case name == "half_opposite_3wire":
		n.add("P+", "g1", w.lead)
		n.add("g1", "j1", w.arms[0])
		n.add("j1", "r2", w.lead)
		n.add("r2", "P-", w.arms[1])
		n.add("j1", "S-", w.lead)
		n.add("P-", "g3", w.lead)
		n.add("g3", "j3", w.arms[2])
		n.add("j3", "r4", w.lead)
		n.add("r4", "P+", w.arms[3])
		n.add("j3", "S+", w.lead)
		gauge = [2]string{"g1", "j1"}
	case name == "quarter_3wire":
		n.add("P+", "g1", w.lead)
		n.add("g1", "j", w.arms[0])
		n.add("j", "r2", w.lead)
		n.add("r2", "P-", w.arms[1])
		n.add("j", "S-", w.lead)
		n.add("P-", "S+", w.arms[2])
		n.add("S+", "P+", w.arms[3])
		gauge, completion = [2]string{"g1", "j"}, [2]string{"r2", "P-"}
	default: // half bridges with both gauges at the specimen
		n.add("P+", "g1", w.lead)
		n.add("g1", "j", w.arms[0])
		n.add("j", "g2", w.arms[1])
		n.add("g2", "P-", w.lead)
		n.add("j", "S-", w.lead)
		n.add("P-", "S+", w.arms[2])
		n.add("S+", "P+", w.arms[3])
		gauge = [2]string{"g1", "j"}
	}
	if w.shunt != 0 {
		at := [...][2]string{gauge, completion, instrument}[w.location]
		n.add(at[0], at[1], w.shunt)
	}
	v := n.solve(t, source, ground)
	out := v["S+"] - v["S-"]
	if w.remote {
		out /= v["P+"] - v["P-"]
	}
	return out
}

// draw is one random bridge in random circumstances.
type draw struct {
	bridge    Bridge
	zero, now State
	strain    float64
	remote    bool
	unbalance float64 // of arm 4, hidden from the model
}

func random(r *rand.Rand, l Layout) draw {
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	d := draw{
		bridge:    Bridge{Layout: l, Gauge: []float64{120, 350, 1000}[r.IntN(3)]},
		strain:    between(-5e-3, 5e-3),
		zero:      State{GaugeFactor: between(1.9, 2.2), Lead: between(0.01, 10)},
		now:       State{GaugeFactor: between(1.9, 2.2), Lead: between(0.01, 10), Thermal: between(-2e-3, 2e-3)},
		unbalance: between(-3e-3, 3e-3),
	}
	if r.IntN(2) == 0 {
		d.bridge.Completion = d.bridge.Gauge * between(0.98, 1.02)
	}
	poisson, kt, nu0 := between(0.2, 0.4), between(-0.02, 0.02), 0.285
	for i, role := range l.Arms {
		along, across := role.Strains(poisson)
		d.bridge.Response[i] = (along + kt*across) / (1 - nu0*kt)
	}
	if l.Full() {
		d.remote = r.IntN(2) == 0
		if !d.remote {
			d.zero.Excitation, d.now.Excitation = between(0.01, 5), between(0.01, 5)
		}
	}
	return d
}

// wiring returns the circuit of the draw in a state at a strain.
func (d draw) wiring(s State, strain float64) wiring {
	w := wiring{layout: d.bridge.Layout, lead: s.Lead, excitation: s.Excitation, remote: d.remote}
	for i, role := range w.layout.Arms {
		w.arms[i] = d.bridge.completion()
		if role.Bonded() {
			w.arms[i] = d.bridge.Gauge * (1 + s.Thermal + s.GaugeFactor*d.bridge.Response[i]*strain)
		}
	}
	if d.remote {
		w.excitation = 3 // makes no difference, which is the point of remote sense
	}
	return w
}

const draws = 300

func eachDraw(t *testing.T, f func(t *testing.T, r *rand.Rand, d draw)) {
	for i, l := range Layouts() {
		t.Run(l.Name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(1, uint64(i)))
			for range draws {
				f(t, r, random(r, l))
			}
		})
	}
}

// near fails for a difference above tol, and for NaN.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Fatalf("%s: got %.17g, want %.17g, off by %.3g, tolerance %g", what, got, want, got-want, tol)
	}
}

func TestRatioIsThatOfTheNetwork(t *testing.T) {
	eachDraw(t, func(t *testing.T, _ *rand.Rand, d draw) {
		near(t, "zero", d.bridge.Ratio(0, d.zero), d.wiring(d.zero, 0).ratio(t), 1e-14)
		near(t, "ratio", d.bridge.Ratio(d.strain, d.now), d.wiring(d.now, d.strain).ratio(t), 1e-14)
	})
}

func TestArmsEachIsTheNetworkWithItsOwnTemperatures(t *testing.T) {
	eachDraw(t, func(t *testing.T, r *rand.Rand, d draw) {
		var states [4]State
		w := d.wiring(d.now, d.strain)
		for i := range states {
			states[i] = d.now
			states[i].Thermal = 4e-3*r.Float64() - 2e-3
			if d.bridge.Layout.Arms[i].Bonded() {
				w.arms[i] += d.bridge.Gauge * (states[i].Thermal - d.now.Thermal)
			}
		}
		arms := d.bridge.ArmsEach(states)
		measured := w.ratio(t)
		near(t, "ratio", arms.Ratio(d.strain, d.now.Excitation), measured, 1e-14)
		near(t, "strain", arms.Solve(measured, d.now.Excitation), d.strain, 1e-12)
	})
}

func TestShuntStepIsThatOfTheNetwork(t *testing.T) {
	tested := map[ShuntLocation]int{}
	eachDraw(t, func(t *testing.T, r *rand.Rand, d draw) {
		for location := ShuntGauge; location <= ShuntInstrument; location++ {
			shunt := 2e4 + 2e5*r.Float64()
			got := d.bridge.ShuntRatio(d.strain, d.now, location, shunt)
			if err := d.bridge.ShuntFits(location); err != nil {
				if !math.IsNaN(got) {
					t.Fatalf("%v, but ratio %g", err, got)
				}
				continue
			}
			tested[location]++
			w := d.wiring(d.now, d.strain)
			without := w.ratio(t)
			w.shunt, w.location = shunt, location
			near(t, fmt.Sprint("with shunt ", location), got, w.ratio(t), 1e-14)
			near(t, fmt.Sprint("step ", location), got-d.bridge.Ratio(d.strain, d.now), w.ratio(t)-without, 1e-14)
		}
	})
	want := map[ShuntLocation]int{ShuntGauge: 11 * draws, ShuntCompletion: 2 * draws, ShuntInstrument: 7 * draws}
	for location, n := range want {
		if tested[location] != n {
			t.Errorf("%s: %d draws, want %d", location, tested[location], n)
		}
	}
}

// The reading of the circuit, less its zero, gives back the strain that was put
// in, also under another temperature and other leads.
func TestStrainComesBackFromTheNetwork(t *testing.T) {
	eachDraw(t, func(t *testing.T, _ *rand.Rand, d draw) {
		zero, reading := d.wiring(d.zero, 0), d.wiring(d.now, d.strain)
		if d.bridge.Layout.adjacent() {
			// The zero unbalance lies in arm 4, where it is removed exactly.
			zero.arms[3] *= 1 + d.unbalance
			reading.arms[3] *= 1 + d.unbalance
		}
		q := reading.ratio(t) - zero.ratio(t)
		near(t, "strain", d.bridge.Strain(q+d.bridge.Ratio(0, d.zero), d.now), d.strain, 1e-12)
	})
}

// For the other bridges a hidden unbalance sits in an arm with gauge or leads,
// and the error is bounded: 0.8e-6 for 3e-3 (measured on the channel model).
func TestHiddenUnbalanceErrorIsBounded(t *testing.T) {
	var worst float64
	eachDraw(t, func(t *testing.T, _ *rand.Rand, d draw) {
		if d.bridge.Layout.adjacent() {
			return
		}
		d.strain /= 5 // up to 1000 microstrain
		d.now.Thermal /= 5
		d.now.Lead, d.now.Excitation = d.zero.Lead, d.zero.Excitation
		zero, reading := d.wiring(d.zero, 0), d.wiring(d.now, d.strain)
		zero.arms[3] *= 1 + d.unbalance
		reading.arms[3] *= 1 + d.unbalance
		u := d.bridge.Strain(reading.ratio(t)-zero.ratio(t)+d.bridge.Ratio(0, d.zero), d.now)
		near(t, "strain", u, d.strain, 3e-6)
		worst = math.Max(worst, math.Abs(u-d.strain))
	})
	if worst == 0 {
		t.Error("an unbalance without any effect is not there")
	}
}
