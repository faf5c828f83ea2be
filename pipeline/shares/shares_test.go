package shares_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"glueline/compensate"
	"glueline/pipeline/channel"
	"glueline/pipeline/shares"
	"glueline/reduce"
)

// typical is a channel with all effects, of a lot as packages state them.
func typical(layout reduce.Layout) (channel.Constants, channel.Zero) {
	c := channel.Constants{
		Layout: layout, Resistance: 350.4, Completion: 350,
		GaugeFactor: compensate.GaugeFactor{Value: 2.08, Reference: 24, Slope: 9e-5},
		Transverse:  0.007, CalibrationPoisson: 0.285,
		Output: compensate.ThermalOutput{
			Coefficients:         []float64{-31.8e-6, 2.77e-6, -6.55e-8, 3.28e-10, -3.26e-13},
			ReferenceGaugeFactor: 2, MaterialExpansion: 11.9e-6,
		},
		Young: 205e9, Poisson: 0.29, Expansion: 16e-6,
		Leads:    channel.Leads{Ohm20: 1.7, Tempco: compensate.CopperTempco},
		Polarity: 1, Span: 1.003,
	}
	if layout.Full() {
		c.Excitation = channel.Leads{Ohm20: 2.2, Tempco: compensate.CopperTempco}
	}
	return c, channel.Zero{Ratio: 0.4e-3, Temperature: 18, LeadTemperature: 16}
}

// The shares of every bridge sum to its strain, and each partial sum is the strain
// that the whole circuit has when only these effects are in it: nodal analysis of
// every wire as a resistor of its own, which knows no bridge formula.
func TestSharesAgreeWithNodalAnalysisForEveryBridge(t *testing.T) {
	for _, layout := range reduce.Layouts() {
		for _, strain := range []float64{0, 310e-6, -1850e-6, 4000e-6} {
			t.Run(fmt.Sprintf("%s/%g", layout.Name, strain), func(t *testing.T) {
				check(t, constantsOf(layout), zeroOf(layout), strain, 47, 52)
			})
		}
	}
}

func constantsOf(l reduce.Layout) channel.Constants { c, _ := typical(l); return c }
func zeroOf(l reduce.Layout) channel.Zero           { _, z := typical(l); return z }

// As above, whatever the constants.
func TestSharesOfAnyChannel(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 11))
	uniform := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	for range 60 {
		for _, layout := range reduce.Layouts() {
			c, _ := typical(layout)
			c.Resistance = []float64{120, 350, 1000}[rng.IntN(3)] * uniform(0.997, 1.003)
			c.Completion = c.Resistance * uniform(0.998, 1.002)
			c.GaugeFactor.Value, c.GaugeFactor.Slope = uniform(1.9, 2.2), uniform(-1e-4, 2e-4)
			c.Transverse, c.Poisson = uniform(-0.02, 0.03), uniform(0.2, 0.36)
			c.Expansion = uniform(9e-6, 24e-6)
			c.Leads.Ohm20 = uniform(0, 6)
			c.Polarity, c.Span = []float64{1, -1}[rng.IntN(2)], uniform(0.97, 1.03)
			if layout.Quarter() {
				c.Mode, c.StrainRatio = channel.Mode(rng.IntN(3)), uniform(-0.5, 1)
			}
			if layout.Full() {
				c.Excitation.Ohm20 = uniform(0, 6) * float64(rng.IntN(2)) // 0: with remote sense
			}
			zero := channel.Zero{Ratio: uniform(-3e-3, 3e-3), Temperature: uniform(0, 40), LeadTemperature: uniform(0, 40)}
			check(t, c, zero, uniform(-3e-3, 3e-3), uniform(-20, 80), uniform(-20, 80))
		}
	}
}

func check(t *testing.T, c channel.Constants, zero channel.Zero, strain, temperature, leads float64) {
	t.Helper()
	ch, err := channel.New(c, zero)
	if err != nil {
		t.Fatal(err)
	}
	ratio := ch.Ratio(strain, temperature, leads)
	all, err := shares.Of(ch, ratio, temperature, leads)
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != 6 {
		t.Fatalf("%d shares", len(all))
	}
	sum := 0.0
	for i, s := range all {
		if int(s.Effect) != i {
			t.Errorf("share %d is %s", i, s.Effect)
		}
		sum += s.Share
		// The numbers are exact to a bit of the largest; 1e-12 is what was asked.
		if !(math.Abs(sum-s.Sum) <= 1e-17) {
			t.Errorf("%s: up to %s the shares sum to %.17g, not %.17g", c.Layout.Name, s.Effect, sum, s.Sum)
		}
	}
	if last, value := all[5].Sum, ch.Strain(ratio, temperature, leads); last != value {
		t.Errorf("%s: the shares end at %.17g, the strain is %.17g", c.Layout.Name, last, value)
	}

	q := c.Span * c.Polarity * (ratio - zero.Ratio)
	m := [4]float64{}
	for i, role := range c.Layout.Arms {
		m[i] = response(&c, role, false)
	}
	if want := 4 * q / (c.GaugeFactor.Value * (m[0] - m[1] + m[2] - m[3])); !(math.Abs(all[0].Sum-want) <= 1e-16) {
		t.Errorf("%s: linear %.17g, want %.17g", c.Layout.Name, all[0].Sum, want)
	}
	for _, s := range all[1:] {
		on := s.Effect
		net := circuit(&c, on, s.Sum, temperature, zero.Temperature, leads) - circuit(&c, on, 0, zero.Temperature, zero.Temperature, zero.LeadTemperature)
		if !(math.Abs(net-q) <= 2e-14) {
			t.Errorf("%s: with effects up to %s the circuit gives %.17g V/V at %.6g m/m, the reading changed by %.17g", c.Layout.Name, on, net, s.Sum, q)
		}
	}
}

