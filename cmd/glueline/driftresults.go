package main

import (
	"fmt"

	"glueline/pipeline/follow"
	"glueline/pipeline/testfile"
)

// declared is what only a test file knows, and no segment.
type declared struct {
	*follow.Declared
	absent     bool              // it is not kept, and nothing is known of it
	excitation map[string]string // the source whose measured excitation an auxiliary quantity is, by its name
}

func readDeclared(path string) (*declared, error) {
	t, err := testfile.Load(path)
	if err != nil {
		return nil, err
	}
	d := &declared{excitation: map[string]string{}}
	if d.Declared, err = follow.DeclaredBy(t); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
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
