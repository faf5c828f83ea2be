package testfile

import (
	_ "embed"
	"fmt"
	"reflect"
	"sync"
	"time"
)

//go:embed materials.yaml
var materialsText []byte

// library is the built-in materials, read as a user's own would be.
var library = sync.OnceValues(func() (Named[Material], error) {
	var all Named[Material]
	d := &decoder{file: "built-in materials", zone: time.UTC}
	if root := d.document(materialsText); root != nil {
		d.value(reflect.ValueOf(&all).Elem(), root, d.mark(root), "materials", "")
	}
	if len(d.problems) > 0 {
		return Named[Material]{}, fmt.Errorf("built-in materials: %w", d.problems)
	}
	return all, nil
})

// Library returns the built-in materials with their sources.
func Library() Named[Material] {
	all, _ := library() // a test holds the error to be nil
	return all
}

// Material returns the data of a material: the file's own figures, and the
// built-in library's where the file gives none under that name. A figure that
// neither gives is not Given: grey cast iron, for one, has no single modulus.
func (t *Test) Material(name string) (Material, bool) {
	builtin, inLibrary := Library().Get(name)
	own, inFile := t.Materials.Get(name)
	switch {
	case !inLibrary && !inFile:
		return Material{}, false
	case !inFile:
		return *builtin, true
	case !inLibrary:
		return *own, true
	}
	m := *own
	for _, f := range []struct{ own, builtin *Quantity }{
		{&m.Young, &builtin.Young}, {&m.Poisson, &builtin.Poisson},
		{&m.Expansion, &builtin.Expansion}, {&m.Yield, &builtin.Yield},
	} {
		if !f.own.Given {
			*f.own = *f.builtin
		}
	}
	if m.Family.Text == "" {
		m.Family = builtin.Family
	}
	if m.Source.Text == "" {
		m.Source = builtin.Source
	}
	return m, true
}

// isCopper says whether the rules for copper and its alloys hold.
func (m Material) isCopper() bool {
	return m.Family.Text == "copper" || m.Family.Text == "copper-alloy"
}
