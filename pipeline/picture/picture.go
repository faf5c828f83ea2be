// Package picture reads the drawing of a test article: the part of SVG that draws,
// and nothing that acts, loads or links.
//
// What a browser makes of SVG goes far beyond drawing, so that only elements and
// attributes on a short list are read, and any other is an error that names it. The
// result is a tree, not text: whoever shows it makes the elements one by one.
package picture

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// ErrPicture occurs for a drawing that is not of the part of SVG that is read.
var ErrPicture = errors.New("drawing")

// Node is an element. Text is only in text, tspan, title and desc.
type Node struct {
	Tag        string            `json:"tag"`
	Attributes map[string]string `json:"attributes,omitempty"`
	Text       string            `json:"text,omitempty"`
	Children   []*Node           `json:"children,omitempty"`
}

// Limits of a drawing: far above one that people can read.
const (
	mostBytes = 256 << 10
	mostNodes = 5000
	mostDepth = 30
)

var elements = []string{"svg", "g", "path", "rect", "circle", "ellipse", "line", "polyline", "polygon", "text", "tspan", "title", "desc"}

// attributes are those that are read, each with what its value may be. class takes
// the words of the page's own style, so that a drawing follows light and dark.
var attributes = func() map[string]*regexp.Regexp {
	number := regexp.MustCompile(`^-?[0-9.]{1,12}(e-?[0-9]{1,2})?(px|%)?$`)
	numbers := regexp.MustCompile(`^[-+0-9.eE, \t\n]*$`)
	colour := regexp.MustCompile(`^(none|currentColor|#[0-9a-fA-F]{3,8}|[a-zA-Z]{3,24})$`)
	word := regexp.MustCompile(`^[a-z-]{1,24}$`)
	all := map[string]*regexp.Regexp{
		"d":         regexp.MustCompile(`^[-+0-9.eE, \t\nMmZzLlHhVvCcSsQqTtAa]*$`),
		"points":    numbers,
		"viewBox":   numbers,
		"transform": regexp.MustCompile(`^((translate|scale|rotate|skewX|skewY|matrix)\([-+0-9.eE, ]*\)[ ,]*)*$`),
		"class":     regexp.MustCompile(`^(water|plate|frame|ground|thin|label)( (water|plate|frame|ground|thin|label))*$`),
		"fill":      colour, "stroke": colour,
		"stroke-dasharray": numbers,
		"stroke-linecap":   word, "stroke-linejoin": word, "fill-rule": word, "text-anchor": word, "dominant-baseline": word,
		"xmlns": regexp.MustCompile(`^http://www\.w3\.org/2000/svg$`), "version": number,
	}
	for _, name := range []string{"x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "rx", "ry", "width", "height", "dx", "dy",
		"stroke-width", "opacity", "fill-opacity", "stroke-opacity", "font-size"} {
		all[name] = number
	}
	return all
}()

// Parse reads a drawing. Its outermost element is svg with a viewBox.
func Parse(text string) (*Node, error) {
	if len(text) > mostBytes {
		return nil, fmt.Errorf("%w: it has more than %d bytes", ErrPicture, mostBytes)
	}
	d := xml.NewDecoder(strings.NewReader(text))
	var root *Node
	var open []*Node
	for count := 0; ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrPicture, err)
		}
		line, _ := d.InputPos()
		switch t := token.(type) {
		case xml.StartElement:
			n, err := element(t)
			if err != nil {
				return nil, fmt.Errorf("%w: line %d: %w", ErrPicture, line, err)
			}
			if count++; count > mostNodes || len(open) >= mostDepth {
				return nil, fmt.Errorf("%w: it has more than %d elements, or more than %d inside one another", ErrPicture, mostNodes, mostDepth)
			}
			switch {
			case len(open) > 0:
				parent := open[len(open)-1]
				parent.Children = append(parent.Children, n)
			case root != nil || n.Tag != "svg":
				return nil, fmt.Errorf("%w: line %d: the outermost element is one <svg>", ErrPicture, line)
			default:
				root = n
			}
			open = append(open, n)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			if len(open) == 0 {
				continue
			}
			if n := open[len(open)-1]; slices.Contains([]string{"text", "tspan", "title", "desc"}, n.Tag) {
				n.Text += string(t)
			}
		case xml.Directive, xml.ProcInst:
			if p, ok := t.(xml.ProcInst); !ok || p.Target != "xml" {
				return nil, fmt.Errorf("%w: line %d: no directives", ErrPicture, line)
			}
		}
	}
	if root == nil {
		return nil, fmt.Errorf("%w: it has no <svg>", ErrPicture)
	}
	if _, _, _, _, err := root.Box(); err != nil {
		return nil, err
	}
	return root, nil
}

func element(t xml.StartElement) (*Node, error) {
	if !slices.Contains(elements, t.Name.Local) || t.Name.Space != "" && t.Name.Space != "http://www.w3.org/2000/svg" {
		return nil, fmt.Errorf("<%s> is not read; of elements only %s", t.Name.Local, strings.Join(elements, ", "))
	}
	n := &Node{Tag: t.Name.Local, Attributes: map[string]string{}}
	for _, a := range t.Attr {
		allowed := attributes[a.Name.Local]
		switch {
		case allowed == nil || a.Name.Space != "":
			return nil, fmt.Errorf("the attribute %s of <%s> is not read", a.Name.Local, n.Tag)
		case !allowed.MatchString(a.Value):
			return nil, fmt.Errorf("the attribute %s of <%s> has a value that is not read", a.Name.Local, n.Tag)
		case a.Name.Local != "xmlns":
			n.Attributes[a.Name.Local] = a.Value
		}
	}
	return n, nil
}

// Box is the corner and the size of the drawing in its own units: its viewBox.
func (n *Node) Box() (x, y, width, height float64, err error) {
	words := strings.FieldsFunc(n.Attributes["viewBox"], func(r rune) bool { return r == ' ' || r == ',' })
	var v [4]float64
	if len(words) != 4 {
		return 0, 0, 0, 0, fmt.Errorf("%w: <svg> needs a viewBox of four numbers", ErrPicture)
	}
	for i, w := range words {
		if v[i], err = strconv.ParseFloat(w, 64); err != nil || !(v[i] > -1e6 && v[i] < 1e6) {
			return 0, 0, 0, 0, fmt.Errorf("%w: <svg> needs a viewBox of four numbers", ErrPicture)
		}
	}
	if !(v[2] > 0 && v[3] > 0) {
		return 0, 0, 0, 0, fmt.Errorf("%w: the viewBox has no size", ErrPicture)
	}
	return v[0], v[1], v[2], v[3], nil
}
