package drift

import "math"

// Point is an epoch of a record in figures, for people to look at: what the verdict
// was drawn from. What is not known is NaN.
type Point struct {
	From, To    int64   // ns, of the first and the last reading
	Rest        float64 // m/m from the installation zero, while idle; where the article never idles, less what the load explains
	Live        float64 // m/m from the installation zero, of all readings
	Load        float64 // in its own unit, mean of all readings
	Slope       float64 // m/m a unit of load, on the way up and down
	SlopeError  float64 // its standard error
	Noise       float64 // m/m, standard deviation of white noise while idle
	Temperature float64 // degC
	Humidity    float64 // %
}

// Points appends a point an epoch, in order of time, and returns dst.
func (r *Record) Points(dst []Point) []Point {
	for i := range r.Epochs {
		e := &r.Epochs[i]
		p := Point{
			From: e.From, To: e.To, Rest: r.zero(e), Live: e.All.Y / e.All.N, Load: e.All.X / e.All.N, Noise: math.Sqrt(e.Wobble.Mean()),
			Temperature: e.With[Temperature].Mean(), Humidity: e.With[Humidity].Mean(),
		}
		p.Slope, p.SlopeError = e.Slope()
		dst = append(dst, p)
	}
	return dst
}

// Line is a straight line through the points of a record, by least squares, with
// how well it fits: the slope and its standard error of textbooks, which hold for
// white noise. Of a drift they are a hint, since it is not white.
type Line struct {
	N     int
	Slope float64 // NaN for fewer than four points, or where the other quantity did not move
	Error float64 // standard error of the slope, NaN as the slope is
	R     float64 // Pearson's correlation, from -1 to 1; NaN where either did not move
}

// WithTemperature is the line of the zero at rest against the gauge's own
// temperature, in m/m/K: how far the zero follows it whatever else it does. A
// gauge whose thermal output is compensated, at a level of its own, has a slope
// near zero.
func (r *Record) WithTemperature() Line {
	return lineThrough(r.Points(nil), func(p *Point) (x, y float64) { return p.Temperature, p.Rest })
}

func lineThrough(points []Point, of func(*Point) (x, y float64)) Line {
	var n, mx, my, xx, xy, yy float64
	for i := range points {
		x, y := of(&points[i])
		if math.IsNaN(x) || math.IsNaN(y) {
			continue
		}
		// Sums about a running mean (B. P. Welford, Technometrics 4, 1962): those of
		// the raw numbers cancel.
		n++
		dx, dy := x-mx, y-my
		mx += dx / n
		my += dy / n
		xx += dx * (x - mx)
		xy += dx * (y - my)
		yy += dy * (y - my)
	}
	l := Line{N: int(n), Slope: math.NaN(), Error: math.NaN(), R: math.NaN()}
	if n < 4 || !(xx > 0) {
		return l
	}
	l.Slope = xy / xx
	l.Error = math.Sqrt(max(0, yy-l.Slope*xy) / (n - 2) / xx)
	if yy > 0 {
		l.R = max(-1, min(1, xy/math.Sqrt(xx)/math.Sqrt(yy)))
	}
	return l
}
