package cycles

import (
	"math"
	"testing"

	"glueline/pipeline/testfile"
	"glueline/reduce"
)

func TestCurves(t *testing.T) {
	// By hand: 100 MPa and 1e6, slope 3 to 50 MPa and 8e6, slope 5 to 25 MPa and 2.56e8.
	points := Points{{100e6, 1e6}, {50e6, 8e6}, {25e6, 2.56e8}}
	for _, c := range []struct {
		name        string
		curve       reduce.Curve
		stress, out float64
	}{
		{"on the first point", points, 100e6, 1e6},
		{"on the first line", points, 80e6, 1e6 / (0.8 * 0.8 * 0.8)},
		{"on the second point", points, 50e6, 8e6},
		{"on the last line", points, 40e6, 8e6 / math.Pow(0.8, 5)},
		{"on the last point", points, 25e6, 2.56e8},
		{"above the first point", points, 200e6, 1.25e5},
		{"below the last point", points, 12.5e6, 2.56e8 * 32},
		{"below the cut-off", CutOff{points, 30e6}, 29.9e6, math.Inf(1)},
		{"at the cut-off", CutOff{points, 25e6}, 25e6, 2.56e8},
	} {
		if got := c.curve.Cycles(c.stress); !(math.Abs(got-c.out) <= 1e-9*c.out) && got != c.out {
			t.Errorf("%s: %g cycles, want %g", c.name, got, c.out)
		}
	}
}

func TestCurveOfTheTestFile(t *testing.T) {
	test, err := testfile.Load("../../testdata/testfile/good.yaml")
	if err != nil {
		t.Fatal(err)
	}
	curveOf := func(channel string) (Curve, bool) {
		c, ok, err := CurveOf(test, channel)
		if err != nil {
			t.Fatal(err)
		}
		return c, ok
	}
	// Its own: 900 MPa, -0.11, in amplitudes; by hand N = (sa/sf)^(1/b)/2 with sa = 150 MPa.
	mid, ok := curveOf("mid")
	want := math.Pow(150.0/900, 1/-0.11) / 2
	if !ok || !(math.Abs(mid.SN.Cycles(300e6)-want) <= 1e-9*want) {
		t.Errorf("mid: %t %g cycles at 300 MPa, want %g", ok, mid.SN.Cycles(300e6), want)
	}
	// Plane stress with et = -0.25 ea, by hand: 205 GPa / (1 - 0.29^2) (1 - 0.29 0.25).
	if want := 205e9 / (1 - 0.29*0.29) * (1 - 0.29*0.25); !(math.Abs(mid.Stiffness-want) <= 1e-9*want) {
		t.Errorf("mid: %g Pa, want %g", mid.Stiffness, want)
	}
	// Its material's, in ranges, with a cut-off.
	p2, ok := curveOf("P2")
	if !ok || p2.Stiffness != 205e9 || !(math.Abs(p2.SN.Cycles(63e6)-2.1e6) < 1) || !math.IsInf(p2.SN.Cycles(25.4e6), 1) {
		t.Errorf("P2: %t %+v", ok, p2)
	}
	if c, ok := curveOf("bush"); ok {
		t.Errorf("bush has a curve that nobody named: %+v", c)
	}
	if _, ok := curveOf("nobody"); ok {
		t.Error("a curve of no channel")
	}
}
