package driftsim

import (
	"math"
	"reflect"
	"testing"
)

// A leak across a gauge reads as a shunt does, -(1/F) R/(R + leak): with F 2.08
// on 350 ohm -1.7, -17 and -168 microstrain at 100, 10 and 1 Mohm. By hand.
func TestALeakReadsAsAShunt(t *testing.T) {
	b := Bridge{Gauge: 350, GaugeFactor: 2.08}
	for _, c := range []struct{ ohm, want, tol float64 }{{100e6, -1.7e-6, 0.05e-6}, {10e6, -17e-6, 0.5e-6}, {1e6, -168e-6, 0.5e-6}} {
		r := ratio(350, b, 0, &state{leak: 1 / c.ohm})
		x := 0.5 + r // arm 1 over both arms, so that
		strain := (x/(1-x) - 1) / b.GaugeFactor
		if !(math.Abs(strain-c.want) < c.tol) {
			t.Errorf("%g Mohm: %.2f microstrain", c.ohm/1e6, strain*1e6)
		}
	}
}

// Three equal leads cancel, two do not.
func TestLeads(t *testing.T) {
	three := Bridge{Gauge: 350, GaugeFactor: 2}
	two := three
	two.TwoWire = true
	if r := ratio(350, three, 5, &state{}); r != 0 {
		t.Errorf("three wires: %g", r)
	}
	if r := ratio(350, two, 5, &state{}); !(math.Abs(r-(360/710.0-0.5)) < 1e-12) {
		t.Errorf("two wires: %g", r)
	}
}

func TestMakeIsAFunctionOfItsOptions(t *testing.T) {
	for i, kind := range Kinds {
		o := Options{Seed: uint64(i), Kind: kind, Also: Kinds[1+i%(len(Kinds)-1)], Wide: i%2 == 0}
		a, b := Make(o), Make(o)
		for m := range a.Samples { // NaN is not itself
			x, y := a.Samples[m], b.Samples[m]
			if math.Float64bits(x.Ratio) != math.Float64bits(y.Ratio) || math.Float64bits(x.Humidity) != math.Float64bits(y.Humidity) {
				t.Fatalf("%s differs at minute %d", kind, m)
			}
		}
		if !reflect.DeepEqual(a.Truth, b.Truth) || len(a.Samples) != Minutes {
			t.Errorf("%s: %+v and %+v", kind, a.Truth, b.Truth)
		}
		for m, x := range a.Samples {
			if !(math.Abs(x.Ratio) < 0.01) || !(x.Humidity >= 15 && x.Humidity <= 100) {
				t.Fatalf("%s: minute %d is %+v", kind, m, x)
			}
		}
	}
}

// Humidity falls when the day warms.
func TestWeatherIsCorrelated(t *testing.T) {
	c := Make(Options{Seed: 7, Kind: Healthy})
	var n, x, y, xx, yy, xy float64
	for _, s := range c.Samples {
		n++
		x += s.Temperature
		y += s.Humidity
		xx += s.Temperature * s.Temperature
		yy += s.Humidity * s.Humidity
		xy += s.Temperature * s.Humidity
	}
	if r := (xy - x*y/n) / math.Sqrt((xx-x*x/n)*(yy-y*y/n)); !(r < -0.3) {
		t.Errorf("correlation %.2f", r)
	}
}
