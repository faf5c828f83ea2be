package testfile

import (
	"strings"
	"testing"
)

func TestDrawing(t *testing.T) {
	const base = `test: {name: t}
sources: {node: {rate: 100 Hz, unit: V/V}}
lots: {l: {resistance: 350 ohm, gauge-factor: 2}}
materials: {plate: {young: 200 GPa, poisson: 0.3, expansion: 12e-6 /K}}
gauges: {a: {lot: l}}
positions: {a: {material: plate}}
wiring: [{position: a, gauge: a, input: node/A}]
channels: {a: {bridge: quarter_3wire}}
`
	for _, x := range []struct{ name, drawing, want string }{
		{"good", "drawing:\n  svg: '<svg viewBox=\"0 0 9 9\"><rect class=\"plate\" width=\"9\" height=\"9\"/></svg>'\n  places: {a: {x: 1, y: 2, angle: 90 deg}}\n", ""},
		{"a script", "drawing: {svg: '<svg viewBox=\"0 0 9 9\"><script/></svg>'}\n", "<script> is not read"},
		{"no SVG", "drawing: {places: {a: {x: 1, y: 2}}}\n", "drawing.svg"},
		{"a place of nothing", "drawing:\n  svg: '<svg viewBox=\"0 0 9 9\"/>'\n  places: {b: {x: 1, y: 2}}\n", "which is not defined"},
		{"half a place", "drawing:\n  svg: '<svg viewBox=\"0 0 9 9\"/>'\n  places: {a: {x: 1}}\n", "drawing.places.a.y"},
	} {
		test, err := Parse("t.yaml", []byte(base+x.drawing), nil)
		switch {
		case x.want == "" && err != nil:
			t.Errorf("%s: %v", x.name, err)
		case x.want == "":
			p, ok := test.Drawing.Places.Get("a")
			if !ok || p.X.Value != 1 || p.Y.Value != 2 || !(p.Angle.Value > 1.57 && p.Angle.Value < 1.571) || !test.Drawing.Given {
				t.Errorf("%s: %+v", x.name, test.Drawing)
			}
		case err == nil || !strings.Contains(err.Error(), x.want):
			t.Errorf("%s: %v, want %s", x.name, err, x.want)
		}
	}
}
