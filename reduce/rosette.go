package reduce

import (
	"errors"
	"fmt"
	"math"
)

// ErrSingularRosette occurs when the grids of a rosette do not determine the
// strain state: too few, at angles that repeat each other, or two that are not
// perpendicular.
var ErrSingularRosette = errors.New("rosette grids do not determine the strain")

// PlaneStrain is a state of strain in the surface: normal strains along x and y
// and the engineering shear strain gamma_xy, all in m/m.
type PlaneStrain struct{ X, Y, Shear float64 }

// Principal are the principal strains in m/m, Max the algebraically larger one.
type Principal struct {
	Max, Min float64
	ShearMax float64 // largest engineering shear strain in the plane, Max - Min
	Angle    float64 // rad from x to the axis of Max, counterclockwise, in (-pi/2, pi/2]; NaN if Max equals Min
}

// Principal returns the principal strains: centre C = (ex + ey)/2 and radius
// Q = sqrt(((ex - ey)/2)^2 + (gamma/2)^2) of Mohr's circle give C + Q and
// C - Q; the angle is atan2(gamma, ex - ey)/2. With Q = 0 every direction is
// principal and the angle is NaN. Infinitesimal strain theory: above about 1 %
// strain the error is noticeable (ASTM E1561).
func (s PlaneStrain) Principal() Principal {
	centre, radius := circle(s.X, s.Y, s.Shear)
	return Principal{centre + radius, centre - radius, 2 * radius, principalAngle(s.X, s.Y, s.Shear)}
}

func circle(x, y, shear float64) (centre, radius float64) {
	half := (x - y) / 2
	return (x + y) / 2, math.Sqrt(half*half + (shear/2)*(shear/2))
}

func principalAngle(x, y, shear float64) float64 {
	if x == y && shear == 0 {
		return math.NaN()
	}
	// atan2 gives -pi for a shear of -0: the same axis as +pi/2.
	angle := 0.5 * math.Atan2(shear, x-y)
	if angle == -math.Pi/2 {
		return math.Pi / 2
	}
	return angle
}

// At returns the normal strain in the direction angle rad counterclockwise from
// x: ex cos^2 + ey sin^2 + gamma sin cos.
func (s PlaneStrain) At(angle float64) float64 {
	sin, cos := math.Sincos(angle)
	return s.X*cos*cos + s.Y*sin*sin + s.Shear*sin*cos
}

// PrincipalColumns writes the principal strains of every sample: e1 and e2 the
// larger and smaller in m/m, gammaMax their difference, angle in rad as in
// Principal. angle may be nil if it is not wanted; it costs more than the rest.
// The slices have the length of ex, outputs may be the same slices as inputs
// if no two outputs are.
func PrincipalColumns(e1, e2, gammaMax, angle, ex, ey, gxy []float64) {
	n := len(ex)
	e1, e2, gammaMax, ey, gxy = e1[:n], e2[:n], gammaMax[:n], ey[:n], gxy[:n]
	if angle != nil {
		angle = angle[:n]
	}
	for i, x := range ex {
		y, g := ey[i], gxy[i]
		centre, radius := circle(x, y, g)
		if angle != nil {
			angle[i] = principalAngle(x, y, g)
		}
		e1[i], e2[i], gammaMax[i] = centre+radius, centre-radius, 2*radius
	}
}

// Rosette turns the indicated strains of two or more grids at one place into
// the state of strain there. It is made by NewRosette and does not change.
type Rosette struct {
	angles  []float64
	rows    [][3]float64 // indicated strain of a grid from ex, ey, gamma
	inverse [3][]float64 // ex, ey, gamma from the indicated strains
}

// singular is the relative size below which what a grid adds to the others
// counts as nothing.
const singular = 1e-6

