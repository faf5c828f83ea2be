package group

import "strconv"

// Kind is the type of a column's values.
type Kind uint8

// The kinds of columns that a batch has beside time and sample counter.
const (
	Number Kind = iota // float64, NaN where there is none
	Flags              // uint32, a flag.Mask
)

// Quantity says what a column holds.
type Quantity string

// The quantities of a batch's columns.
const (
	Strain      Quantity = "strain"
	Shear       Quantity = "engineering shear strain"
	Indicated   Quantity = "indicated strain"
	Stress      Quantity = "stress"
	ShearStress Quantity = "shear stress"
	FlagMask    Quantity = "flags"
	Rosette     Quantity = "rosette"
	Temperature Quantity = "temperature"
	Auxiliary   Quantity = "auxiliary"
)

// Field describes one column of a source's batches.
type Field struct {
	Name     string // with its unit, "skin-1 strain [m/m]"
	Of       string // the channel, rosette, temperature or auxiliary quantity
	Quantity Quantity
	Unit     string
	Kind     Kind
	Note     string // in words, for whoever opens the file alone
}

// Fields returns the columns of a source's batches, after time and sample.
func (p *Plan) Fields(source string) []Field {
	if s := p.source(source); s != nil {
		return s.fields
	}
	return nil
}

const stressNote = "change since the zero in force (see the commit record); dead load, residual and assembly stress are not in it"

// rosetteColumns are the columns of a rosette, in order; those after strains
// need a modulus.
var rosetteColumns = []struct{ name, unit, note string }{
	{"ex", "m/m", "strain along the article's x axis"},
	{"ey", "m/m", "strain along the article's y axis"},
	{"gxy", "m/m", "engineering shear strain"},
	{"e1", "m/m", "algebraically larger principal strain"},
	{"e2", "m/m", "algebraically smaller principal strain"},
	{"gmax", "m/m", "largest engineering shear strain in the plane"},
	{"angle", "rad", "from x to the axis of e1, counterclockwise; null where e1 = e2"},
	{"residual", "m/m", "misfit of the grids, more than three only"},
	{"s1", "Pa", stressNote},
	{"s2", "Pa", stressNote},
	{"von Mises", "Pa", stressNote + "; plane stress, the third principal stress is 0"},
	{"Tresca", "Pa", stressNote + "; plane stress, the third principal stress is 0"},
}

const rosetteStrains = 8

func (p *Plan) planFields(s *sourcePlan) {
	add := func(f Field) int {
		if f.Unit != "" {
			f.Name += " [" + f.Unit + "]"
		}
		s.fields = append(s.fields, f)
		return len(s.fields) - 1
	}
	for _, c := range s.channels {
		constants := &c.wires[0].constants
		quantity, stress := Strain, Stress
		switch {
		case constants.Layout.Shear():
			quantity, stress = Shear, ShearStress
		case !c.stress:
			quantity = Indicated
		}
		c.strainAt = add(Field{Name: c.name, Of: c.name, Quantity: quantity, Unit: "m/m", Note: constants.Layout.Name})
		c.stressAt = -1
		if c.stress {
			c.stressAt = add(Field{Name: c.name + " " + string(stress), Of: c.name, Quantity: stress, Unit: "Pa", Note: stressNote})
		}
		c.flagsAt = add(Field{Name: c.name + " flags", Of: c.name, Quantity: FlagMask, Kind: Flags})
	}
	for _, r := range s.rosettes {
		for i, column := range rosetteColumns {
			if i >= rosetteStrains && !r.stress {
				break
			}
			at := add(Field{Name: r.name + " " + column.name, Of: r.name, Quantity: Rosette, Unit: column.unit, Note: column.note})
			if i == 0 {
				r.at = at
			}
		}
		r.flagsAt = add(Field{Name: r.name + " flags", Of: r.name, Quantity: FlagMask, Kind: Flags, Note: "any of its " + strconv.Itoa(len(r.grids)) + " grids"})
	}
	for _, i := range s.owned {
		t := p.temperatures[i]
		t.column = add(Field{Name: t.name, Of: t.name, Quantity: Temperature, Unit: "degC", Note: t.temperature.Place.Text})
	}
	for _, a := range s.auxiliary {
		a.column = add(Field{Name: a.name, Of: a.name, Quantity: Auxiliary, Unit: a.auxiliary.Unit.Text, Note: a.auxiliary.Quantity.Text})
	}
}
