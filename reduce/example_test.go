package reduce_test

import (
	"fmt"
	"math"

	"glueline/reduce"
)

// A three-wire quarter bridge on a long cable: the reading less its zero is put
// on top of the model's own zero, and solved.
func ExampleBridge_Strain() {
	layout, _ := reduce.LayoutByName("quarter_3wire")
	bridge := reduce.Bridge{Layout: layout, Gauge: 120, Response: [4]float64{1}}
	state := reduce.State{GaugeFactor: 2.08, Lead: 4}

	zero, reading := 0.2e-3, 0.7e-3 // V/V
	u := bridge.Strain(reading-zero+bridge.Ratio(0, state), state)

	fmt.Printf("%.1f microstrain, without the leads it would read %.1f\n",
		u*1e6, bridge.Strain(reading-zero, reduce.State{GaugeFactor: 2.08})*1e6)
	// Output: 994.6 microstrain, without the leads it would read 962.5
}

// The shunt step contains the leads, so what is left over is the instrument.
func ExampleBridge_ShuntRatio() {
	layout, _ := reduce.LayoutByName("quarter_3wire")
	bridge := reduce.Bridge{Layout: layout, Gauge: 350, Response: [4]float64{1}}
	state := reduce.State{GaugeFactor: 2, Lead: 2}

	predicted := bridge.ShuntRatio(0, state, reduce.ShuntCompletion, 174650) - bridge.Ratio(0, state)
	measured := 0.49e-3 // V/V
	fmt.Printf("span %.4f\n", reduce.SpanFactor(predicted, measured))
	// Output: span 1.0156
}

func ExampleRosette_Strain() {
	angles := []float64{0, math.Pi / 4, math.Pi / 2}
	rosette, err := reduce.NewRosette(angles, []float64{0, 0, 0}, 0.285)
	if err != nil {
		fmt.Println(err)
		return
	}
	strain, _ := rosette.Strain([]float64{800e-6, 500e-6, -400e-6})
	p := strain.Principal()
	fmt.Printf("%.0f and %.0f microstrain, the larger at %.1f degrees\n", p.Max*1e6, p.Min*1e6, p.Angle*180/math.Pi)
	steel := reduce.Elastic{Young: 200e9, Poisson: 0.3}
	s1, s2 := steel.Principal(p.Max, p.Min)
	fmt.Printf("von Mises %.1f MPa\n", reduce.VonMises(s1, s2)*1e-6)
	// Output:
	// 871 and -471 microstrain, the larger at 13.3 degrees
	// von Mises 187.7 MPa
}

func ExampleRainflow() {
	for _, c := range reduce.Rainflow([]float64{-2, 1, -3, 5, -1, 3, -4, 4, -2}) {
		fmt.Printf("range %g about %g: %g\n", c.Range, c.Mean, c.Count)
	}
	// Output:
	// range 3 about -0.5: 0.5
	// range 4 about -1: 0.5
	// range 4 about 1: 1
	// range 8 about 1: 0.5
	// range 9 about 0.5: 0.5
	// range 8 about 0: 0.5
	// range 6 about 1: 0.5
}
