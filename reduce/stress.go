package reduce

import "math"

// Elastic are the constants of an isotropic, linear elastic material. All
// stresses computed from them are changes since the zero of the strain, and
// hold below the yield strength only.
type Elastic struct {
	Young   float64 // Pa
	Poisson float64
}

// PlaneStress is a state of stress in the surface, in pascal.
type PlaneStress struct{ X, Y, Shear float64 }

// Uniaxial returns the stress in Pa of a uniaxially stressed specimen with the
// given strain along the stress, E e.
func (m Elastic) Uniaxial(strain float64) float64 { return m.Young * strain }

// Shear returns the shear stress in Pa for an engineering shear strain,
// E gamma / (2 (1 + nu)).
func (m Elastic) Shear(gamma float64) float64 { return m.shearModulus() * gamma }

func (m Elastic) shearModulus() float64 { return m.Young / (2 * (1 + m.Poisson)) }

func (m Elastic) planeModulus() float64 { return m.Young / (1 - m.Poisson*m.Poisson) }

// Plane returns the stress in Pa of a free surface:
// sx = E/(1 - nu^2) (ex + nu ey), sy likewise, txy = E/(2 (1 + nu)) gamma.
func (m Elastic) Plane(s PlaneStrain) PlaneStress {
	e := m.planeModulus()
	return PlaneStress{
		X:     e * (s.X + m.Poisson*s.Y),
		Y:     e * (s.Y + m.Poisson*s.X),
		Shear: m.shearModulus() * s.Shear,
	}
}

// Principal returns the principal stresses in Pa that go with principal strains
// on the same axes.
func (m Elastic) Principal(e1, e2 float64) (s1, s2 float64) {
	s := m.Plane(PlaneStrain{X: e1, Y: e2})
	return s.X, s.Y
}

// Thickness returns the strain normal to a free surface,
// -nu/(1 - nu) (ex + ey).
func (m Elastic) Thickness(s PlaneStrain) float64 {
	return -m.Poisson / (1 - m.Poisson) * (s.X + s.Y)
}

// UniaxialColumn writes Uniaxial of every strain to dst, which may be the same
// slice, and returns dst.
func (m Elastic) UniaxialColumn(dst, strain []float64) []float64 {
	return scale(dst, strain, m.Young)
}

// ShearColumn writes Shear of every engineering shear strain to dst, which may
// be the same slice, and returns dst.
func (m Elastic) ShearColumn(dst, gamma []float64) []float64 {
	return scale(dst, gamma, m.shearModulus())
}

func scale(dst, x []float64, by float64) []float64 {
	dst = dst[:len(x)]
	for i, v := range x {
		dst[i] = by * v
	}
	return dst
}

// PlaneColumns writes Plane of every sample. The slices have the length of ex;
// sx, sy and txy may be the same slices as ex, ey and gxy.
func (m Elastic) PlaneColumns(sx, sy, txy, ex, ey, gxy []float64) {
	m.PrincipalColumns(sx, sy, ex, ey)
	m.ShearColumn(txy, gxy)
}

// PrincipalColumns writes Principal of every sample. The slices have the length
// of e1; s1 and s2 may be the same slices as e1 and e2.
func (m Elastic) PrincipalColumns(s1, s2, e1, e2 []float64) {
	n := len(e1)
	s1, s2, e2 = s1[:n], s2[:n], e2[:n]
	e, nu := m.planeModulus(), m.Poisson
	for i, x := range e1 {
		y := e2[i]
		s1[i], s2[i] = e*(x+nu*y), e*(y+nu*x)
	}
}

// VonMises returns the equivalent stress of a plane state with principal
// stresses s1 and s2, sqrt(s1^2 - s1 s2 + s2^2), in their unit.
func VonMises(s1, s2 float64) float64 { return math.Sqrt(s1*s1 - s1*s2 + s2*s2) }

// Tresca returns the equivalent stress max(|s1 - s2|, |s1|, |s2|): twice the
// largest shear stress with a third principal stress of zero, which is that of
// a free surface and not of one under pressure.
func Tresca(s1, s2 float64) float64 {
	return max(math.Abs(s1-s2), math.Abs(s1), math.Abs(s2))
}

// VonMisesColumn writes VonMises of every sample to dst, which may be the same
// slice as an input, and returns dst.
func VonMisesColumn(dst, s1, s2 []float64) []float64 {
	dst, s2 = dst[:len(s1)], s2[:len(s1)]
	for i, a := range s1 {
		dst[i] = VonMises(a, s2[i])
	}
	return dst
}

// TrescaColumn writes Tresca of every sample to dst, which may be the same
// slice as an input, and returns dst.
func TrescaColumn(dst, s1, s2 []float64) []float64 {
	dst, s2 = dst[:len(s1)], s2[:len(s1)]
	for i, a := range s1 {
		dst[i] = Tresca(a, s2[i])
	}
	return dst
}
