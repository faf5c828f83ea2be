package main

import (
	"encoding/xml"
	"fmt"
	"math"
	"strings"

	"glueline/pipeline/thermalfit"
)

// The plot of a fit: means with the way temperature went, curve, band and what
// the reduction takes out now, and the residuals below. Every kind of line or mark
// has a form of its own, and its name; colour only helps.
const (
	plotWidth, plotHeight = 900, 720
	plotLeft, plotRight   = 80, 880
	upperTop, upperBottom = 76, 440
	lowerTop, lowerBottom = 500, 660
	mostMarks             = 1500 // more are thinned out
)

// axis maps values to a range of pixels.
type axis struct{ low, high, from, to float64 }

func (a axis) at(v float64) float64 { return a.from + (v-a.low)/(a.high-a.low)*(a.to-a.from) }

// ticks are some round values of the axis, and their decimals.
func (a axis) ticks() (all []float64, decimals int) {
	step := math.Pow(10, math.Floor(math.Log10((a.high-a.low)/5)))
	for _, m := range []float64{1, 2, 5, 10} {
		if (a.high-a.low)/(m*step) <= 8 {
			step *= m
			break
		}
	}
	for i := math.Ceil(a.low / step); i*step <= a.high; i++ {
		all = append(all, i*step)
	}
	return all, int(max(0, -math.Floor(math.Log10(step)+1e-9)))
}

// padded is a range with room on both sides; never empty.
func padded(low, high float64) (float64, float64) {
	room := max((high-low)*0.05, 1e-9)
	return low - room, high + room
}

// drawing is SVG under way.
type drawing struct{ strings.Builder }

func (d *drawing) text(x, y float64, anchor, form string, values ...any) {
	fmt.Fprintf(d, `<text x="%.1f" y="%.1f" text-anchor="%s">`, x, y, anchor)
	_ = xml.EscapeText(d, []byte(fmt.Sprintf(form, values...))) // a Builder takes everything
	d.WriteString("</text>\n")
}

