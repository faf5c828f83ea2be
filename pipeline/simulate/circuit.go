package simulate

import "fmt"

// kind says what a resistor of a bridge circuit is.
type kind uint8

const (
	grid       kind = iota // bonded gauge of an arm
	completion             // fixed resistor of an arm, in the instrument
	lead                   // wire between gauge and instrument
	supply                 // excitation wire of a full bridge
	shunt                  // calibration resistor, connected or not
	leakage                // moisture across the gauge of arm 1
)

type part struct {
	kind kind
	arm  int // 0..3, for grid and completion
	a, b int // nodes
}

// circuit is a bridge as it is wired on the article: every grid, fixed resistor
// and wire is a resistor of its own between two nodes.
type circuit struct {
	nodes       int
	parts       []part
	plus, minus int // signal terminals
	upper       int // nodes to which the ratio refers: the source's, or the bridge's with remote sense
	lower       int
	see         [4]sees
}

// sees says what a bonded grid of an arm sees.
type sees uint8

const (
	nothing  sees = iota // a fixed resistor, or a dummy gauge
	along                // strain e along its axis, -nu e across it
	against              // the opposite face in bending
	across               // turned by 90 degrees
	athwart              // turned, on the opposite face
	diagonal             // +45 degrees in pure shear
	counter              // -45 degrees
)

// strains returns strain along and across the grid, from the reported strain u
// (shear angle for the diagonals) and Poisson's ratio of the article.
func (s sees) strains(u, poisson float64) (axial, transverse float64) {
	switch s {
	case along:
		return u, -poisson * u
	case against:
		return -u, poisson * u
	case across:
		return -poisson * u, u
	case athwart:
		return poisson * u, -u
	case diagonal:
		return u / 2, -u / 2
	case counter:
		return -u / 2, u / 2
	}
	return 0, 0
}

// Where a calibration resistor is connected.
const (
	acrossGauge      = "gauge"
	acrossCompletion = "completion"
	acrossInstrument = "instrument" // between P+ and S- of the instrument
)

const (
	sourceMinus = 0
	sourcePlus  = 1
)

// draw builds a circuit node by node.
type draw struct {
	circuit
	grids [4][2]int // nodes of each arm's resistor
}

func (d *draw) node() int {
	d.nodes++
	return d.nodes - 1
}

func (d *draw) join(k kind, arm, a, b int) {
	d.parts = append(d.parts, part{k, arm, a, b})
	if k == grid || k == completion {
		d.grids[arm] = [2]int{a, b}
	}
}

// wire joins a new node to an existing one by a lead and returns it.
func (d *draw) wire(k kind, from int) int {
	n := d.node()
	d.join(k, 0, from, n)
	return n
}

// newCircuit draws the bridge of the given wiring. remote says that a full
// bridge has its excitation sensed at the bridge; shuntAt where the calibration
// resistor sits, "" for none.
func newCircuit(wiring string, remote bool, shuntAt string) (circuit, error) {
	d := &draw{circuit: circuit{nodes: 2, upper: sourcePlus, lower: sourceMinus}}
	drawing := map[string]func(){
		"quarter_2wire": func() {
			d.see = [4]sees{along}
			d.minus, d.plus = d.node(), d.node()
			d.join(grid, 0, d.wire(lead, sourcePlus), d.wire(lead, d.minus))
			d.join(completion, 1, d.minus, sourceMinus)
			d.dividerInInstrument()
		},
		"quarter_3wire": func() {
			d.see = [4]sees{along}
			corner := d.node()
			d.minus, d.plus = d.wire(lead, corner), d.node()
			d.join(grid, 0, d.wire(lead, sourcePlus), corner)
			d.join(completion, 1, d.wire(lead, corner), sourceMinus)
			d.dividerInInstrument()
		},
		"half_dummy":   func() { d.adjacentHalf(along, nothing) },
		"half_bending": func() { d.adjacentHalf(along, against) },
		"half_poisson": func() { d.adjacentHalf(along, across) },
		"half_opposite_2wire": func() {
			d.see = [4]sees{along, nothing, along, nothing}
			d.minus, d.plus = d.node(), d.node()
			d.join(grid, 0, d.wire(lead, sourcePlus), d.wire(lead, d.minus))
			d.join(completion, 1, d.minus, sourceMinus)
			d.join(grid, 2, d.wire(lead, sourceMinus), d.wire(lead, d.plus))
			d.join(completion, 3, d.plus, sourcePlus)
		},
		"half_opposite_3wire": func() {
			d.see = [4]sees{along, nothing, along, nothing}
			left, right := d.node(), d.node()
			d.minus, d.plus = d.wire(lead, left), d.wire(lead, right)
			d.join(grid, 0, d.wire(lead, sourcePlus), left)
			d.join(completion, 1, d.wire(lead, left), sourceMinus)
			d.join(grid, 2, d.wire(lead, sourceMinus), right)
			d.join(completion, 3, d.wire(lead, right), sourcePlus)
		},
		"full_bending":         func() { d.full(remote, along, against, along, against) },
		"full_poisson_axial":   func() { d.full(remote, along, across, along, across) },
		"full_bending_poisson": func() { d.full(remote, along, across, athwart, against) },
		"full_shear":           func() { d.full(remote, diagonal, counter, diagonal, counter) },
	}[wiring]
	if drawing == nil {
		return circuit{}, fmt.Errorf("simulate: unknown wiring %q", wiring)
	}
	drawing()
	switch shuntAt {
	case "":
	case acrossGauge:
		d.join(shunt, 0, d.grids[0][0], d.grids[0][1])
	case acrossCompletion:
		d.join(shunt, 0, d.grids[1][0], d.grids[1][1])
	case acrossInstrument:
		d.join(shunt, 0, sourcePlus, d.minus)
	default:
		return circuit{}, fmt.Errorf("simulate: unknown shunt location %q", shuntAt)
	}
	d.join(leakage, 0, d.grids[0][0], d.grids[0][1])
	return d.circuit, nil
}

