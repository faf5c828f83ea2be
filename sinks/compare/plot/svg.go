package plot

import (
	"bufio"
	"encoding/xml"
	"fmt"
	"image/color"
	"io"
	"strings"
)

// WriteSVG draws the chart as SVG 1.1.
func (c *Chart) WriteSVG(w io.Writer) error {
	s := &svg{out: bufio.NewWriter(w)}
	width, height := c.size()
	fmt.Fprintf(s.out, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" role="img" font-family="monospace" font-size="13" shape-rendering="crispEdges">`+"\n",
		width, height, width, height)
	fmt.Fprintf(s.out, "<title>%s</title>\n", escaped(c.Title))
	c.draw(s)
	fmt.Fprintln(s.out, "</svg>")
	return s.out.Flush() // tells of every write before it
}

type svg struct{ out *bufio.Writer }

func hex(c color.RGBA) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

func escaped(text string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(text)) // a Builder takes everything
	return b.String()
}

func (s *svg) rect(x, y, w, h int, c color.RGBA) {
	fmt.Fprintf(s.out, `<rect x="%d" y="%d" width="%d" height="%d" fill="%s"/>`+"\n", x, y, w, h, hex(c))
}

func (s *svg) bars(all []bar, c color.RGBA) {
	if len(all) == 0 {
		return
	}
	fmt.Fprintf(s.out, `<path fill="%s" d="`, hex(c))
	for _, b := range all {
		fmt.Fprintf(s.out, "M%d %dh%dv%dh%dz", b.x, b.y, b.width, b.height, -b.width)
	}
	fmt.Fprint(s.out, "\"/>\n")
}

func (s *svg) text(x, y int, a anchor, text string) {
	fmt.Fprintf(s.out, `<text x="%d" y="%d" text-anchor="%s" fill="%s">%s</text>`+"\n", x, y, [...]string{"start", "middle", "end"}[a], hex(ink), escaped(text))
}
