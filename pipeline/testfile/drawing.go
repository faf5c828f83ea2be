package testfile

import (
	"strings"

	"glueline/pipeline/picture"
)

// Drawing is a picture of the article, on which results are shown where they
// belong. It changes no value.
type Drawing struct {
	SVG    Word         `yaml:"svg" need:"yes" doc:"the drawing itself: SVG with a viewBox, of shapes and text only; class water, plate, frame, ground, thin or label takes the page's own light and dark colours"`
	Strain Quantity     `yaml:"full-strain" unit:"m/m" range:">0" doc:"strain at which a gauge's bar has its full length; 500 um/m when absent"`
	Places Named[Place] `yaml:"places" doc:"where positions, rosettes, temperatures and auxiliary quantities are on it, in units of the viewBox"`
	Given  bool         `yaml:"-"`
	Mark   Mark         `yaml:"-"`
}

// Place is a point of a drawing.
type Place struct {
	X     Quantity `yaml:"x" unit:"bare" range:"[-1e6,1e6]" need:"yes" doc:"to the right"`
	Y     Quantity `yaml:"y" unit:"bare" range:"[-1e6,1e6]" need:"yes" doc:"down"`
	Angle Quantity `yaml:"angle" unit:"rad" doc:"axis of the grid, counterclockwise from the right; the position's own when absent, else 0"`
}

// checkDrawing holds a drawing to what is read of SVG, and its places to what
// the file defines.
func (c *checker) checkDrawing() {
	d := &c.Drawing
	if d.SVG.Text != "" {
		if _, err := picture.Parse(d.SVG.Text); err != nil {
			c.report(d.SVG.Mark, "drawing.svg", strings.TrimPrefix(err.Error(), picture.ErrPicture.Error()+": "), "SVG that only draws: shapes, groups and text, with colours by name or number")
		}
	}
	for i := range d.Places.Entries {
		e := &d.Places.Entries[i]
		c.referAny(Word{e.Name, e.Mark}, "drawing.places."+e.Name, "place of", c.Positions, c.Rosettes, c.Temperatures, c.Auxiliary)
	}
}
