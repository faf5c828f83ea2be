package follow

import (
	"math"
	"slices"
	"testing"

	"glueline/pipeline/testfile"
)

// declaredText has four channels on one plate, a rosette of four grids on another
// place, a coupon, and all that package follow takes from a test file.
const declaredText = `
test: {name: bench}
sources: {node: {rate: 1 Hz, unit: V/V}}
lots: {l: {resistance: 350 ohm, gauge-factor: 2}}
materials: {plate: {young: 200 GPa, poisson: 0.25, expansion: 12e-6 /K}}
gauges: {g1: {lot: l}, g2: {lot: l}, g3: {lot: l}, g4: {lot: l}, g5: {lot: l}, r1: {lot: l}, r2: {lot: l}, r3: {lot: l}, r4: {lot: l}}
positions: {p1: {material: plate}, p2: {material: plate}, p3: {material: plate}, p4: {material: plate}, p5: {material: plate},
  q1: {material: plate}, q2: {material: plate}, q3: {material: plate}, q4: {material: plate}}
wiring:
  - {position: p1, gauge: g1, input: node/A1}
  - {position: p2, gauge: g2, input: node/A2}
  - {position: p3, gauge: g3, input: node/A3}
  - {position: p4, gauge: g4, input: node/A4}
  - {position: p5, gauge: g5, input: node/A5}
  - {position: q1, gauge: r1, input: node/B1}
  - {position: q2, gauge: r2, input: node/B2}
  - {position: q3, gauge: r3, input: node/B3}
  - {position: q4, gauge: r4, input: node/B4}
fatigue: {weld: {coefficient: 9000 MPa, exponent: -0.333, source: invented}}
channels:
  along: {position: p1, bridge: quarter_3wire, fatigue: weld, neighbours: [twin]}
  twin: {position: p2, bridge: quarter_3wire}
  across: {position: p3, bridge: quarter_3wire}
  below: {position: p4, bridge: quarter_3wire}
  coupon: {position: p5, bridge: quarter_3wire, witness-of: {channels: [along]}}
  e0: {position: q1, bridge: quarter_3wire}
  e45: {position: q2, bridge: quarter_3wire}
  e90: {position: q3, bridge: quarter_3wire}
  e135: {position: q4, bridge: quarter_3wire}
pairs:
  same: {form: redundant, channels: [along, twin], tolerance: 10 um/m, relative: 3 %}
  bent: {form: back-to-back, channels: [along, below], under: bending, tolerance: 10 um/m, relative: 3 %}
  sides: {form: poisson, channels: [along, across], tolerance: 10 um/m, relative: 3 %}
rosettes:
  heel: {form: angles, grids: [e0, e45, e90, e135], angles: [0 deg, 45 deg, 90 deg, 135 deg]}
`

func TestDeclaredBy(t *testing.T) {
	test, err := testfile.Parse("bench.yaml", []byte(declaredText), nil)
	if err != nil {
		t.Fatal(err)
	}
	d, err := DeclaredBy(test)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Curves) != 1 || d.Curves["along"].SN == nil {
		t.Errorf("S-N curves %v", d.Curves)
	}
	if len(d.Witnesses) != 1 || !slices.Equal(d.Witnesses["along"], []string{"coupon"}) {
		t.Errorf("witnesses %v", d.Witnesses)
	}
	// Who is near is near both ways.
	if len(d.Neighbours) != 2 || !slices.Equal(d.Neighbours["along"], []string{"twin"}) || !slices.Equal(d.Neighbours["twin"], []string{"along"}) {
		t.Errorf("neighbours %v", d.Neighbours)
	}
	want := []Relation{
		{"same", "redundant", []Term{{"along", 1}, {"twin", -1}}, 10e-6, 0.03},
		{"bent", "back-to-back", []Term{{"along", 1}, {"below", 1}}, 10e-6, 0.03}, // one side is stretched as much as the other is pressed
		{"sides", "poisson", []Term{{"along", 1}, {"across", 4}}, 10e-6, 0.03},    // across = -along/4
		{"heel", FourGrids, []Term{{"e0", 1}, {"e90", 1}, {"e45", -1}, {"e135", -1}}, gridTolerance, gridRelative},
	}
	if len(d.Relations) != len(want) {
		t.Fatalf("relations %+v", d.Relations)
	}
	for i, w := range want {
		r := d.Relations[i]
		if r.Name != w.Name || r.Form != w.Form || !slices.Equal(r.Terms, w.Terms) || math.Abs(r.Tolerance-w.Tolerance) > 1e-18 || math.Abs(r.Relative-w.Relative) > 1e-15 {
			t.Errorf("%+v, want %+v", r, w)
		}
	}
}

// Two pairs of grids at right angles check themselves, in whatever order and
// turned by whatever angle; the sum is zero for any plane strain (e0 + e90 =
// e45 + e135, the first invariant of strain). Other rosettes do not.
func TestGridTerms(t *testing.T) {
	for _, c := range []struct {
		name   string
		angles []float64 // degrees
		checks bool
	}{
		{"in order", []float64{0, 45, 90, 135}, true},
		{"another order", []float64{135, 0, 45, 90}, true},
		{"turned", []float64{17, 62, 107, 152}, true},
		{"round the circle", []float64{-90, 0, 45, 315}, true},
		{"two pairs that are not halfway", []float64{0, 30, 90, 120}, true},
		{"within a degree", []float64{0, 45, 90.5, 135}, true},
		{"one pair only", []float64{0, 45, 90, 120}, false},
		{"three grids", []float64{0, 45, 90}, false},
	} {
		var r testfile.Rosette
		r.Form.Text = "angles"
		var exx, eyy, gxy = 300e-6, -120e-6, 80e-6
		strains := map[string]float64{}
		for i, degrees := range c.angles {
			a := degrees * math.Pi / 180
			name := string(rune('a' + i))
			r.Angles = append(r.Angles, testfile.Quantity{Value: a})
			r.Grids = append(r.Grids, testfile.Word{Text: name})
			cos, sin := math.Cos(a), math.Sin(a)
			strains[name] = exx*cos*cos + eyy*sin*sin + gxy*sin*cos
		}
		terms := gridTerms(&r)
		if (terms != nil) != c.checks {
			t.Errorf("%s: %v", c.name, terms)
			continue
		}
		left := 0.0
		for _, term := range terms {
			left += term.Factor * strains[term.Channel]
		}
		if tolerance := 4e-6; c.name != "within a degree" && math.Abs(left) > 1e-18 || math.Abs(left) > tolerance {
			t.Errorf("%s: %g is left over", c.name, left)
		}
		r.Form.Text = "rectangular"
		if terms := gridTerms(&r); terms != nil {
			t.Errorf("%s: a form with three grids has %v", c.name, terms)
		}
	}
}