// response is MODEL's m of an arm; transverse sensitivity may be off.
func response(c *channel.Constants, role reduce.Role, transverse bool) float64 {
	kt := 0.0
	if transverse {
		kt = c.Transverse
	}
	d := 1 - c.CalibrationPoisson*kt
	switch role {
	case reduce.Axial:
		switch {
		case c.Layout.Quarter() && c.Mode == channel.Indicated:
			return 1
		case c.Layout.Quarter() && c.Mode == channel.Ratio:
			return (1 + kt*c.StrainRatio) / d
		}
		return (1 - c.Poisson*kt) / d
	case reduce.AxialOpposite:
		return -(1 - c.Poisson*kt) / d
	case reduce.Transverse:
		return (kt - c.Poisson) / d
	case reduce.TransverseOpposite:
		return -(kt - c.Poisson) / d
	case reduce.Shear:
		return (1 - kt) / (2 * d)
	case reduce.ShearOpposite:
		return -(1 - kt) / (2 * d)
	}
	return 0
}

// circuit is what a meter sees of the whole wiring in which only the effects up
// to one are, over the excitation.
func circuit(c *channel.Constants, on shares.Effect, strain, temperature, zeroTemperature, leadTemperature float64) float64 {
	factor := c.GaugeFactor.Value
	if on >= shares.GaugeFactor {
		factor *= 1 + c.GaugeFactor.Slope*(temperature-c.GaugeFactor.Reference)
	}
	thermal := 0.0
	if on >= shares.Thermal {
		p := func(t float64) (v float64) {
			for i, k := range c.Output.Coefficients {
				v += k * math.Pow(t, float64(i))
			}
			return v
		}
		kt := 0.0
		if on >= shares.Transverse {
			kt = c.Transverse
		}
		thermal = c.Output.ReferenceGaugeFactor*(p(temperature)-p(zeroTemperature)) +
			factor*(1+kt)/(1-c.CalibrationPoisson*kt)*(c.Expansion-c.Output.MaterialExpansion)*(temperature-zeroTemperature)
	}
	wire, excitation := 0.0, 0.0
	if on >= shares.Leads {
		wire = c.Leads.Ohm20 * (1 + c.Leads.Tempco*(leadTemperature-20))
		excitation = c.Excitation.Ohm20 * (1 + c.Excitation.Tempco*(leadTemperature-20))
	}
	var arms [4]float64
	for i, role := range c.Layout.Arms {
		if role == reduce.Resistor {
			arms[i] = c.Completion
			continue
		}
		arms[i] = c.Resistance * (1 + thermal + factor*response(c, role, on >= shares.Transverse)*strain)
	}
	return wired(c.Layout, arms, wire, excitation)
}

// wired solves the wiring node by node. A wire of no resistance joins its nodes.
func wired(l reduce.Layout, arms [4]float64, wire, excitation float64) float64 {
	n := &network{}
	n.wire("source+", "P+", excitation)
	n.wire("source-", "P-", excitation)
	// Arm by arm from P+ round the bridge, each with its wires in series.
	corners := [5]string{"P+", "S-", "P-", "S+", "P+"}
	for i, ohm := range arms {
		from := corners[i]
		for k := range int(l.Leads[i]) {
			to := fmt.Sprintf("arm %d wire %d", i+1, k+1)
			n.wire(from, to, wire)
			from = to
		}
		n.resistor(from, corners[i+1], ohm)
	}
	v := n.solve("source+", "source-")
	return v["S+"] - v["S-"]
}

// network is a circuit of resistors.
type network struct {
	joined    map[string]string
	resistors []struct {
		a, b string
		ohm  float64
	}
}

func (n *network) resistor(a, b string, ohm float64) {
	n.resistors = append(n.resistors, struct {
		a, b string
		ohm  float64
	}{a, b, ohm})
}

func (n *network) wire(a, b string, ohm float64) {
	if ohm > 0 {
		n.resistor(a, b, ohm)
		return
	}
	if n.joined == nil {
		n.joined = map[string]string{}
	}
	n.joined[n.name(b)] = n.name(a)
}

