package simulate

// network is a set of resistors between numbered nodes, driven by one volt
// between node 1 (+) and node 0 (-).
type network struct {
	nodes int // including the two driven ones
	edges [][2]int
}

// maxNodes is the number of nodes of the largest bridge here.
const maxNodes = 10

// solver holds the buffers of one network, so that a sample allocates nothing.
type solver struct {
	network
	between [maxNodes][maxNodes]float64 // conductance between two nodes, the larger one first
	total   [maxNodes]float64           // conductance from a node to all smaller ones
	volts   []float64                   // of every node
}

func newSolver(n network) *solver {
	if n.nodes > maxNodes {
		panic("simulate: a bridge with more nodes than the solver holds")
	}
	s := &solver{network: n, volts: make([]float64, n.nodes)}
	s.volts[1] = 1
	return s
}

// solve returns the potentials of all nodes for the conductances of the edges
// in siemens. The slice is overwritten by the next call.
//
// It takes one node after the other out of the network, each time replacing
// the star of resistors at that node by the mesh between its neighbours that
// draws the same currents, and then puts them back in reverse order, where each
// has the mean of its neighbours' potentials weighted by conductance. This is
// Gaussian elimination of the nodal equations written without a subtraction, so
// that a milliohm of wire beside a gigohm of leakage costs no digits.
func (s *solver) solve(conductance []float64) []float64 {
	for k := 1; k < s.nodes; k++ {
		clear(s.between[k][:k])
	}
	for i, e := range s.edges {
		s.between[max(e[0], e[1])][min(e[0], e[1])] += conductance[i]
	}
	for k := s.nodes - 1; k >= 2; k-- {
		star := s.between[k][:k]
		total := 0.0
		for _, g := range star {
			total += g
		}
		s.total[k] = total
		inverse := 1 / total
		for i, g := range star {
			if g == 0 {
				continue
			}
			share := g * inverse
			for j := range i {
				s.between[i][j] += share * star[j]
			}
		}
	}
	for k := 2; k < s.nodes; k++ {
		sum := 0.0
		for j, g := range s.between[k][:k] {
			sum += g * s.volts[j]
		}
		s.volts[k] = sum / s.total[k]
	}
	return s.volts
}