func (d *drawing) line(x1, y1, x2, y2 float64, style string) {
	fmt.Fprintf(d, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" %s/>`+"\n", x1, y1, x2, y2, style)
}

// mark is a triangle that points the way temperature went; a dot where it did not.
func (d *drawing) mark(x, y float64, way thermalfit.Direction) {
	switch way {
	case thermalfit.Rising:
		fmt.Fprintf(d, `<path d="M%.1f %.1fl3 5h-6z" fill="none" stroke="#b03a2e"/>`+"\n", x, y-3)
	case thermalfit.Falling:
		fmt.Fprintf(d, `<path d="M%.1f %.1fl3 -5h-6z" fill="#1f618d"/>`+"\n", x, y+3)
	default:
		fmt.Fprintf(d, `<circle cx="%.1f" cy="%.1f" r="1" fill="#555"/>`+"\n", x, y)
	}
}

// frame draws the box of a diagram with its ticks.
func (d *drawing) frame(x, y axis, unit string) {
	across, n := x.ticks()
	for _, v := range across {
		d.line(x.at(v), y.from, x.at(v), y.to, `stroke="#ddd"`)
		d.text(x.at(v), y.from+16, "middle", "%.*f", n, v)
	}
	up, n := y.ticks()
	for _, v := range up {
		d.line(x.from, y.at(v), x.to, y.at(v), `stroke="#ddd"`)
		d.text(x.from-6, y.at(v)+4, "end", "%.*f", n, v)
	}
	fmt.Fprintf(d, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="none" stroke="#333"/>`+"\n", x.from, y.to, x.to-x.from, y.from-y.to)
	d.text(x.from, y.to-8, "start", "%s", unit)
}

// plot draws the fit.
func (r *thermalReport) plot() string {
	f := r.fit
	every := (f.Readings + mostMarks - 1) / mostMarks
	marks := func(visit func(temperature, value, residual float64, way thermalfit.Direction)) {
		i := 0
		f.Points(func(temperature, value float64, way thermalfit.Direction) {
			if i++; i%every == 0 {
				visit(temperature, value*1e6, (value-f.At(temperature))*1e6, way)
			}
		})
	}
	low, high, least, most := math.Inf(1), math.Inf(-1), 0.0, 0.0
	see := func(v float64) {
		if !math.IsNaN(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	marks(func(_, value, residual float64, _ thermalfit.Direction) {
		see(value)
		least, most = min(least, residual), max(most, residual)
	})
	const steps = 100
	var temperatures []float64
	for i := range steps + 1 {
		t := f.Low + (f.High-f.Low)*float64(i)/steps
		temperatures = append(temperatures, t)
		see((f.At(t) + f.Band(t, f.Anchor)) * 1e6)
		see((f.At(t) - f.Band(t, f.Anchor)) * 1e6)
		see(r.now(t) * 1e6)
	}
	low, high = padded(low, high)
	least, most = padded(least, most)
	left, right := padded(f.Low, f.High)
	x := axis{left, right, plotLeft, plotRight}
	y := axis{low, high, upperBottom, upperTop}
	z := axis{least, most, lowerBottom, lowerTop}

	var d drawing
	fmt.Fprintf(&d, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" role="img" font-family="sans-serif" font-size="12">`+"\n", plotWidth, plotHeight, plotWidth, plotHeight)
	d.WriteString("<title>")
	_ = xml.EscapeText(&d, []byte(r.name()+" of "+r.what.subject()))
	fmt.Fprintf(&d, "</title>\n<rect width=\"%d\" height=\"%d\" fill=\"#fff\"/>\n", plotWidth, plotHeight)
	d.text(plotLeft, 22, "start", "%s of %s", r.name(), r.what.subject())
	d.text(plotLeft, 40, "start", "%s; degree %d, %.1f effective readings of %d, band at 95 %%", r.span(), f.Degree, f.Effective, f.Readings)
	d.frame(x, y, "um/m at a gauge factor of "+exact(r.what.reference))
	d.frame(x, z, "um/m from the curve")
	d.text((plotLeft+plotRight)/2, lowerBottom+36, "middle", "temperature, degC")

	marks(func(temperature, value, residual float64, way thermalfit.Direction) {
		d.mark(x.at(temperature), y.at(value), way)
		d.mark(x.at(temperature), z.at(residual), way)
	})
	curve := func(style string, of func(t float64) float64) {
		d.WriteString(`<polyline fill="none" ` + style + ` points="`)
		for _, t := range temperatures {
			if v := of(t) * 1e6; !math.IsNaN(v) {
				fmt.Fprintf(&d, "%.1f,%.1f ", x.at(t), y.at(v))
			}
		}
		d.WriteString("\"/>\n")
	}
	const (
		thick  = `stroke="#000" stroke-width="2"`
		dashed = `stroke="#000" stroke-dasharray="6 3"`
		dotted = `stroke="#6c3483" stroke-width="2" stroke-dasharray="2 4"`
	)
	curve(thick, f.At)
	curve(dashed, func(t float64) float64 { return f.At(t) + f.Band(t, f.Anchor) })
	curve(dashed, func(t float64) float64 { return f.At(t) - f.Band(t, f.Anchor) })
	curve(dotted, r.now)
	d.line(x.from, z.at(0), x.to, z.at(0), thick)

	at := float64(plotLeft)
	key := func(name string, sample func(x float64)) {
		sample(at)
		d.text(at+32, plotHeight-8, "start", "%s", name)
		at += 46 + 6.6*float64(len(name))
	}
	key("rising", func(x float64) { d.mark(x+24, plotHeight-12, thermalfit.Rising) })
	key("falling", func(x float64) { d.mark(x+24, plotHeight-12, thermalfit.Falling) })
	key("neither", func(x float64) { d.mark(x+24, plotHeight-12, thermalfit.Still) })
	key("curve", func(x float64) { d.line(x, plotHeight-12, x+28, plotHeight-12, thick) })
	key("band", func(x float64) { d.line(x, plotHeight-12, x+28, plotHeight-12, dashed) })
	key("taken out now", func(x float64) { d.line(x, plotHeight-12, x+28, plotHeight-12, dotted) })
	d.WriteString("</svg>\n")
	return d.String()
}
