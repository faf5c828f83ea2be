package reduce

import "math"

// Cycle is one counted cycle, in the unit of the history.
type Cycle struct {
	Range float64 // peak minus valley, never negative
	Mean  float64 // midpoint of peak and valley
	Count float64 // 1, or 0.5 for a half cycle
}

// Reversals appends to dst[:0] the reversals of x and returns them: the first
// and the last value and every strict turning point between, repeated values
// counting once. NaN are passed over. dst may be x itself.
func Reversals(dst, x []float64) []float64 {
	out := dst[:0]
	for _, v := range x {
		if math.IsNaN(v) {
			continue
		}
		n := len(out)
		switch {
		case n > 0 && out[n-1] == v:
		case n > 1 && (out[n-1] > out[n-2]) == (v > out[n-1]):
			out[n-1] = v // the same direction goes on
		default:
			out = append(out, v)
		}
	}
	return out
}

// Rainflow counts the cycles of a history (ASTM E1049-85, 5.4.4). Cycles come
// in the order in which they close; what does not close is counted as half
// cycles, in the order of the history. The history is reduced to its reversals
// first and is not changed.
func Rainflow(history []float64) []Cycle {
	cycles, stack := rainflow(Reversals(nil, history), false)
	for i := 1; i < len(stack); i++ {
		cycles = append(cycles, cycle(stack[i-1], stack[i], 0.5))
	}
	return cycles
}

// RainflowRepeating counts the cycles of a history that is repeated (ASTM
// E1049-85, 5.4.5): it is rearranged to begin and end at its maximum, and only
// full cycles result.
func RainflowRepeating(history []float64) []Cycle {
	points := Reversals(nil, history)
	if len(points) == 0 {
		return nil
	}
	top := 0
	for i, v := range points {
		if v > points[top] {
			top = i
		}
	}
	loop := append(append(append([]float64(nil), points[top:]...), points[:top]...), points[top])
	cycles, _ := rainflow(Reversals(loop, loop), true)
	return cycles
}

// rainflow returns the counted cycles of a sequence of reversals and the
// points that are left. The latest range X is compared with the one before, Y;
// Y is counted if X is not smaller. While Y contains the starting point it
// counts half, and only that point is dropped, unless the history repeats and
// so goes on before its start.
func rainflow(points []float64, repeating bool) (cycles []Cycle, stack []float64) {
	for _, p := range points {
		stack = append(stack, p)
		for len(stack) >= 3 {
			n := len(stack)
			x := math.Abs(stack[n-1] - stack[n-2])
			y := math.Abs(stack[n-2] - stack[n-3])
			if x < y {
				break
			}
			if n == 3 && !repeating {
				cycles = append(cycles, cycle(stack[0], stack[1], 0.5))
				stack = stack[1:]
				continue
			}
			cycles = append(cycles, cycle(stack[n-3], stack[n-2], 1))
			stack = append(stack[:n-3], p)
		}
	}
	return cycles, stack
}

func cycle(a, b, count float64) Cycle {
	return Cycle{Range: math.Abs(b - a), Mean: (a + b) / 2, Count: count}
}

// Curve is an S-N curve: Cycles returns the number of cycles to failure at a
// stress range (not amplitude), +Inf where a range does no damage.
type Curve interface {
	Cycles(stressRange float64) float64
}

// Basquin is the S-N curve sa = Coefficient (2N)^Exponent in amplitudes sa, 2N
// being the number of reversals.
type Basquin struct {
	Coefficient float64 // fatigue strength coefficient, in the unit of the stress
	Exponent    float64 // negative
}

// Cycles returns N = (sa/Coefficient)^(1/Exponent) / 2 with sa half the range.
func (c Basquin) Cycles(stressRange float64) float64 {
	return 0.5 * math.Pow(stressRange/2/c.Coefficient, 1/c.Exponent)
}

// PowerRange is the S-N curve N = Coefficient / S^Exponent in ranges S.
type PowerRange struct {
	Coefficient float64 // cycles times stress to the power Exponent
	Exponent    float64 // positive
}

// Cycles returns N = Coefficient / stressRange^Exponent.
func (c PowerRange) Cycles(stressRange float64) float64 {
	return c.Coefficient / math.Pow(stressRange, c.Exponent)
}

// Miner returns the damage sum of the cycles, the sum of Count/N (Palmgren and
// Miner): failure is expected at about 1. Cycles of range zero do no damage.
func Miner(cycles []Cycle, curve Curve) float64 {
	var sum float64
	for _, c := range cycles {
		if c.Range != 0 {
			sum += c.Count / curve.Cycles(c.Range)
		}
	}
	return sum
}

// Goodman returns the fully reversed cycle that does the same damage as c by
// Goodman's line: range / (1 - mean/ultimate), for tensile and compressive
// means alike, mean 0. Where the mean reaches the ultimate strength the range
// is +Inf. A rule that gives compressive means no credit is the caller's to
// apply.
func (c Cycle) Goodman(ultimate float64) Cycle {
	share := 1 - c.Mean/ultimate
	if share <= 0 {
		return Cycle{Range: math.Inf(1), Count: c.Count}
	}
	return Cycle{Range: c.Range / share, Count: c.Count}
}

// EquivalentRange returns the constant range that, repeated as often as all
// cycles together, does the same damage on a curve of the given exponent:
// (sum n S^m / sum n)^(1/m). NaN without cycles.
func EquivalentRange(cycles []Cycle, exponent float64) float64 {
	var sum, count float64
	for _, c := range cycles {
		sum += c.Count * math.Pow(c.Range, exponent)
		count += c.Count
	}
	return math.Pow(sum/count, 1/exponent)
}