// dividerInInstrument adds the two fixed resistors of arms 3 and 4.
func (d *draw) dividerInInstrument() {
	d.join(completion, 2, sourceMinus, d.plus)
	d.join(completion, 3, d.plus, sourcePlus)
}

// adjacentHalf has both gauges at the specimen, their common corner brought
// back by a sense lead that carries no current.
func (d *draw) adjacentHalf(first, second sees) {
	d.see = [4]sees{first, second}
	corner := d.node()
	d.minus, d.plus = d.wire(lead, corner), d.node()
	d.join(grid, 0, d.wire(lead, sourcePlus), corner)
	d.join(grid, 1, corner, d.wire(lead, sourceMinus))
	d.dividerInInstrument()
}

// full has all four gauges at the specimen and two excitation wires.
func (d *draw) full(remote bool, see ...sees) {
	d.see = [4]sees(see)
	top, bottom := d.wire(supply, sourcePlus), d.wire(supply, sourceMinus)
	d.minus, d.plus = d.node(), d.node()
	d.join(grid, 0, top, d.minus)
	d.join(grid, 1, d.minus, bottom)
	d.join(grid, 2, bottom, d.plus)
	d.join(grid, 3, d.plus, top)
	if remote {
		d.upper, d.lower = top, bottom
	}
}

func (c circuit) network() network {
	n := network{nodes: c.nodes}
	for _, p := range c.parts {
		n.edges = append(n.edges, [2]int{p.a, p.b})
	}
	return n
}

// bridge is a circuit with its solver and the resistances of its parts.
type bridge struct {
	circuit
	solver      *solver
	conductance []float64
}

// resistances are the values in ohm that a circuit's parts have at one instant.
// Infinity means not connected.
type resistances struct {
	arm     [4]float64
	lead    float64
	supply  float64
	shunt   float64
	leakage float64
}

func newBridge(wiring string, remote bool, shuntAt string) (*bridge, error) {
	c, err := newCircuit(wiring, remote, shuntAt)
	if err != nil {
		return nil, err
	}
	return &bridge{circuit: c, solver: newSolver(c.network()), conductance: make([]float64, len(c.parts))}, nil
}

// ratio returns the bridge ratio in V/V, as an unloaded meter reads it.
func (b *bridge) ratio(r *resistances) float64 {
	for i, p := range b.parts {
		var ohm float64
		switch p.kind {
		case grid, completion:
			ohm = r.arm[p.arm]
		case lead:
			ohm = r.lead
		case supply:
			ohm = r.supply
		case shunt:
			ohm = r.shunt
		case leakage:
			ohm = r.leakage
		}
		b.conductance[i] = 1 / ohm
	}
	v := b.solver.solve(b.conductance)
	return (v[b.plus] - v[b.minus]) / (v[b.upper] - v[b.lower])
}
