package plot

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"

	"golang.org/x/image/font"
	"golang.org/x/image/font/inconsolata"
	"golang.org/x/image/math/fixed"
)

// WritePNG draws the chart as PNG.
func (c *Chart) WritePNG(w io.Writer) error {
	width, height := c.size()
	p := &raster{image.NewRGBA(image.Rect(0, 0, width, height))}
	c.draw(p)
	if err := png.Encode(w, p.RGBA); err != nil {
		return fmt.Errorf("draw %s: %w", c.Title, err)
	}
	return nil
}

type raster struct{ *image.RGBA }

func (p *raster) rect(x, y, w, h int, c color.RGBA) {
	draw.Draw(p, image.Rect(x, y, x+w, y+h), image.NewUniform(c), image.Point{}, draw.Src)
}

func (p *raster) bars(all []bar, c color.RGBA) {
	for _, b := range all {
		p.rect(b.x, b.y, b.width, b.height, c)
	}
}

func (p *raster) text(x, y int, a anchor, text string) {
	d := font.Drawer{Dst: p, Src: image.NewUniform(ink), Face: inconsolata.Regular8x16, Dot: fixed.P(x, y)}
	switch wide := d.MeasureString(text); a {
	case middle:
		d.Dot.X -= wide / 2
	case end:
		d.Dot.X -= wide
	}
	d.DrawString(text)
}
