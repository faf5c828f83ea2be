package cycles_test

import (
	"fmt"

	"glueline/pipeline/cycles"
)

// Two fillings of a lock, with a zero between them that the count does not see.
func ExampleCounter() {
	flags := make([]uint32, 4)
	c := cycles.New(cycles.Curve{})
	c.Add([]float64{0, 400e-6, 20e-6, 30e-6}, flags)
	c.Rezero(30e-6) // the new zero, counted from the old one
	c.Add([]float64{0, 350e-6, 380e-6, -10e-6}, flags)

	n := c.Count()
	fmt.Printf("%d half cycles closed, %d open, the largest %d microstrain\n", n.Closed, n.Open, n.Largest)
	for _, b := range n.Bins {
		fmt.Printf("%d half cycles of %d to %d microstrain\n", b.Halves, b.RangeFrom, b.RangeTo)
	}
	// Output:
	// 2 half cycles closed, 2 open, the largest 410 microstrain
	// 2 half cycles of 376 to 384 microstrain
	// 1 half cycles of 384 to 392 microstrain
	// 1 half cycles of 408 to 416 microstrain
}
