package selfcheck

import (
	"math"

	"glueline/reduce"
)

const degree = math.Pi / 180

// maxGrids is far above any rosette; it bounds the work on a mistaken file.
const maxGrids = 1000

// rosetteCase is a rosette from the indicated strains of its grids.
func rosetteCase(in *inputs) (results, error) {
	indicated, angles, kt := in.numbers("indicated"), in.numbers("angles_deg"), in.numbers("Kt")
	nu0 := in.number("nu0")
	elastic := elasticOf(in)
	if len(indicated) != len(angles) || len(kt) != len(angles) {
		in.fault.add("inputs: indicated, angles_deg and Kt differ in length")
	}
	tooManyGrids(in, len(angles))
	if err := in.err(); err != nil {
		return nil, err
	}
	rosette, err := newRosette(angles, kt, nu0)
	if err != nil {
		return nil, err
	}
	strain, _ := rosette.Strain(indicated)
	got := planeResults(strain)
	corrected := make([]float64, len(angles))
	for i, angle := range angles {
		corrected[i] = strain.At(angle * degree)
	}
	got["corrected_gauge_strains"] = list{corrected, inStrain}
	if elastic != nil {
		got.addStress(strain, *elastic)
	}
	return got, nil
}

func tooManyGrids(in *inputs, n int) {
	if n > maxGrids {
		in.fault.add("inputs: more than %d grids", maxGrids)
	}
}

func newRosette(degrees, kt []float64, nu0 float64) (reduce.Rosette, error) {
	radians := make([]float64, len(degrees))
	for i, d := range degrees {
		radians[i] = d * degree
	}
	return reduce.NewRosette(radians, kt, nu0)
}

// planeStrainCase is principal values and stress of a state of strain.
func planeStrainCase(in *inputs) (results, error) {
	strain := reduce.PlaneStrain{X: in.number("ex"), Y: in.number("ey"), Shear: in.number("gxy")}
	elastic := elasticOf(in)
	if err := in.err(); err != nil {
		return nil, err
	}
	got := planeResults(strain)
	if elastic != nil {
		got.addStress(strain, *elastic)
	}
	return got, nil
}

// principalStressCase is the two equivalent stresses.
func principalStressCase(in *inputs) (results, error) {
	s1, s2 := in.number("s1"), in.number("s2")
	if err := in.err(); err != nil {
		return nil, err
	}
	return results{
		"von_mises": scalar{reduce.VonMises(s1, s2), inPascal},
		"tresca":    scalar{reduce.Tresca(s1, s2), inPascal},
	}, nil
}

// elasticOf reads the constants of the material, which a case may leave out
// together with its stresses.
func elasticOf(in *inputs) *reduce.Elastic {
	if !in.has("E_Pa") && !in.has("poisson") {
		return nil
	}
	return &reduce.Elastic{Young: in.positive("E_Pa"), Poisson: in.number("poisson")}
}

func planeResults(s reduce.PlaneStrain) results {
	p := s.Principal()
	return results{
		"ex":        scalar{s.X, inStrain},
		"ey":        scalar{s.Y, inStrain},
		"gxy":       scalar{s.Shear, inStrain},
		"e1":        scalar{p.Max, inStrain},
		"e2":        scalar{p.Min, inStrain},
		"gamma_max": scalar{p.ShearMax, inStrain},
		"theta_p":   axis{p.Angle / degree},
	}
}

func (r results) addStress(s reduce.PlaneStrain, e reduce.Elastic) {
	plane, p := e.Plane(s), s.Principal()
	s1, s2 := e.Principal(p.Max, p.Min)
	for name, x := range map[string]float64{
		"sx": plane.X, "sy": plane.Y, "txy": plane.Shear, "s1": s1, "s2": s2,
		"von_mises": reduce.VonMises(s1, s2), "tresca": reduce.Tresca(s1, s2),
	} {
		r[name] = scalar{x, inPascal}
	}
}
