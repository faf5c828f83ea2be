package thermalfit_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"glueline/pipeline/thermalfit"
)

// A free coupon on a windowsill for a week, read every ten minutes.
func Example() {
	random := rand.New(rand.NewPCG(1, 2))
	var readings thermalfit.Readings
	series := readings.Begin("coupon")
	for i := range 7 * 144 {
		temperature := 18 + 12*math.Sin(2*math.Pi*float64(i)/144)
		output := 3.1e-6*(temperature-24) - 7e-8*(temperature-24)*(temperature-24) + 1e-6*random.NormFloat64()
		readings.Add(series, int64(i)*int64(10*time.Minute), temperature, output)
	}
	fit, err := readings.Fit()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("degree %d, 0 at %.0f degC, %.0f um/m at 10 degC\n", fit.Degree, fit.Anchor, 1e6*fit.At(10))
	fmt.Printf("a zero at 24 degC leaves %.1f um/m of doubt at 10 degC\n", 1e6*fit.Band(10, 24))
	// Output:
	// degree 2, 0 at 24 degC, -57 um/m at 10 degC
	// a zero at 24 degC leaves 0.1 um/m of doubt at 10 degC
}
