package drift_test

import (
	"fmt"
	"math"
	"time"

	"glueline/pipeline/drift"
)

// A channel that is loaded every hour, five days long. From hour 72 on its
// zero follows what a reference input of the same source reads.
func Example() {
	const minute = int64(60e9)
	gatherer := drift.Gatherer{Length: 10 * minute}
	var record drift.Record
	for m := range int64(5 * 24 * 60) {
		offset := 40e-6 * max(0, 1-math.Exp(-float64(m-3*1440)/600))
		load := max(0, math.Sin(2*math.Pi*float64(m)/60))
		r := drift.Reading{Time: m * minute, Strain: 500e-6*load + offset, Load: load, Idle: load == 0}
		for c := range r.With {
			r.With[c] = math.NaN() // not measured
		}
		r.With[drift.Temperature] = 15 + 5*math.Sin(2*math.Pi*float64(m)/1440)
		r.With[drift.Reference] = offset
		if window, done := gatherer.Add(&r); done {
			record.Add(window)
		}
	}
	verdict := drift.Judge(&record, drift.Facts{Gauge: 350, GaugeFactor: 2.08})
	fmt.Printf("%s %s since hour %.0f\n", verdict.Named, verdict.Ranked[0].Certainty, time.Duration(verdict.Onset.UnixNano()).Hours())
	fmt.Println("to decide:", verdict.Ranked[0].Decide)
	// Output:
	// instrument likely since hour 70
	// to decide: put a stable resistor bridge on this input
}