// NewRosette prepares the solution for grids at the given angles in rad,
// counterclockwise from x, with their transverse sensitivities Kt as fractions
// and Poisson's ratio nu0 of the gauge-factor calibration beam. Grid i
// indicates
//
//	[(c^2 + K s^2) ex + (s^2 + K c^2) ey + (1 - K) s c gamma] / (1 - nu0 K),
//
// c and s the cosine and sine of its angle. Three grids are solved, more are
// fitted by least squares. Two must be perpendicular and are taken to lie
// along the principal directions: no shear between them. Angles, or
// sensitivities, that do not determine the strain give an error that wraps
// ErrSingularRosette.
func NewRosette(anglesRad, transverse []float64, poissonCalibration float64) (Rosette, error) {
	n := len(anglesRad)
	if n < 2 || len(transverse) != n {
		return Rosette{}, fmt.Errorf("%w: %d grids with %d transverse sensitivities", ErrSingularRosette, n, len(transverse))
	}
	r := Rosette{angles: append([]float64(nil), anglesRad...), rows: make([][3]float64, n)}
	for i, angle := range anglesRad {
		r.rows[i] = gridRow(angle, transverse[i], poissonCalibration)
	}
	if n == 2 {
		return r.tee(transverse, poissonCalibration)
	}
	inverse, ok := pseudoInverse(r.rows)
	if !ok {
		return Rosette{}, fmt.Errorf("%w: angles %.6g rad", ErrSingularRosette, anglesRad)
	}
	r.inverse = inverse
	return r, nil
}

func gridRow(angle, kt, poissonCalibration float64) [3]float64 {
	s, c := math.Sincos(angle)
	d := 1 - poissonCalibration*kt
	return [3]float64{(c*c + kt*s*s) / d, (s*s + kt*c*c) / d, (1 - kt) * s * c / d}
}

// tee solves the pair in its own axes, where there is no shear, and turns the
// result into x and y.
func (r Rosette) tee(kt []float64, poissonCalibration float64) (Rosette, error) {
	const tolerance = 1e-6 // rad; far below what anybody can bond
	if !(math.Abs(math.Cos(r.angles[1]-r.angles[0])) < tolerance) {
		return Rosette{}, fmt.Errorf("%w: two grids must be perpendicular, angles are %.6g rad", ErrSingularRosette, r.angles)
	}
	da, db := 1-poissonCalibration*kt[0], 1-poissonCalibration*kt[1]
	det := 1 - kt[0]*kt[1]
	if !(math.Abs(det) > singular) {
		return Rosette{}, fmt.Errorf("%w: transverse sensitivities %g", ErrSingularRosette, kt)
	}
	// Indicated a da = along + Ka across, indicated b db = across + Kb along.
	along := [2]float64{da / det, -kt[0] * db / det}
	across := [2]float64{-kt[1] * da / det, db / det}
	s, c := math.Sincos(r.angles[0])
	for i := range along {
		r.inverse[0] = append(r.inverse[0], c*c*along[i]+s*s*across[i])
		r.inverse[1] = append(r.inverse[1], s*s*along[i]+c*c*across[i])
		r.inverse[2] = append(r.inverse[2], 2*s*c*(along[i]-across[i]))
	}
	return r, nil
}

// pseudoInverse returns (M^T M)^-1 M^T for a matrix of three columns: with
// M = Q R it is R^-1 Q^T.
func pseudoInverse(rows [][3]float64) (inverse [3][]float64, ok bool) {
	q := make([][]float64, 3)
	for j := range q {
		q[j] = make([]float64, len(rows))
		for i, row := range rows {
			q[j][i] = row[j]
		}
	}
	r, ok := orthonormalise(q, singular)
	if !ok {
		return inverse, false
	}
	for i := 2; i >= 0; i-- {
		inverse[i] = append([]float64(nil), q[i]...)
		for k := i + 1; k < 3; k++ {
			for j := range inverse[i] {
				inverse[i][j] -= r[i][k] * inverse[k][j]
			}
		}
		for j := range inverse[i] {
			inverse[i][j] /= r[i][i]
		}
	}
	return inverse, true
}

