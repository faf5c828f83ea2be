package cycles

import (
	"fmt"
	"math"

	"glueline/pipeline/channel"
	"glueline/pipeline/testfile"
	"glueline/reduce"
)

// Curve is an S-N curve and what turns a channel's strain into its stress.
type Curve struct {
	SN        reduce.Curve // nil: no damage is counted
	Stiffness float64      // Pa a strain of 1
}

// damage is that of half cycles of a range in microstrain.
func (c Curve) damage(size int32, halves uint64) float64 {
	if c.SN == nil || size == 0 {
		return 0
	}
	stress := float64(size) * 1e-6 * c.Stiffness
	return 0.5 * float64(halves) / c.SN.Cycles(stress)
}

// Point is a point of an S-N curve.
type Point struct {
	Range  float64 // stress range, Pa
	Cycles float64 // to failure
}

// Points is an S-N curve of straight lines between points in logarithms of both,
// by falling range and rising cycles, two or more. The outermost lines go on
// beyond the points, which below the last one is on the safe side.
type Points []Point

// Cycles returns N on the line of the stress range: with a and b the points
// about it, N = Na (S/Sa)^m, m = ln(Nb/Na) / ln(Sb/Sa).
func (p Points) Cycles(stressRange float64) float64 {
	i := 1
	for i < len(p)-1 && stressRange < p[i].Range {
		i++
	}
	a, b := p[i-1], p[i]
	m := math.Log(b.Cycles/a.Cycles) / math.Log(b.Range/a.Range)
	return a.Cycles * math.Pow(stressRange/a.Range, m)
}

// CutOff is a curve with a range below which nothing is damaged.
type CutOff struct {
	Curve reduce.Curve
	Range float64 // Pa
}

// Cycles returns those of the curve, and +Inf below the cut-off.
func (c CutOff) Cycles(stressRange float64) float64 {
	if stressRange < c.Range {
		return math.Inf(1)
	}
	return c.Curve.Cycles(stressRange)
}

// CurveOf returns the curve that a channel's damage is counted by: the one that
// the channel names, or else the material of its position. ok is false where
// neither names one.
func CurveOf(t *testfile.Test, name string) (c Curve, ok bool, err error) {
	f := t.FatigueOf(name)
	if f == nil {
		return Curve{}, false, nil
	}
	for i := range t.Wiring {
		w := &t.Wiring[i]
		ch, _ := t.Channels.Get(name)
		if ch == nil || w.Position.Text != ch.Position.Or(name) {
			continue
		}
		constants, err := channel.FromTest(t, name, w)
		if err != nil {
			return Curve{}, false, fmt.Errorf("S-N curve of channel %s: %w", name, err)
		}
		c.Stiffness = constants.Stiffness() // of the material, which all gauges of a position share
		c.SN = curveOf(f)
		return c, !math.IsNaN(c.Stiffness), nil
	}
	return Curve{}, false, nil
}

// curveOf builds the curve; ranges are twice amplitudes.
func curveOf(f *testfile.Fatigue) (sn reduce.Curve) {
	scale := 1.0
	if f.Of.Text == "amplitude" || f.Coefficient.Given {
		scale = 2
	}
	if f.Coefficient.Given {
		sn = reduce.Basquin{Coefficient: f.Coefficient.Value, Exponent: f.Exponent.Value}
	} else {
		var points Points
		for _, p := range f.Points {
			points = append(points, Point{scale * p.Stress.Value, p.Cycles.Value})
		}
		sn = points
	}
	if f.CutOff.Given {
		return CutOff{sn, scale * f.CutOff.Value}
	}
	return sn
}
