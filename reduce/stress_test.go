package reduce

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestUniaxialStressIsPlaneStress(t *testing.T) {
	// Hooke's law the other way round: under uniaxial stress the strain across
	// is -nu times the strain along, and the plane formula must give E e and 0.
	m := Elastic{Young: 69e9, Poisson: 0.33}
	for _, e := range []float64{-2e-3, 1e-6, 1e-3} {
		s := m.Plane(PlaneStrain{X: e, Y: -0.33 * e})
		near(t, "along", s.X, m.Uniaxial(e), 1e-6)
		near(t, "across", s.Y, 0, 1e-6)
		near(t, "thickness", m.Thickness(PlaneStrain{X: e, Y: -0.33 * e}), -0.33*e, 1e-18)
	}
}

func TestPureShear(t *testing.T) {
	// Principal strains +-gamma/2 under 45 degrees give principal stresses +-tau.
	m := Elastic{Young: 2e11, Poisson: 0.3}
	gamma := 8e-4
	p := PlaneStrain{Shear: gamma}.Principal()
	s1, s2 := m.Principal(p.Max, p.Min)
	tau := m.Shear(gamma)
	near(t, "s1", s1, tau, 1e-6)
	near(t, "s2", s2, -tau, 1e-6)
	near(t, "von Mises", VonMises(s1, s2), math.Sqrt(3)*tau, 1e-6)
	near(t, "Tresca", Tresca(s1, s2), 2*tau, 1e-6)
	near(t, "angle", p.Angle, math.Pi/4, 1e-15)
}

// Both criteria are the classical ones: von Mises never exceeds Tresca, nor
// falls below sqrt(3)/2 of it, and neither changes with the order.
func TestVonMisesAndTresca(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	for range draws {
		a, b := 4e8*r.Float64()-2e8, 4e8*r.Float64()-2e8
		v, tr := VonMises(a, b), Tresca(a, b)
		if v > tr*(1+1e-12) || v < tr*(math.Sqrt(3)/2)*(1-1e-12) {
			t.Fatalf("s1 %g, s2 %g: von Mises %g, Tresca %g", a, b, v, tr)
		}
		near(t, "order", VonMises(b, a), v, 1e-6)
		near(t, "order", Tresca(b, a), tr, 0)
	}
	if !math.IsNaN(VonMises(nan, 1)) || !math.IsNaN(Tresca(1, nan)) {
		t.Error("NaN is lost")
	}
}

func TestStressColumns(t *testing.T) {
	m := Elastic{Young: 2e11, Poisson: 0.3}
	x := []float64{1e-3, -2e-4, nan, 0}
	axial := m.UniaxialColumn(make([]float64, 4), x)
	shear := m.ShearColumn(make([]float64, 4), x)
	for i, e := range x {
		sameBits(t, "uniaxial", i, axial[i], m.Uniaxial(e))
		sameBits(t, "shear", i, shear[i], m.Shear(e))
	}
}
