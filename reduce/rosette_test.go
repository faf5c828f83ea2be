package reduce

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

const degree = math.Pi / 180

func rosette(t *testing.T, degrees, kt []float64) Rosette {
	t.Helper()
	r, err := NewRosette(scaled(degrees, degree), kt, 0.285)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// indicated computes what a grid shows from first principles: the strains along
// and across it and the definition of transverse sensitivity.
func indicated(s PlaneStrain, angle, kt float64) float64 {
	return (s.At(angle) + kt*s.At(angle+math.Pi/2)) / (1 - 0.285*kt)
}

func strainState(r *rand.Rand) PlaneStrain {
	e := func() float64 { return 4e-3*r.Float64() - 2e-3 }
	return PlaneStrain{e(), e(), e()}
}

func TestRosetteGivesTheStrainBack(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	for _, degrees := range [][]float64{{0, 45, 90}, {0, 60, 120}, {0, -45, -90}, {-10, 32.5, 101}, {0, 45, 90, 135}, {3, 51, 96}, {0, 20, 40, 60, 80}} {
		for range draws {
			s := strainState(r)
			kt, ind := make([]float64, len(degrees)), make([]float64, len(degrees))
			for i, d := range degrees {
				kt[i] = 0.06*r.Float64() - 0.03
				ind[i] = indicated(s, d*degree, kt[i])
			}
			ros := rosette(t, degrees, kt)
			got, residual := ros.Strain(ind)
			near(t, "ex", got.X, s.X, 1e-15)
			near(t, "ey", got.Y, s.Y, 1e-14)
			near(t, "gamma", got.Shear, s.Shear, 1e-14)
			near(t, "residual", residual, 0, 1e-15)
			for i, e := range ros.TransverseFree(make([]float64, len(ind)), ind) {
				near(t, "grid", e, s.At(degrees[i]*degree), 1e-14)
			}
		}
	}
}

// Turning the rosette on the article changes the readings, and neither the
// principal strains nor, in the article's axes, their direction.
func TestTurningARosetteLeavesThePrincipals(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	for range draws {
		s, turn := strainState(r), 360*r.Float64()
		degrees, kt := []float64{turn, turn + 45, turn + 90}, []float64{0.01, -0.005, 0.02}
		ind := make([]float64, 3)
		for i, d := range degrees {
			ind[i] = indicated(s, d*degree, kt[i])
		}
		got, _ := rosette(t, degrees, kt).Strain(ind)
		p, want := got.Principal(), s.Principal()
		near(t, "e1", p.Max, want.Max, 1e-14)
		near(t, "e2", p.Min, want.Min, 1e-14)
		near(t, "e along the angle", s.At(p.Angle), want.Max, 1e-14)
		// In axes that turn with it, the angle turns the other way.
		own, _ := rosette(t, []float64{0, 45, 90}, kt).Strain(ind)
		near(t, "axis", math.Sin(own.Principal().Angle+turn*degree-want.Angle), 0, 1e-8)
	}
}

func TestLeastSquaresResidual(t *testing.T) {
	// 0/45/90/135 should satisfy e0 + e90 = e45 + e135. A violation by d leaves
	// +-d/4 on every grid, by symmetry.
	ros := rosette(t, []float64{0, 45, 90, 135}, make([]float64, 4))
	const d = 40e-6
	s, residual := ros.Strain([]float64{1e-3 + d, 5e-4, 2e-4, 7e-4})
	near(t, "residual", residual, d/4, 1e-15)
	near(t, "centre", (s.X+s.Y)/2, (2.4e-3+d)/4, 1e-15)
}

func TestTeeOnItsOwnAxes(t *testing.T) {
	// Grids along principal directions that are turned against x.
	for _, turn := range []float64{0, 30, -45, 90} {
		s, kt := PlaneStrain{9e-4, -3e-4, 0}, []float64{0.01, 0.02}
		ros := rosette(t, []float64{turn, turn + 90}, kt)
		got, residual := ros.Strain([]float64{indicated(s, 0, kt[0]), indicated(s, math.Pi/2, kt[1])})
		p := got.Principal()
		near(t, "e1", p.Max, 9e-4, 1e-15)
		near(t, "e2", p.Min, -3e-4, 1e-15)
		near(t, "along a", got.At(turn*degree), 9e-4, 1e-15)
		near(t, "residual", residual, 0, 0)
	}
}

func TestSingularRosettes(t *testing.T) {
	for name, c := range map[string]struct{ degrees, kt []float64 }{
		"one grid":               {[]float64{0}, []float64{0}},
		"none":                   {nil, nil},
		"sensitivity missing":    {[]float64{0, 45, 90}, []float64{0, 0}},
		"two the same":           {[]float64{0, 45, 45}, make([]float64, 3)},
		"two opposite":           {[]float64{0, 45, 180}, make([]float64, 3)},
		"four in two directions": {[]float64{0, 90, 180, 270}, make([]float64, 4)},
		"pair not perpendicular": {[]float64{0, 45}, make([]float64, 2)},
		"angle NaN":              {[]float64{0, nan, 90}, make([]float64, 3)},
		"angle infinite":         {[]float64{0, inf, 90}, make([]float64, 3)},
		"pair NaN":               {[]float64{0, nan}, make([]float64, 2)},
		"no direction at all":    {[]float64{0, 45, 90}, []float64{1, 1, 1}},
		"sensitivity NaN":        {[]float64{0, 90}, []float64{nan, 0}},
	} {
		if _, err := NewRosette(scaled(c.degrees, degree), c.kt, 0.285); !errors.Is(err, ErrSingularRosette) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestPrincipalAngleRange(t *testing.T) {
	zero := math.Copysign(0, -1)
	for _, c := range []struct {
		s    PlaneStrain
		want float64 // degrees
	}{
		{PlaneStrain{1, 0, 0}, 0},
		{PlaneStrain{1, 0, zero}, 0},
		{PlaneStrain{0, 1, 0}, 90},
		{PlaneStrain{0, 1, zero}, 90}, // and not -90
		{PlaneStrain{0, 0, 1}, 45},
		{PlaneStrain{0, 0, -1}, -45},
		{PlaneStrain{0, 1, -1e-3}, -89.97135},
	} {
		near(t, "angle", c.s.Principal().Angle/degree, c.want, 1e-5)
	}
	for _, s := range []PlaneStrain{{}, {1, 1, 0}, {2, 2, zero}, {nan, 1, 1}, {1, 1, nan}} {
		if got := s.Principal().Angle; !math.IsNaN(got) {
			t.Errorf("%v has its axis at %g", s, got)
		}
	}
}

func TestRosetteColumnsAreStrain(t *testing.T) {
	const n = 500
	r := rand.New(rand.NewPCG(7, 7))
	steel := Elastic{2e11, 0.3}
	for _, degrees := range [][]float64{{0, 90}, {0, 45, 90}, {0, 45, 90, 135}, {1, 22, 43, 64, 85}} {
		ros := rosette(t, degrees, []float64{0.01, 0.02, -0.01, 0.005, 0}[:len(degrees)])
		grids := make([][]float64, len(degrees))
		for j := range grids {
			grids[j], _, _, _, _ = columns(r, n)
		}
		var out [13][]float64
		for j := range out {
			out[j] = make([]float64, n)
		}
		ex, ey, gxy, residual, e1, e2, shear, angle := out[0], out[1], out[2], out[3], out[4], out[5], out[6], out[7]
		ros.Columns(ex, ey, gxy, residual, grids)
		PrincipalColumns(e1, e2, shear, angle, ex, ey, gxy)
		steel.PlaneColumns(out[8], out[9], out[10], ex, ey, gxy)
		VonMisesColumn(out[11], e1, e2)
		TrescaColumn(out[12], e1, e2)
		ind := make([]float64, len(degrees))
		for i := range n {
			for j := range ind {
				ind[j] = grids[j][i]
			}
			s, res := ros.Strain(ind)
			p, stress := s.Principal(), steel.Plane(s)
			for j, want := range []float64{s.X, s.Y, s.Shear, res, p.Max, p.Min, p.ShearMax, p.Angle, stress.X, stress.Y, stress.Shear,
				VonMises(p.Max, p.Min), Tresca(p.Max, p.Min)} {
				sameBits(t, "column", i, out[j][i], want)
			}
		}
		ros.Columns(ex, ey, gxy, nil, grids)
		PrincipalColumns(ex, ey, gxy, nil, ex, ey, gxy)
		for i := range ex {
			sameBits(t, "in place", i, ex[i], e1[i])
			sameBits(t, "in place", i, gxy[i], shear[i])
		}
	}
}