// Grids returns the number of grids.
func (r Rosette) Grids() int { return len(r.angles) }

// Strain returns the state of strain from the indicated strains of the grids,
// in m/m and in the order given to NewRosette, and the residual: the root mean
// square over the grids of indicated minus fitted strain. With two or three
// grids there is nothing left over and the residual is 0. One NaN makes all NaN.
func (r Rosette) Strain(indicated []float64) (s PlaneStrain, residual float64) {
	indicated = indicated[:r.Grids()]
	for j, e := range indicated {
		s.X += r.inverse[0][j] * e
		s.Y += r.inverse[1][j] * e
		s.Shear += r.inverse[2][j] * e
	}
	if r.Grids() <= 3 {
		return s, 0 * s.X // NaN stays NaN
	}
	var sum float64
	for j, e := range indicated {
		d := e - (r.rows[j][0]*s.X + r.rows[j][1]*s.Y + r.rows[j][2]*s.Shear)
		sum += d * d
	}
	return s, math.Sqrt(sum / float64(r.Grids()))
}

// Columns writes Strain of every sample: indicated[j][i] is sample i of grid j.
// All slices have the length of ex; residual may be nil. Outputs must not
// overlap inputs. The results are those of Strain bit for bit.
func (r Rosette) Columns(ex, ey, gxy, residual []float64, indicated [][]float64) {
	if r.Grids() == 3 {
		r.columns3(ex, ey, gxy, residual, indicated[0], indicated[1], indicated[2])
		return
	}
	n := len(ex)
	ey, gxy = ey[:n], gxy[:n]
	clear(ex)
	clear(ey)
	clear(gxy)
	for j := range r.angles {
		a, b, c := r.inverse[0][j], r.inverse[1][j], r.inverse[2][j]
		for i, e := range indicated[j][:n] {
			ex[i] += a * e
			ey[i] += b * e
			gxy[i] += c * e
		}
	}
	if residual == nil {
		return
	}
	residual = residual[:n]
	if r.Grids() < 3 {
		for i, x := range ex {
			residual[i] = 0 * x
		}
		return
	}
	clear(residual)
	for j, row := range r.rows {
		for i, e := range indicated[j][:n] {
			d := e - (row[0]*ex[i] + row[1]*ey[i] + row[2]*gxy[i])
			residual[i] += d * d
		}
	}
	for i, sum := range residual {
		residual[i] = math.Sqrt(sum / float64(r.Grids()))
	}
}

func (r Rosette) columns3(ex, ey, gxy, residual, a, b, c []float64) {
	n := len(ex)
	ey, gxy, a, b, c = ey[:n], gxy[:n], a[:n], b[:n], c[:n]
	xa, xb, xc := r.inverse[0][0], r.inverse[0][1], r.inverse[0][2]
	ya, yb, yc := r.inverse[1][0], r.inverse[1][1], r.inverse[1][2]
	ga, gb, gc := r.inverse[2][0], r.inverse[2][1], r.inverse[2][2]
	for i := range ex {
		// The leading 0 is the sum that the scalar form starts from: it decides
		// the sign of a zero.
		ea, eb, ec := a[i], b[i], c[i]
		ex[i] = 0 + xa*ea + xb*eb + xc*ec
		ey[i] = 0 + ya*ea + yb*eb + yc*ec
		gxy[i] = 0 + ga*ea + gb*eb + gc*ec
	}
	if residual != nil {
		residual = residual[:n]
		for i, x := range ex {
			residual[i] = 0 * x
		}
	}
}

// TransverseFree writes to dst the strain along each grid's axis, in m/m: what
// the grids would indicate if they had no transverse sensitivity. With more
// than three grids it is the fitted strain. dst has the length of indicated
// and may be the same slice.
func (r Rosette) TransverseFree(dst, indicated []float64) []float64 {
	s, _ := r.Strain(indicated)
	dst = dst[:r.Grids()]
	for i, angle := range r.angles {
		dst[i] = s.At(angle)
	}
	return dst
}
