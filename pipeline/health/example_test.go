package health_test

import (
	"fmt"

	"glueline/pipeline/flag"
	"glueline/pipeline/health"
)

// A gauge that opens stays at the end of its range when the load is gone, which
// an amplifier with too small a range does not.
func ExampleFinder() {
	var f health.Finder
	for hour := range int64(48) {
		at := []int64{hour * 3600e9}
		load := 3 * float64(hour%2)
		var mask flag.Mask
		if hour >= 30 {
			mask = flag.Open | flag.Saturated
		}
		f.Add(health.Series{Name: "level", Quantity: health.Load, Time: at, Value: []float64{load}})
		f.Add(health.Series{Name: "girder-1", Time: at, Value: []float64{80e-6 * load}, Flags: []uint32{uint32(mask)}})
	}
	for _, finding := range f.Findings() {
		fmt.Println(finding.Channel, finding.Kind, "after", finding.Since.Unix()/3600, "hours")
	}
	// Output: girder-1 open after 30 hours
}
