package budget

import "math"

// Input is something that results depend on.
type Input struct {
	Name  string
	Value float64
	U     float64 // standard uncertainty, in the unit of the value; inputs are independent of each other
}

// Rectangular is the standard uncertainty of a value that is somewhere within a
// half width of what is stated, nobody knows where: a/sqrt(3) (JCGM 100:2008,
// 4.3.7).
func Rectangular(halfWidth float64) float64 { return halfWidth / math.Sqrt(3) }

// Result is a value with what each input adds to its uncertainty.
type Result struct {
	Value float64
	U     float64   // standard uncertainty: the root of the sum of the squares of the parts
	Parts []float64 // of each input, with the sign of its sensitivity
}

// FirstOrder works out results of inputs and their uncertainties: each sensitivity
// is the central difference over one standard uncertainty to either side, and
// parts add up by their squares (JCGM 100:2008, 5.1.2 and 5.1.3 note 2). Where a
// result bends within that, as a principal strain does where both are equal, this
// is not valid, and a straight line through the bend is what it says.
func FirstOrder(inputs []Input, f func(values []float64) []float64) []Result {
	values := make([]float64, len(inputs))
	for i, in := range inputs {
		values[i] = in.Value
	}
	at := f(values)
	out := make([]Result, len(at))
	for k := range out {
		out[k] = Result{Value: at[k], Parts: make([]float64, len(inputs))}
	}
	for i, in := range inputs {
		if in.U == 0 {
			continue
		}
		values[i] = in.Value + in.U
		high := f(values)
		values[i] = in.Value - in.U
		low := f(values)
		values[i] = in.Value
		for k := range out {
			out[k].Parts[i] = (high[k] - low[k]) / 2
		}
	}
	for k := range out {
		for _, p := range out[k].Parts {
			out[k].U = math.Hypot(out[k].U, p)
		}
	}
	return out
}
