package thermalfit

import (
	"fmt"
	"math"
	"time"
)

// window is how far around a mean its direction is looked for. Common practice,
// no source.
const window = int64(10 * time.Minute)

// still is the part of the mean rate below which temperature does not move.
// Common practice, no source.
const still = 0.25

// directions says of each point which way temperature goes.
func directions(points []point, width int64) []Direction {
	reach := max(1, window/width)
	rates := make([]float64, len(points))
	var sum, n float64
	before, after := 0, 0
	for i, p := range points {
		near := func(q point) bool {
			return q.series == p.series && q.index >= p.index-reach && q.index <= p.index+reach
		}
		for !near(points[before]) {
			before++
		}
		for after = max(after, i); after+1 < len(points) && near(points[after+1]); {
			after++
		}
		rates[i] = math.NaN()
		if points[after].index-points[before].index >= reach {
			rates[i] = (points[after].temperature - points[before].temperature) / float64(points[after].index-points[before].index)
			sum += math.Abs(rates[i])
			n++
		}
	}
	out := make([]Direction, len(points))
	for i, rate := range rates {
		switch limit := still * sum / n; {
		case rate > limit:
			out[i] = Rising
		case rate < -limit:
			out[i] = Falling
		}
	}
	return out
}

// bins are the parts of the range in which the directions are compared.
const bins = 10

func binOf(x float64) int { return min(bins-1, max(0, int((x+1)/2*bins))) }

// bothWays sees whether temperature went up and down over half of the range.
func (f *Fit) bothWays(points []point) error {
	var up, down [bins]bool
	for i, p := range points {
		switch f.rising[i] {
		case Rising:
			f.Rising++
			up[binOf(p.x)] = true
		case Falling:
			f.Falling++
			down[binOf(p.x)] = true
		}
	}
	both := 0
	for i := range up {
		if up[i] && down[i] {
			both++
		}
	}
	if 2*both < bins {
		return fmt.Errorf("%w: %.1f to %.1f degC, both ways in %d of %d parts of it; a lag of the sensor would pass for thermal output",
			ErrOneDirection, f.Low, f.High, both, bins)
	}
	return nil
}

// loops compares the residuals of falling with those of rising temperature, part by
// part of the range.
func (f *Fit) loops() {
	var sum [2][bins]float64
	var count [2][bins]float64
	for i, p := range f.residuals {
		if f.rising[i] != Still {
			way := (Rising - f.rising[i]) / 2
			sum[way][binOf(p.x)] += p.y
			count[way][binOf(p.x)]++
		}
	}
	var n float64
	for i := range bins {
		if count[0][i] == 0 || count[1][i] == 0 {
			continue
		}
		d := sum[1][i]/count[1][i] - sum[0][i]/count[0][i]
		f.Hysteresis += d
		n++
		if math.Abs(d) > math.Abs(f.LargestLoop) {
			f.LargestLoop = d
		}
	}
	f.Hysteresis /= n
}