func (n *network) name(node string) string {
	for n.joined[node] != "" {
		node = n.joined[node]
	}
	return node
}

// solve returns the potential of every node, 1 V at one and 0 at another: nodal
// equations by Gaussian elimination with pivots, and a few rounds of correction by
// what is left over of Kirchhoff's current law.
func (n *network) solve(high, low string) map[string]float64 {
	index := map[string]int{}
	var names []string
	at := func(node string) int {
		node = n.name(node)
		i, ok := index[node]
		if !ok {
			i = len(names)
			index[node], names = i, append(names, node)
		}
		return i
	}
	for _, r := range n.resistors {
		at(r.a)
		at(r.b)
	}
	h, g := at(high), at(low)
	size := len(names)
	v := make([]float64, size)
	v[h] = 1
	for range 4 {
		m := make([][]float64, size)
		for i := range m {
			m[i] = make([]float64, size+1)
		}
		for _, r := range n.resistors {
			a, b, c := at(r.a), at(r.b), 1/r.ohm
			m[a][a] += c
			m[b][b] += c
			m[a][b] -= c
			m[b][a] -= c
			current := (v[a] - v[b]) / r.ohm
			m[a][size] -= current
			m[b][size] += current
		}
		for _, held := range []int{h, g} {
			clear(m[held])
			m[held][held] = 1
		}
		for i, d := range eliminate(m) {
			v[i] += d
		}
	}
	out := map[string]float64{}
	for _, node := range []string{"S+", "S-"} {
		out[node] = v[at(node)]
	}
	return out
}

func eliminate(m [][]float64) []float64 {
	n := len(m)
	for k := range n {
		p := k
		for i := k + 1; i < n; i++ {
			if math.Abs(m[i][k]) > math.Abs(m[p][k]) {
				p = i
			}
		}
		m[k], m[p] = m[p], m[k]
		for i := k + 1; i < n; i++ {
			f := m[i][k] / m[k][k]
			for j := k; j <= n; j++ {
				m[i][j] -= f * m[k][j]
			}
		}
	}
	x := make([]float64, n)
	for k := n - 1; k >= 0; k-- {
		x[k] = m[k][n]
		for j := k + 1; j < n; j++ {
			x[k] -= m[k][j] * x[j]
		}
		x[k] /= m[k][k]
	}
	return x
}

// Each effect moves the strain: a table in which one is always nothing would be
// one that cannot fail.
func TestEveryEffectHasAShare(t *testing.T) {
	layout, _ := reduce.LayoutByName("quarter_2wire")
	c, zero := typical(layout)
	ch, err := channel.New(c, zero)
	if err != nil {
		t.Fatal(err)
	}
	all, err := shares.Of(ch, ch.Ratio(1500e-6, 60, 55), 60, 55)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range all {
		if math.Abs(s.Share) < 0.5e-6 {
			t.Errorf("%s is worth %g um/m only", s.Effect, s.Share*1e6)
		}
	}
	c.Leads.Ohm20, c.Output, c.GaugeFactor.Slope, c.Transverse = 0, compensate.ThermalOutput{MaterialExpansion: c.Expansion}, 0, 0
	if ch, err = channel.New(c, zero); err != nil {
		t.Fatal(err)
	}
	if all, err = shares.Of(ch, ch.Ratio(1500e-6, 60, 55), 60, 55); err != nil {
		t.Fatal(err)
	}
	for _, s := range all[2:] {
		if s.Share != 0 {
			t.Errorf("%s is worth %g without its constants", s.Effect, s.Share)
		}
	}
}

func TestReadingsWithoutShares(t *testing.T) {
	layout, _ := reduce.LayoutByName("quarter_3wire")
	ch, err := channel.New(typical(layout))
	if err != nil {
		t.Fatal(err)
	}
	for _, ratio := range []float64{math.NaN(), math.Inf(1), 40} {
		if all, err := shares.Of(ch, ratio, 20, 20); !errors.Is(err, shares.ErrNoStrain) {
			t.Errorf("%g V/V: %v, %v", ratio, all, err)
		}
	}
}

func ExampleOf() {
	layout, _ := reduce.LayoutByName("quarter_3wire")
	constants, zero := typical(layout)
	ch, _ := channel.New(constants, zero)
	reading := ch.Ratio(-512e-6, 31, 29)
	all, _ := shares.Of(ch, reading, 31, 29)
	for _, s := range all {
		fmt.Printf("%-28s %+9.3f %+9.3f\n", s.Effect, s.Share*1e6, s.Sum*1e6)
	}
	// Output:
	// reading, linear bridge        -454.751  -454.751
	// bridge nonlinearity             +0.215  -454.537
	// lead wires                      -2.148  -456.684
	// thermal output                 -55.106  -511.790
	// gauge factor at temperature     +0.289  -511.502
	// transverse sensitivity          -0.498  -512.000
}
