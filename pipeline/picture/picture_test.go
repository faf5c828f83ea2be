package picture

import (
	"errors"
	"strings"
	"testing"
)

func TestParse(t *testing.T) {
	n, err := Parse(`<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 50"><title>a gate</title><g transform="translate(1 2)"><path class="plate" d="M0 0L10 10z"/></g><text x="3" y="4">a &lt;b&gt;</text></svg>`)
	if err != nil {
		t.Fatal(err)
	}
	if len(n.Children) != 3 || n.Children[0].Text != "a gate" || n.Children[1].Children[0].Attributes["d"] != "M0 0L10 10z" || n.Children[2].Text != "a <b>" {
		t.Errorf("%+v", n)
	}
	if _, _, w, h, err := n.Box(); err != nil || w != 100 || h != 50 {
		t.Errorf("%g x %g: %v", w, h, err)
	}
}

func TestWhatActsLoadsOrLinksIsRefused(t *testing.T) {
	for _, inside := range []string{
		`<script>alert(1)</script>`, `<foreignObject/>`, `<a href="x"/>`, `<use href="#x"/>`, `<image href="x"/>`, `<style>*{}</style>`, `<animate/>`, `<set/>`,
		`<path onload="x"/>`, `<g style="fill:url(http://x)"/>`, `<path fill="url(#a)"/>`, `<rect width="calc(1px)"/>`, `<g id="x"/>`,
		`<g xmlns:x="http://www.w3.org/1999/xlink" x:href="javascript:x"/>`, `<x:g xmlns:x="http://www.w3.org/1999/xhtml"/>`, `<!DOCTYPE svg><g/>`, `<?x y?>`, `<g>`,
		`<path d="M0 0" transform="url(x)"/>`, `<g class="other"/>`,
	} {
		if _, err := Parse(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1">` + inside + `</svg>`); !errors.Is(err, ErrPicture) {
			t.Errorf("%s: %v", inside, err)
		}
	}
	for _, whole := range []string{"", "text", "<svg/>", `<g viewBox="0 0 1 1"/>`, `<svg viewBox="0 0 0 1"/>`, `<svg viewBox="0 0 1"/>`, `<svg viewBox="0 0 1 NaN"/>`,
		`<svg viewBox="0 0 1 1"/><svg viewBox="0 0 1 1"/>`, `<svg viewBox="0 0 1 1">` + strings.Repeat("<g>", 40) + strings.Repeat("</g>", 40) + `</svg>`} {
		if _, err := Parse(whole); !errors.Is(err, ErrPicture) {
			t.Errorf("%.60s: %v", whole, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(`<svg viewBox="0 0 1 1"><path d="M0 0"/><text>x</text></svg>`)
	f.Add(`<svg viewBox="0 0 1 1"><script/></svg>`)
	f.Fuzz(func(t *testing.T, text string) {
		n, err := Parse(text)
		if err != nil {
			return
		}
		var look func(n *Node)
		look = func(n *Node) {
			if n.Tag == "script" || strings.ContainsAny(n.Tag, ": ") {
				t.Errorf("%q", n.Tag)
			}
			for name, value := range n.Attributes {
				if strings.HasPrefix(name, "on") || strings.Contains(value, ":") || strings.Contains(value, "url") {
					t.Errorf("%s=%q", name, value)
				}
			}
			for _, c := range n.Children {
				look(c)
			}
		}
		look(n)
	})
}
