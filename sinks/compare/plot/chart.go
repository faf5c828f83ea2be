package plot

import (
	"image/color"
	"math"

	"glueline/sinks/compare"
)

// Chart is panels above one another over one stretch of time.
type Chart struct {
	Title    string
	From, To int64 // ns since 1970 UTC
	Panels   []Panel
}

// Panel is curves that share an axis.
type Panel struct {
	Label  string  // of the axis, with the unit that is shown
	Scale  float64 // from the values to that unit
	Curves []Curve // at most as many as there are colours: two
}

// Curve is the extremes of equal parts of the chart's stretch, in their order. A
// part without a value, and one with a value that is not finite, is left open.
type Curve struct {
	Name string
	Bins []compare.Extremes
}

// The layout, in pixels.
const (
	width   = 960
	height  = 260 // of a panel
	left    = 96
	right   = 24
	top     = 56
	bottom  = 56
	between = 28
	glyphW  = 8
	// least is the least height of a bar, so that a lone value is seen.
	least = 2
)

// Width is that of the part of a picture that holds curves: no use to have more
// bins than that.
const Width = width - left - right

var (
	ink   = color.RGBA{0x22, 0x22, 0x22, 0xff}
	grid  = color.RGBA{0xdd, 0xdd, 0xdd, 0xff}
	frame = color.RGBA{0x88, 0x88, 0x88, 0xff}
	// curves can be told apart by those who see no red or green, and in grey.
	curves = []color.RGBA{{0x1b, 0x4f, 0x9c, 0xff}, {0xe6, 0x8a, 0x00, 0xff}}
)

// anchor is which part of a text stands at its place.
type anchor uint8

const (
	start anchor = iota
	middle
	end
)

// bar is a vertical stroke of one part, from the top down.
type bar struct{ x, width, y, height int }

// canvas is what a chart is drawn on.
type canvas interface {
	rect(x, y, w, h int, c color.RGBA)
	bars(all []bar, c color.RGBA)
	text(x, y int, a anchor, s string) // y is the base line
}

func (c *Chart) size() (w, h int) {
	n := len(c.Panels)
	return width, top + n*height + max(n-1, 0)*between + bottom
}

func (c *Chart) draw(on canvas) {
	w, h := c.size()
	on.rect(0, 0, w, h, color.RGBA{0xff, 0xff, 0xff, 0xff})
	on.text(left, 24, start, c.Title)
	marks, caption := timeAxis(c.From, c.To)
	y := top
	for i := range c.Panels {
		c.Panels[i].draw(on, y, marks)
		y += height + between
	}
	y -= between
	for _, m := range marks {
		on.text(left+m.at, y+20, middle, m.text)
	}
	on.text(left, y+42, start, caption)
}

func (p *Panel) draw(on canvas, y int, marks []mark) {
	low, high := p.span()
	rows, low, high := valueAxis(low, high)
	place := func(v float64) int { return y + int(math.Round((high-v)/(high-low)*(height-1))) }
	for _, r := range rows {
		on.rect(left, place(r.value), Width, 1, grid)
		on.text(left-8, place(r.value)+5, end, r.text)
	}
	for _, m := range marks {
		on.rect(left+m.at, y, 1, height, grid)
	}
	on.text(left, y-6, start, p.Label)
	x := left + glyphW*(len([]rune(p.Label))+3)
	for i := range p.Curves {
		k := &p.Curves[i]
		colour := curves[i%len(curves)]
		on.bars(k.strokes(p.Scale, place), colour)
		if k.Name != "" {
			on.rect(x, y-14, 12, 10, colour)
			on.text(x+18, y-6, start, k.Name)
			x += 18 + glyphW*(len([]rune(k.Name))+3)
		}
	}
	on.rect(left, y, Width, 1, frame)
	on.rect(left, y+height-1, Width, 1, frame)
	on.rect(left, y, 1, height, frame)
	on.rect(left+Width-1, y, 1, height, frame)
}

// span is the least and the largest value that is shown; low is above high when
// there is none.
func (p *Panel) span() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := range p.Curves {
		for _, b := range p.Curves[i].Bins {
			if finite(b, p.Scale) {
				low, high = min(low, b.Min*p.Scale), max(high, b.Max*p.Scale)
			}
		}
	}
	return low, high
}

// finite reports whether a part can be drawn; the limit leaves room to reckon with.
func finite(b compare.Extremes, scale float64) bool {
	const most = 1e300
	return !b.Empty() && math.Abs(b.Min*scale) < most && math.Abs(b.Max*scale) < most
}

// strokes are the bars of a curve. One that would not touch the one before it is
// made longer, so that a steep rise is a line and no scatter.
func (k *Curve) strokes(scale float64, place func(float64) int) []bar {
	var all []bar
	for i, b := range k.Bins {
		if !finite(b, scale) {
			continue
		}
		x := i * Width / len(k.Bins)
		one := bar{x: left + x, width: max((i+1)*Width/len(k.Bins)-x, 1), y: place(b.Max * scale)}
		one.height = max(place(b.Min*scale)-one.y+1, least)
		if n := len(all); n > 0 && all[n-1].x+all[n-1].width == one.x {
			before := all[n-1]
			switch {
			case before.y+before.height < one.y:
				one.height += one.y - before.y - before.height
				one.y = before.y + before.height
			case one.y+one.height < before.y:
				one.height = before.y - one.y
			}
		}
		all = append(all, one)
	}
	return all
}
