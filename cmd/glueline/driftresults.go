package main

import (
	"fmt"

	"glueline/pipeline/follow"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
)

// declared is what only a test file knows, and no segment.
type declared struct {
	*follow.Declared
	absent     bool              // it is not kept, and nothing is known of it
	excitation map[string]string // the source whose measured excitation an auxiliary quantity is, by its name
	beside     map[string]bool   // groups that read the load or the humidity; nil where that is not known
}

func readDeclared(path string) (*declared, error) {
	t, err := testfile.Load(path)
	if err != nil {
		return nil, err
	}
	d := &declared{excitation: map[string]string{}, beside: map[string]bool{}}
	if d.Declared, err = follow.DeclaredBy(t); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	for _, a := range t.Auxiliary.Entries {
		if a.Name != t.About.Load.Text && a.Value.Quantity.Text != "humidity" {
			continue
		}
		name, _ := testfile.SplitInput(a.Value.Input.Text)
		if s, ok := t.Sources.Get(name); ok {
			d.beside[s.Group.Or(group.MainGroup)] = true
		}
	}
	for _, s := range t.Sources.Entries {
		for _, a := range t.Auxiliary.Entries {
			if in := s.Value.ExcitationIn.Text; in != "" && a.Value.Input.Text == s.Name+"/"+in {
				d.excitation[a.Name] = s.Name
			}
		}
	}
	return d, nil
}
