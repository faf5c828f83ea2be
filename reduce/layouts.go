package reduce

// Role says what one arm of a bridge is on the article.
type Role uint8

// The roles an arm can have. "Opposite" is the opposite face in bending, or
// the other diagonal in shear, where the strain has the other sign.
const (
	Resistor           Role = iota // fixed resistor in the instrument
	Dummy                          // gauge on unstressed material of the same kind and temperature
	Axial                          // gauge along the strain to be reported
	AxialOpposite                  // the same on the opposite bending face
	Transverse                     // gauge across Axial on the same face
	TransverseOpposite             // the same on the opposite bending face
	Shear                          // gauge at +45 degrees to a shaft or beam axis
	ShearOpposite                  // gauge at -45 degrees
)

// Bonded reports whether the arm is a gauge, and so has a thermal term.
func (r Role) Bonded() bool { return r != Resistor }

// Strains returns the strains along and across the grid per unit of the
// reported quantity u, for a material of the given Poisson's ratio. For the
// axial and transverse roles u is the strain of a uniaxially stressed
// specimen; for the shear roles it is the engineering shear strain gamma of
// pure shear, whose principal strains at 45 degrees are +gamma/2 and -gamma/2.
// Dummy and Resistor see no strain.
func (r Role) Strains(poisson float64) (axial, transverse float64) {
	switch r {
	case Axial:
		return 1, -poisson
	case AxialOpposite:
		return -1, poisson
	case Transverse:
		return -poisson, 1
	case TransverseOpposite:
		return poisson, -1
	case Shear:
		return 0.5, -0.5
	case ShearOpposite:
		return -0.5, 0.5
	}
	return 0, 0
}

// Layout is a way of wiring a bridge: the role of each arm and the number of
// lead wires in series with it. Arms go round the bridge: arm 1 from P+ to S-,
// arm 2 from S- to P-, arm 3 from P- to S+, arm 4 from S+ to P+, with P the
// excitation and S the signal corners.
type Layout struct {
	Name  string
	Arms  [4]Role
	Leads [4]float64 // wires in series with each arm
}

var layouts = [...]Layout{
	{"quarter_2wire", [4]Role{Axial, Resistor, Resistor, Resistor}, [4]float64{2, 0, 0, 0}},
	{"quarter_3wire", [4]Role{Axial, Resistor, Resistor, Resistor}, [4]float64{1, 1, 0, 0}},
	{"half_dummy", [4]Role{Axial, Dummy, Resistor, Resistor}, [4]float64{1, 1, 0, 0}},
	{"half_bending", [4]Role{Axial, AxialOpposite, Resistor, Resistor}, [4]float64{1, 1, 0, 0}},
	{"half_poisson", [4]Role{Axial, Transverse, Resistor, Resistor}, [4]float64{1, 1, 0, 0}},
	{"half_opposite_2wire", [4]Role{Axial, Resistor, Axial, Resistor}, [4]float64{2, 0, 2, 0}},
	{"half_opposite_3wire", [4]Role{Axial, Resistor, Axial, Resistor}, [4]float64{1, 1, 1, 1}},
	{"full_bending", [4]Role{Axial, AxialOpposite, Axial, AxialOpposite}, [4]float64{}},
	{"full_poisson_axial", [4]Role{Axial, Transverse, Axial, Transverse}, [4]float64{}},
	{"full_bending_poisson", [4]Role{Axial, Transverse, TransverseOpposite, AxialOpposite}, [4]float64{}},
	{"full_shear", [4]Role{Shear, ShearOpposite, Shear, ShearOpposite}, [4]float64{}},
}

// Layouts returns the eleven known layouts, from quarter to full bridges. The
// slice is the caller's own.
func Layouts() []Layout {
	return append([]Layout(nil), layouts[:]...)
}

// LayoutByName returns the layout of that name.
func LayoutByName(name string) (Layout, bool) {
	for _, l := range layouts {
		if l.Name == name {
			return l, true
		}
	}
	return Layout{}, false
}

// Quarter reports whether arm 1 is the only gauge.
func (l Layout) Quarter() bool {
	return l.Arms[0].Bonded() && !l.Arms[1].Bonded() && !l.Arms[2].Bonded() && !l.Arms[3].Bonded()
}

// Full reports whether all four arms are gauges at the specimen, so that the
// leads lie in the excitation and not in the arms.
func (l Layout) Full() bool {
	return l.Arms[0].Bonded() && l.Arms[1].Bonded() && l.Arms[2].Bonded() && l.Arms[3].Bonded()
}

// Shear reports whether the reported quantity is the engineering shear strain.
func (l Layout) Shear() bool { return l.Arms[0] == Shear }

// SenseLead reports whether a third lead, without current, brings the corner
// between arms 1 and 2 to the instrument (the three-wire layouts).
func (l Layout) SenseLead() bool { return l.Leads[0] == 1 && l.Leads[1] == 1 }

// adjacent reports whether all strain lies in arms 1 and 2, so that arms 3 and
// 4 form a fixed divider.
func (l Layout) adjacent() bool { return !l.Arms[2].Bonded() && !l.Arms[3].Bonded() }
